//! K-weighting of ITU-R BS.1770-5, Annex 1: a high shelf (the head) followed by a high-pass (RLB),
//! for any sample rate.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use crate::dsp::quad::{Level, dispatch};
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
        let at = sine_squared(frequency_hz, sample_rate_hz);
        let [a1, a2] = self.a;
        power(self.b, at) / power([1.0, a1, a2], at)
    }
}

/// `sin²(ω/2)`: what the power of a second-order polynomial depends on.
fn sine_squared(frequency_hz: f64, sample_rate_hz: f64) -> f64 {
    (PI * frequency_hz / sample_rate_hz).sin().powi(2)
}

/// `|c0 + c1·z⁻¹ + c2·z⁻²|²` on the unit circle, where `sin²(ω/2)` is `at`. In this form little
/// cancels at frequencies far below the sample rate.
fn power([c0, c1, c2]: [f64; 3], at: f64) -> f64 {
    let (even, odd) = (c0 + c1 + c2, c0 - c1 + c2);
    even * even * (1.0 - at) + odd * odd * at - 16.0 * c0 * c2 * at * (1.0 - at)
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

/// The highest frequency at which the shelf is matched: nothing above is heard.
const AUDIBLE_HZ: f64 = 20_000.0;

impl KWeighting {
    /// Weighting for any sample rate (8 kHz to 384 kHz are tested).
    ///
    /// At 48 kHz it is the standard's table. At other rates, for which the standard asks for "the
    /// same frequency response", both sections are fitted to that table (`matched_shelf`,
    /// `matched_high_pass`): within 0.05 dB at 8 kHz, 0.02 dB at 11.025 kHz and 0.003 dB from
    /// 16 kHz on. The bilinear transform of the analogue prototype squeezes the shelf against half
    /// the rate and reads up to 0.49 dB high at 8 kHz.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            shelf: matched_shelf(sample_rate_hz),
            high_pass: matched_high_pass(sample_rate_hz),
        }
    }

    /// Power gain of the whole weighting at `frequency_hz`.
    pub fn power_response(&self, frequency_hz: f64, sample_rate_hz: f64) -> f64 {
        self.shelf.power_response(frequency_hz, sample_rate_hz)
            * self.high_pass.power_response(frequency_hz, sample_rate_hz)
    }
}

/// The shelf of the standard's table: the analogue prototype behind it by the bilinear transform,
/// with prototype values as general-purpose loudness libraries use them; to 1e-15.
fn table_shelf() -> Section {
    let k = (PI * 1681.974450955533 / TABLE_RATE_HZ).tan();
    let q = 0.7071752369554196;
    let vh = 10.0_f64.powf(3.999843853973347 / 20.0);
    let vb = vh.powf(0.4996667741545416);
    let a0 = 1.0 + k / q + k * k;
    Section {
        b: [
            (vh + vb * k / q + k * k) / a0,
            2.0 * (k * k - vh) / a0,
            (vh - vb * k / q + k * k) / a0,
        ],
        a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
    }
}

/// The table's shelf at another rate, after Vicanek, "Matched Second Order Digital Filters" (2016).
///
/// The poles move as they do when the same decay is sampled at another rate. The zeros give the
/// section the table's power at 0 Hz, at the anchor tone and at the upper end (20 kHz, or half the
/// rate): with `s = sin²(ω/2)` the numerator's power is `B0·(1−s) + B1·s + B2·4s(1−s)`, where
/// `B0 = (b0+b1+b2)²`, `B1 = (b0−b1+b2)²` and `B2 = −4·b0·b2`, so that three powers tell all three.
fn matched_shelf(sample_rate_hz: f64) -> Section {
    let table = table_shelf();
    if sample_rate_hz == TABLE_RATE_HZ {
        return table;
    }
    let stretch = TABLE_RATE_HZ / sample_rate_hz;
    let radius = table.a[1].sqrt();
    let angle = (-table.a[0] / (2.0 * radius)).acos();
    let moved = radius.powf(stretch);
    let a = [-2.0 * moved * (angle * stretch).cos(), moved * moved];

    let numerator = |frequency_hz: f64, at: f64| {
        table.power_response(frequency_hz, TABLE_RATE_HZ) * power([1.0, a[0], a[1]], at)
    };
    // Below the rates that are supported the points only have to stay apart.
    let low_hz = ANCHOR_HZ.min(sample_rate_hz / 8.0);
    let high_hz = AUDIBLE_HZ.min(sample_rate_hz / 2.0);
    let [low, high] = [low_hz, high_hz].map(|hz| sine_squared(hz, sample_rate_hz));
    let at_zero = numerator(0.0, 0.0);
    let [from_low, from_high] = [(low_hz, low), (high_hz, high)]
        .map(|(hz, at)| (numerator(hz, at) - at_zero * (1.0 - at)) / at);
    let product = (from_low - from_high) / (4.0 * (high - low));
    let at_half = from_high - 4.0 * (1.0 - high) * product;

    let (even, odd) = (at_zero.sqrt(), at_half.max(0.0).sqrt());
    let outer = 0.5 * (even + odd);
    let b0 = 0.5 * (outer + (outer * outer + product).max(0.0).sqrt());
    Section {
        b: [b0, 0.5 * (even - odd), -product / (4.0 * b0)],
        a,
    }
}

/// The high-pass at any rate: the prototype lies so low that the bilinear transform fits it
/// everywhere, but for its gain, which is trimmed to the table's at the anchor tone.
fn matched_high_pass(sample_rate_hz: f64) -> Section {
    let bilinear = |sample_rate_hz: f64| {
        let k = (PI * 38.13547087602444 / sample_rate_hz).tan();
        let q = 0.5003270373238773;
        let a0 = 1.0 + k / q + k * k;
        Section {
            b: [1.0, -2.0, 1.0],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
        }
    };
    let mut section = bilinear(sample_rate_hz);
    let tone_hz = ANCHOR_HZ.min(sample_rate_hz / 8.0);
    let trim = (bilinear(TABLE_RATE_HZ).power_response(tone_hz, TABLE_RATE_HZ)
        / section.power_response(tone_hz, sample_rate_hz))
    .sqrt();
    for b in &mut section.b {
        *b *= trim;
    }
    section
}

/// State of the weighting for two channels, one a lane.
#[derive(Clone, Debug)]
pub(super) struct KFilter {
    level: Level,
    weighting: KWeighting,
    /// Input, shelf output and final output, each one and two samples ago.
    input: [f64x2; 2],
    shelf: [f64x2; 2],
    output: [f64x2; 2],
}

/// One output of a section for its input, newest first, and its last outputs.
#[inline(always)]
fn section(section: &Section, [x, x1, x2]: [f64x2; 3], [y1, y2]: [f64x2; 2]) -> f64x2 {
    let ([b0, b1, b2], [a1, a2]) = (section.b.map(f64x2::splat), section.a.map(f64x2::splat));
    (b0 * x + (b1 * x1 + b2 * x2) - a2 * y2) - a1 * y1
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
            level: Level::new(),
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
    pub fn accumulate(&mut self, left: &[f32], right: &[f32], sums: &mut Energies) {
        dispatch!(self.level, _simd => self.run(left, right, sums));
    }

    /// Direct form I: one multiplication and one subtraction stand between an output and the next,
    /// the shortest chain of the usual forms. Each section has a register of its own: with both in
    /// one, every output would wait for all that goes into the other's.
    #[inline(always)]
    fn run(&mut self, left: &[f32], right: &[f32], sums: &mut Energies) {
        let KWeighting { shelf, high_pass } = self.weighting;
        let Energies {
            mut weighted,
            mut plain,
        } = *sums;
        let ([mut x1, mut x2], [mut s1, mut s2]) = (self.input, self.shelf);
        let [mut y1, mut y2] = self.output;
        for (left, right) in left.iter().zip(right) {
            let x = f64x2::new([f64::from(*left), f64::from(*right)]);
            let s = section(&shelf, [x, x1, x2], [s1, s2]);
            let y = section(&high_pass, [s, s1, s2], [y1, y2]);
            plain += x * x;
            weighted += y * y;
            ([x1, x2], [s1, s2], [y1, y2]) = ([x, x1], [s, s1], [y, y1]);
        }
        *sums = Energies { weighted, plain };
        (self.input, self.shelf, self.output) = ([x1, x2], [s1, s2], [y1, y2]);
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

    /// Takes over what another filter of the same weighting remembers.
    pub fn copy_state(&mut self, other: &Self) {
        (self.input, self.shelf, self.output) = (other.input, other.shelf, other.output);
    }

    /// Whether it remembers the same, to the last bit.
    pub fn is_as(&self, other: &Self) -> bool {
        let bits = |filter: &Self| {
            let states = [filter.input, filter.shelf, filter.output];
            states.map(|state| state.map(|lanes| lanes.to_array().map(f64::to_bits)))
        };
        bits(self) == bits(other)
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

    /// BS.1770-5, Annex 1: at other rates "the same frequency response", here that of the printed
    /// table at 48 kHz, over the whole band. EBU Tech 3341 allows a meter 0.1 LU.
    #[test]
    fn every_rate_has_the_tables_response_over_the_whole_band() {
        let table = KWeighting {
            shelf: Section {
                b: [1.53512485958697, -2.69169618940638, 1.19839281085285],
                a: [-1.69065929318241, 0.73248077421585],
            },
            high_pass: Section {
                b: [1.0, -2.0, 1.0],
                a: [-1.99004745483398, 0.99007225036621],
            },
        };
        for (rate, tolerance_db) in [
            (8_000.0, 0.05),
            (11_025.0, 0.02),
            (12_000.0, 0.02),
            (16_000.0, 0.004),
            (22_050.0, 0.001),
            (24_000.0, 0.001),
            (32_000.0, 0.001),
            (44_100.0, 0.001),
            (88_200.0, 0.001),
            (96_000.0, 0.001),
            (192_000.0, 0.001),
            (384_000.0, 0.001),
        ] {
            let weighting = KWeighting::new(rate);
            let top_hz = f64::min(0.4999 * rate, 20_000.0);
            let mut worst = (0.0_f64, 0.0);
            for step in 0..=1_000 {
                let hz = 20.0 * (top_hz / 20.0).powf(f64::from(step) / 1_000.0);
                let ratio = weighting.power_response(hz, rate) / table.power_response(hz, 48_000.0);
                let off_db = 10.0 * ratio.log10();
                if off_db.abs() > worst.0.abs() {
                    worst = (off_db, hz);
                }
            }
            println!(
                "K-weighting at {rate} Hz: worst {:+.4} dB of ±{tolerance_db}, at {:.0} Hz",
                worst.0, worst.1
            );
            assert!(worst.0.abs() <= tolerance_db, "{rate} Hz: {worst:?}");
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

    /// Every run, and at every level, comes to what single frames come to.
    #[test]
    fn runs_and_levels_weigh_alike() {
        let signal = |step: usize| -> Vec<f32> {
            (0..5_000)
                .map(|n| (n * step % 37) as f32 / 37.0 - 0.4)
                .collect()
        };
        let (left, right) = (signal(5), signal(11));
        let mut told = Vec::new();
        for level in crate::dsp::quad::levels() {
            for run in [1, 2, 3, 64, 5_000] {
                let mut filter = KFilter::new(48_000.0);
                filter.level = level;
                let mut sums = Energies::default();
                for (left, right) in left.chunks(run).zip(right.chunks(run)) {
                    filter.accumulate(left, right, &mut sums);
                }
                told.push([sums.weighted, sums.plain].map(|sum| sum.to_array().map(f64::to_bits)));
            }
        }
        assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
    }
}
