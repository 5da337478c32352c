//! From the mixing rate to any other: a windowed sinc, so that the song is the same at each.

use super::RATE_HZ;

/// Crossings of the sinc either side of its centre.
const CROSSINGS: usize = 32;
/// Positions tabulated between two frames; between those the table is interpolated.
const POSITIONS: usize = 512;
/// Where the sinc's corner sits, as a part of the lower rate's half: a little below, for the
/// transition's sake.
const CORNER: f64 = 0.95;
/// Kaiser window for about 80 dB outside the band.
const KAISER_BETA: f64 = 8.0;

/// `input` at `rate_hz`, all that both rates can carry (up to 0.43 of the lower one) unchanged.
pub(super) fn resample(input: &[f32], rate_hz: u32) -> Vec<f32> {
    let from_hz = f64::from(RATE_HZ);
    let to_hz = f64::from(rate_hz);
    if (from_hz - to_hz).abs() < 0.5 {
        return input.to_vec();
    }
    let corner = CORNER * (to_hz / from_hz).min(1.0);
    let half = super::ceiled(CROSSINGS as f64 / corner);
    // Lanes of eight let the compiler add in parallel.
    let taps = (2 * half).next_multiple_of(8);
    let table: Vec<Vec<f32>> = (0..=POSITIONS)
        .map(|position| kernel(position as f64 / POSITIONS as f64, half, taps, corner))
        .collect();
    let mut padded = vec![0.0; half];
    padded.extend_from_slice(input);
    padded.resize(input.len() + 2 * half + taps, 0.0);

    let frames = super::ceiled(input.len() as f64 * to_hz / from_hz);
    (0..frames)
        .map(|frame| {
            let position = frame as f64 * from_hz / to_hz;
            let whole = super::floored(position);
            let row = position.fract() * POSITIONS as f64;
            let index = super::floored(row);
            let between = row.fract() as f32;
            // The tap at `half − 1` sits on frame `whole`.
            let heard = &padded[whole + 1..=whole + taps];
            let [left, right] = dots(heard, &table[index], &table[index + 1]);
            left + between * (right - left)
        })
        .collect()
}

fn kernel(fraction: f64, half: usize, taps: usize, corner: f64) -> Vec<f32> {
    let half_f = half as f64;
    let full = bessel(KAISER_BETA);
    (0..taps)
        .map(|tap| {
            let away = tap as f64 - (half_f - 1.0) - fraction;
            let across = away / half_f;
            if across.abs() >= 1.0 {
                return 0.0;
            }
            let window = bessel(KAISER_BETA * (1.0 - across * across).sqrt()) / full;
            (corner * sinc(corner * away) * window) as f32
        })
        .collect()
}

/// The products of `heard` with both rows of the table.
fn dots(heard: &[f32], first: &[f32], second: &[f32]) -> [f32; 2] {
    let mut lanes = [[0.0_f32; 8]; 2];
    let [heard, first, second] = [heard, first, second].map(|of| of.as_chunks::<8>().0);
    for ((heard, first), second) in heard.iter().zip(first).zip(second) {
        for (lanes, row) in lanes.iter_mut().zip([first, second]) {
            for ((lane, heard), tap) in lanes.iter_mut().zip(heard).zip(row) {
                *lane += heard * tap;
            }
        }
    }
    lanes.map(|lanes| lanes.iter().sum())
}

pub(super) fn sinc(position: f64) -> f64 {
    let angle = std::f64::consts::PI * position;
    if angle.abs() < 1e-9 {
        1.0
    } else {
        angle.sin() / angle
    }
}

/// Modified Bessel function of the first kind, order 0, by its power series.
pub(super) fn bessel(position: f64) -> f64 {
    let quarter = position * position / 4.0;
    let mut term = 1.0;
    let mut sum = 1.0;
    for order in 1..40 {
        let order = f64::from(order);
        term *= quarter / (order * order);
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_keeps_its_level_and_its_place_in_time() {
        let tone = |rate_hz: f64, frame: usize, frequency_hz: f64| {
            (std::f64::consts::TAU * frequency_hz * frame as f64 / rate_hz).sin()
        };
        for rate_hz in [22_050_u32, 44_100, 88_200, 192_000] {
            for part in [0.02, 0.2, 0.42] {
                let frequency_hz = part * f64::from(rate_hz.min(48_000));
                let input: Vec<f32> = (0..9_600)
                    .map(|frame| tone(f64::from(RATE_HZ), frame, frequency_hz) as f32)
                    .collect();
                let output = resample(&input, rate_hz);
                let length_s = output.len() as f64 / f64::from(rate_hz);
                assert!((length_s - 0.2).abs() < 1e-4, "{rate_hz} Hz: {length_s} s");
                let edge = output.len() / 20;
                for (frame, sample) in output.iter().enumerate().skip(edge).take(18 * edge) {
                    let wanted = tone(f64::from(rate_hz), frame, frequency_hz);
                    let error = (f64::from(*sample) - wanted).abs();
                    assert!(error < 1e-3, "{rate_hz} Hz, {frequency_hz} Hz: {error}");
                }
            }
        }
    }
}
