//! Design of linear-phase FIR filters by the window method.

use std::f64::consts::PI;

/// Modified Bessel function of the first kind and order zero, by its power series (Abramowitz &
/// Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter_square = x * x / 4.0;
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..200 {
        term *= quarter_square / f64::from(k * k);
        sum += term;
        if term < sum * 1e-17 {
            break;
        }
    }
    sum
}

/// Kaiser window at `position` in −1…1 (its middle is 0), with shape `beta`; 0 outside.
fn kaiser(position: f64, beta: f64) -> f64 {
    if position.abs() > 1.0 {
        return 0.0;
    }
    bessel_i0(beta * (1.0 - position * position).sqrt()) / bessel_i0(beta)
}

/// `sin(πx)/(πx)`.
pub fn sinc(x: f64) -> f64 {
    if x == 0.0 {
        1.0
    } else {
        (PI * x).sin() / (PI * x)
    }
}

/// Windowed-sinc low-pass of `len` taps, symmetric, with DC gain exactly 1.
///
/// `cutoff` is the −6 dB point in cycles per sample (0…0.5); `beta` the Kaiser shape (larger:
/// deeper stop band, wider transition).
pub fn low_pass(len: usize, cutoff: f64, beta: f64) -> Vec<f64> {
    let middle = (len as f64 - 1.0) / 2.0;
    let mut taps: Vec<f64> = (0..len)
        .map(|n| {
            let offset = n as f64 - middle;
            sinc(2.0 * cutoff * offset) * kaiser(offset / (middle + 1.0), beta)
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    for tap in &mut taps {
        *tap /= sum;
    }
    taps
}

/// Right half of a filter that finds the sample half-way between two neighbours: `pairs` taps,
/// nearest first.
///
/// The value is `Σ taps[k]·(x[n−k] + x[n+1+k])`. It is the odd phase of a half-band low-pass,
/// normalised to pass DC exactly.
pub fn half_sample(pairs: usize, beta: f64) -> Vec<f64> {
    let mut taps: Vec<f64> = (0..pairs)
        .map(|k| {
            let offset = k as f64 + 0.5;
            sinc(offset) * kaiser(offset / pairs as f64, beta)
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    for tap in &mut taps {
        *tap /= 2.0 * sum;
    }
    taps
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz & Stegun, table 9.8: I0(1) and I0(5) (e^−x·I0 as printed: 0.4657596077,
    /// 0.1835408126).
    #[test]
    fn bessel_function_agrees_with_the_handbook() {
        assert!((bessel_i0(1.0) * (-1.0_f64).exp() - 0.4657596077).abs() < 1e-9);
        assert!((bessel_i0(5.0) * (-5.0_f64).exp() - 0.1835408126).abs() < 1e-9);
    }

    /// Gain at `frequency` (cycles per sample) of the symmetric filter that [`half_sample`] returns.
    fn half_sample_response(taps: &[f64], frequency: f64) -> f64 {
        let taps = taps.iter().enumerate();
        let gains =
            taps.map(|(k, tap)| 2.0 * tap * (2.0 * PI * frequency * (k as f64 + 0.5)).cos());
        gains.sum()
    }

    #[test]
    fn half_sample_filter_is_flat_to_0_45_of_the_rate() {
        let taps = half_sample(20, 6.3);
        assert!((half_sample_response(&taps, 0.0) - 1.0).abs() < 1e-12);
        for step in 0..=450 {
            let gain = half_sample_response(&taps, f64::from(step) / 1000.0);
            assert!((20.0 * gain.abs().log10()).abs() < 0.011, "{step}: {gain}");
        }
    }

    #[test]
    fn low_pass_passes_dc_exactly() {
        let sum: f64 = low_pass(63, 0.125, 8.0).iter().sum();
        assert!((sum - 1.0).abs() < 1e-12);
    }
}
