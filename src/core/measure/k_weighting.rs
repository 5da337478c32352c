//! K-weighting of ITU-R BS.1770-5, Annex 1: a high shelf (the head) followed by a high-pass (RLB),
//! for any sample rate.

use std::f64::consts::PI;
use wide::f64x2;

/// One second-order section, `a0` normalised to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// Feed-forward coefficients.
    pub b: [f64; 3],
    /// Feedback coefficients a1, a2.
    pub a: [f64; 2],
}

impl Section {
    /// Power gain at `frequency_hz`.
    fn power_response(&self, frequency_hz: f64, sample_rate_hz: f64) -> f64 {
        let omega = 2.0 * PI * frequency_hz / sample_rate_hz;
        let (cos1, cos2) = (omega.cos(), (2.0 * omega).cos());
        let ([b0, b1, b2], [a1, a2]) = (self.b, self.a);
        let numerator =
            b0 * b0 + b1 * b1 + b2 * b2 + 2.0 * (b0 * b1 + b1 * b2) * cos1 + 2.0 * b0 * b2 * cos2;
        let denominator = 1.0 + a1 * a1 + a2 * a2 + 2.0 * (a1 + a1 * a2) * cos1 + 2.0 * a2 * cos2;
        numerator / denominator
    }
}

/// The two sections of the weighting at one sample rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KWeighting {
    /// Stage 1, the high shelf.
    pub shelf: Section,
    /// Stage 2, the high-pass.
    pub high_pass: Section,
}

/// The rate at which the standard prints its coefficients.
const TABLE_RATE_HZ: f64 = 48_000.0;
/// The tone that anchors the scale (BS.1770-5, Annex 1): 0 dBFS in one front channel reads −3.01
/// LKFS.
const ANCHOR_HZ: f64 = 997.0;

impl KWeighting {
    /// Weighting for any sample rate (8 kHz…384 kHz are tested): the analogue prototype behind the
    /// standard's table, by the bilinear transform.
    ///
    /// At 48 kHz the result is the standard's table. At other rates the overall gain is trimmed (by
    /// less than 0.03 dB) so that the anchor tone reads as at 48 kHz; the standard asks for "the
    /// same frequency response".
    pub fn new(sample_rate_hz: f64) -> Self {
        let mut weighting = Self::untrimmed(sample_rate_hz);
        // Below 2 kHz the anchor would lie above the Nyquist frequency and there is nothing to trim
        // to.
        if sample_rate_hz > 2.0 * ANCHOR_HZ {
            let wanted = Self::untrimmed(TABLE_RATE_HZ).power_response(ANCHOR_HZ, TABLE_RATE_HZ);
            let trim = (wanted / weighting.power_response(ANCHOR_HZ, sample_rate_hz)).sqrt();
            for b in &mut weighting.high_pass.b {
                *b *= trim;
            }
        }
        weighting
    }

    /// Prototype values as general-purpose loudness libraries use them; they reproduce the table of
    /// BS.1770-5 to 1e-15.
    fn untrimmed(sample_rate_hz: f64) -> Self {
        let k = (PI * 1681.974450955533 / sample_rate_hz).tan();
        let q = 0.7071752369554196;
        let vh = 10.0_f64.powf(3.999843853973347 / 20.0);
        let vb = vh.powf(0.4996667741545416);
        let a0 = 1.0 + k / q + k * k;
        let shelf = Section {
            b: [
                (vh + vb * k / q + k * k) / a0,
                2.0 * (k * k - vh) / a0,
                (vh - vb * k / q + k * k) / a0,
            ],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
        };
        let k = (PI * 38.13547087602444 / sample_rate_hz).tan();
        let q = 0.5003270373238773;
        let a0 = 1.0 + k / q + k * k;
        let high_pass = Section {
            b: [1.0, -2.0, 1.0],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
        };
        Self { shelf, high_pass }
    }

    /// Power gain of the whole weighting at `frequency_hz`.
    pub fn power_response(&self, frequency_hz: f64, sample_rate_hz: f64) -> f64 {
        self.shelf.power_response(frequency_hz, sample_rate_hz)
            * self.high_pass.power_response(frequency_hz, sample_rate_hz)
    }
}

/// State of the weighting for two channels, one a lane.
#[derive(Clone, Debug)]
pub(super) struct KFilter {
    weighting: KWeighting,
    /// Input, shelf output and final output, each one and two samples ago.
    input: [f64x2; 2],
    shelf: [f64x2; 2],
    output: [f64x2; 2],
}

/// Mean-square sums of one stretch of signal, one lane a channel.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Energies {
    /// Sum of squared K-weighted samples.
    pub weighted: f64x2,
    /// Sum of squared samples as they are.
    pub plain: f64x2,
}

impl KFilter {
    pub fn new(sample_rate_hz: f64) -> Self {
        let zero = [f64x2::ZERO; 2];
        Self {
            weighting: KWeighting::new(sample_rate_hz),
            input: zero,
            shelf: zero,
            output: zero,
        }
    }

    pub fn reset(&mut self) {
        self.input = [f64x2::ZERO; 2];
        self.shelf = [f64x2::ZERO; 2];
        self.output = [f64x2::ZERO; 2];
    }

    /// Filters two channels and adds their energies to `sums`. The samples must be finite.
    ///
    /// Direct form I: one multiplication and one subtraction stand between an output and the next,
    /// the shortest chain of the usual forms.
    pub fn accumulate(&mut self, left: &[f32], right: &[f32], sums: &mut Energies) {
        let splat = f64x2::splat;
        let [sb0, sb1, sb2] = self.weighting.shelf.b.map(splat);
        let [sa1, sa2] = self.weighting.shelf.a.map(splat);
        let [hb0, hb1, hb2] = self.weighting.high_pass.b.map(splat);
        let [ha1, ha2] = self.weighting.high_pass.a.map(splat);
        let ([mut x1, mut x2], [mut s1, mut s2], [mut y1, mut y2]) =
            (self.input, self.shelf, self.output);
        let Energies {
            mut weighted,
            mut plain,
        } = *sums;
        for (&left, &right) in left.iter().zip(right) {
            let x = f64x2::new([f64::from(left), f64::from(right)]);
            let s = (sb0 * x + (sb1 * x1 + sb2 * x2) - sa2 * s2) - sa1 * s1;
            let y = (hb0 * s + (hb1 * s1 + hb2 * s2) - ha2 * y2) - ha1 * y1;
            plain += x * x;
            weighted += y * y;
            (x2, x1) = (x1, x);
            (s2, s1) = (s1, s);
            (y2, y1) = (y1, y);
        }
        self.input = [x1, x2];
        self.shelf = [s1, s2];
        self.output = [y1, y2];
        *sums = Energies { weighted, plain };
    }

    /// Replaces state too small to hear by zero, so that silence never costs denormal arithmetic.
    pub fn settle(&mut self) {
        const INAUDIBLE: f64 = 1e-30;
        for state in self.shelf.iter_mut().chain(&mut self.output) {
            *state = f64x2::new(
                state
                    .to_array()
                    .map(|value| if value.abs() < INAUDIBLE { 0.0 } else { value }),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn assert_section(section: Section, b: [f64; 3], a: [f64; 2], tolerance: f64) {
        for (ours, printed) in section.b.iter().chain(&section.a).zip(b.iter().chain(&a)) {
            assert!(
                (ours - printed).abs() < tolerance,
                "{ours} against {printed}"
            );
        }
    }

    /// ITU-R BS.1770-5, Annex 1, tables 1 and 2 (48 kHz).
    #[test]
    fn coefficients_at_48_khz_are_the_standards_table() {
        let weighting = KWeighting::new(48_000.0);
        assert_section(
            weighting.shelf,
            [1.53512485958697, -2.69169618940638, 1.19839281085285],
            [-1.69065929318241, 0.73248077421585],
            1e-14,
        );
        assert_section(
            weighting.high_pass,
            [1.0, -2.0, 1.0],
            [-1.99004745483398, 0.99007225036621],
            1e-14,
        );
    }

    /// BS.1770-5, Annex 1: 0 dBFS at 997 Hz in one front channel reads −3.01 LKFS: mean square ½,
    /// and −0.691 cancels the weighting's gain.
    #[test]
    fn anchor_tone_reads_the_same_at_every_rate() {
        for rate in [
            8_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0, 384_000.0,
        ] {
            let gain_db = 10.0 * KWeighting::new(rate).power_response(997.0, rate).log10();
            let reading = -0.691 + gain_db + 10.0 * 0.5_f64.log10();
            assert!((reading + 3.0103).abs() < 0.0005, "{rate} Hz: {reading}");
        }
    }

    /// Gains of the standard's own 48 kHz coefficients, worked out independently in double
    /// precision.
    #[test]
    fn gain_at_48_khz_follows_the_standards_response() {
        let weighting = KWeighting::new(48_000.0);
        for (frequency, gain_db) in [
            (25.0, -10.3928),
            (100.0, -1.1335),
            (500.0, 0.0425),
            (1_000.0, 0.6977),
            (2_000.0, 3.0713),
            (10_000.0, 4.0419),
        ] {
            let ours = 10.0 * weighting.power_response(frequency, 48_000.0).log10();
            assert!(
                (ours - gain_db).abs() < 0.0002,
                "{frequency} Hz: {ours} against {gain_db}"
            );
        }
    }
}
