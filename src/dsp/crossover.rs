//! Four bands whose sum is an all-pass: Linkwitz-Riley, 24 dB per octave.

use std::f64::consts::{PI, SQRT_2};

use wide::f64x2;

use crate::dsp::biquad::calm;
use crate::dsp::ramp::{Ramp, bounded};

/// Corners between the four bands unless others are asked for, in Hz.
pub const DEFAULT_CORNERS_HZ: [f64; 3] = [120.0, 1000.0, 6000.0];

/// Lowest corner, in Hz. The highest is [`HIGHEST_CORNER`] of the sample rate.
pub const LOWEST_CORNER_HZ: f64 = 20.0;

/// Highest corner as a share of the sample rate.
pub const HIGHEST_CORNER: f64 = 0.45;

/// How long a corner takes to move, in ms: a straight line in octaves.
const GLIDE_MS: f64 = 50.0;

/// Frames between two updates of the corners in motion, and between two looks for state that has died away.
const SEGMENT_FRAMES: u32 = 16;

/// Splits a stereo signal (mono: one lane) into four bands, low to high.
///
/// With `r = tan(πf/fs)/tan(πfc/fs)` (the bilinear transform's warped `f/fc`) each split is `1/(1+r⁴)` below and `r⁴/(1+r⁴)` above,
/// both in phase. The lower pair of bands passes the upper corner's all-pass and the upper pair the lower corner's, so
/// that the sum of all four is one all-pass: flat, with the group delay of three second-order sections.
///
/// Corners are held to 20 Hz … 0.45 of the sample rate and to ascending order, and move without clicks. No latency.
/// Frames must be finite.
#[derive(Clone, Debug)]
pub struct Crossover {
    sample_rate_hz: f64,
    octaves: [Ramp; 3],
    corners: [Corner; 3],
    middle: Split,
    low_delay: Section,
    high_delay: Section,
    low: Split,
    high: Split,
    /// Frames until the next update.
    countdown: u32,
}

impl Crossover {
    /// A crossover at [`DEFAULT_CORNERS_HZ`].
    pub fn new(sample_rate_hz: f64) -> Self {
        let mut crossover = Self {
            sample_rate_hz,
            octaves: [Ramp::new(sample_rate_hz, GLIDE_MS); 3],
            corners: [Corner::default(); 3],
            middle: Split::default(),
            low_delay: Section::default(),
            high_delay: Section::default(),
            low: Split::default(),
            high: Split::default(),
            countdown: SEGMENT_FRAMES,
        };
        crossover.reset(DEFAULT_CORNERS_HZ);
        crossover
    }

    /// Forgets the signal and takes these corners at once.
    pub fn reset(&mut self, corners_hz: [f64; 3]) {
        for ramp in &mut self.octaves {
            ramp.reset();
        }
        self.set_corners(corners_hz);
        self.design();
        (self.middle, self.low, self.high) = (Split::default(), Split::default(), Split::default());
        (self.low_delay, self.high_delay) = (Section::default(), Section::default());
        self.countdown = SEGMENT_FRAMES;
    }

    /// Moves the corners, in Hz, low to high; takes 50 ms.
    pub fn set_corners(&mut self, corners_hz: [f64; 3]) {
        let mut lowest_hz = LOWEST_CORNER_HZ;
        for (ramp, corner_hz) in self.octaves.iter_mut().zip(corners_hz) {
            lowest_hz = bounded(corner_hz, lowest_hz, HIGHEST_CORNER * self.sample_rate_hz);
            ramp.set_target(lowest_hz.log2());
        }
    }

    /// The four bands of one frame.
    #[inline]
    pub fn split(&mut self, frame: f64x2) -> [f64x2; 4] {
        self.countdown -= 1;
        if self.countdown == 0 {
            self.next_segment();
        }
        let [c0, c1, c2] = &self.corners;
        let (low, high) = self.middle.step(c1, frame);
        let (_, low) = self.low_delay.low_and_all_pass(c2, low);
        let (_, high) = self.high_delay.low_and_all_pass(c0, high);
        let (band0, band1) = self.low.step(c0, low);
        let (band2, band3) = self.high.step(c2, high);
        [band0, band1, band2, band3]
    }

    #[cold]
    fn next_segment(&mut self) {
        self.countdown = SEGMENT_FRAMES;
        if !self.octaves.iter().all(Ramp::is_settled) {
            for ramp in &mut self.octaves {
                ramp.skip(SEGMENT_FRAMES);
            }
            self.design();
        }
        for split in [&mut self.middle, &mut self.low, &mut self.high] {
            split.first.calm();
            split.second.calm();
        }
        self.low_delay.calm();
        self.high_delay.calm();
    }

    fn design(&mut self) {
        for (corner, ramp) in self.corners.iter_mut().zip(&self.octaves) {
            *corner = Corner::new(ramp.value().exp2() / self.sample_rate_hz);
        }
    }
}

/// Coefficients of a [`Section`], the same in both lanes.
#[derive(Clone, Copy, Debug, Default)]
struct Corner {
    from_state: f64x2,
    from_input: f64x2,
    to_low: f64x2,
}

impl Corner {
    /// Butterworth sections with their corner at `frequency` cycles per sample.
    fn new(frequency: f64) -> Self {
        let g = (PI * frequency).tan();
        let scale = 2.0 / (1.0 + g * (g + SQRT_2));
        Self {
            from_state: f64x2::splat(scale),
            from_input: f64x2::splat(scale * SQRT_2 * g),
            to_low: f64x2::splat(g / (2.0 * SQRT_2)),
        }
    }
}

/// A second-order Butterworth section: state-variable filter with trapezoidal integrators.
///
/// This topology keeps the integrators' contents meaningful while the corner moves (V. Zavalishin, *The Art of VA Filter Design*,
/// ch. 3–4; from memory). Written out with k = √2 and the first integrator scaled by k, so that `2k·band` needs no multiplication.
#[derive(Clone, Copy, Debug, Default)]
struct Section {
    band: f64x2,
    low: f64x2,
}

impl Section {
    /// The low-pass, and the all-pass `1 − 2k·band` of the same corner, which is the phase of a Linkwitz-Riley pair.
    #[inline]
    fn low_and_all_pass(&mut self, c: &Corner, x: f64x2) -> (f64x2, f64x2) {
        let band = c.from_state * self.band + c.from_input * (x - self.low);
        let rise = c.to_low * band;
        let low = self.low + rise;
        self.band = band - self.band;
        self.low = low + rise;
        (low, x - band)
    }

    fn calm(&mut self) {
        calm(&mut self.band, &mut self.low);
    }
}

/// A Linkwitz-Riley pair of fourth order.
#[derive(Clone, Copy, Debug, Default)]
struct Split {
    first: Section,
    second: Section,
}

impl Split {
    /// What is below the corner and what is above it.
    #[inline]
    fn step(&mut self, c: &Corner, x: f64x2) -> (f64x2, f64x2) {
        let (once, all_pass) = self.first.low_and_all_pass(c, x);
        let (low, _) = self.second.low_and_all_pass(c, once);
        // The pair adds up to the all-pass, so the upper band needs no filters of its own.
        (low, all_pass - low)
    }
}

#[cfg(test)]
#[expect(clippy::cast_sign_loss, reason = "rates are positive")]
mod tests {
    use super::*;

    const RATES_HZ: [f64; 5] = [8000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0];

    /// Impulse responses of the four bands.
    fn impulse(sample_rate_hz: f64, corners_hz: [f64; 3], frames: usize) -> Vec<[f64; 4]> {
        let mut crossover = Crossover::new(sample_rate_hz);
        crossover.reset(corners_hz);
        (0..frames)
            .map(|n| {
                let x = if n == 0 { 1.0 } else { 0.0 };
                crossover
                    .split(f64x2::new([x, -x]))
                    .map(|band| band.to_array()[0])
            })
            .collect()
    }

    /// Discrete Fourier transform at one frequency, as (real, imaginary).
    fn dft(values: impl Iterator<Item = f64>, cycles_per_frame: f64) -> (f64, f64) {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, value) in values.enumerate() {
            let (sin, cos) = (-2.0 * PI * cycles_per_frame * n as f64).sin_cos();
            re += value * cos;
            im += value * sin;
        }
        (re, im)
    }

    fn magnitude_db((re, im): (f64, f64)) -> f64 {
        10.0 * (re * re + im * im).log10()
    }

    /// `f/fc` after the bilinear transform.
    fn warped(freq_hz: f64, corner_hz: f64, sample_rate_hz: f64) -> f64 {
        (PI * freq_hz / sample_rate_hz).tan() / (PI * corner_hz / sample_rate_hz).tan()
    }

    /// The Linkwitz-Riley values for r = 1/4, 1/2, 1/√2, 1, √2, 2 (closed form 1/(1+r⁴) and r⁴/(1+r⁴), known since Linkwitz 1976):
    /// each corner alone, the others far away.
    #[test]
    fn each_split_has_the_linkwitz_riley_magnitudes() {
        let table = [
            (0.25, -0.0339, -48.1987),
            (0.5, -0.5266, -24.6090),
            (0.5_f64.sqrt(), -1.9382, -13.9794),
            (1.0, -6.0206, -6.0206),
            (2.0_f64.sqrt(), -13.9794, -1.9382),
            (2.0, -24.6090, -0.5266),
        ];
        // One corner at 1 kHz, the others at the ends of the range.
        for (corners_hz, below, above) in [
            ([1000.0, 86_400.0, 86_400.0], 0..1, 1..2),
            ([20.0, 1000.0, 86_400.0], 0..2, 2..3),
            ([20.0, 20.0, 1000.0], 0..3, 3..4),
        ] {
            let bands = impulse(192_000.0, corners_hz, 200_000);
            for (r, low_db, high_db) in table {
                let freq_hz = (r * (PI * 1000.0 / 192_000.0).tan()).atan() * 192_000.0 / PI;
                for (range, expected_db) in [(&below, low_db), (&above, high_db)] {
                    let sum = bands.iter().map(|band| band[range.clone()].iter().sum());
                    let gain_db = magnitude_db(dft(sum, freq_hz / 192_000.0));
                    assert!(
                        (gain_db - expected_db).abs() < 0.02,
                        "{corners_hz:?} r {r}: {gain_db} {expected_db}"
                    );
                }
            }
        }
    }

    #[test]
    fn each_band_is_the_product_of_its_splits_at_every_rate() {
        for rate in RATES_HZ {
            let corners_hz = [120.0, 1000.0, if rate < 20_000.0 { 3000.0 } else { 6000.0 }];
            let bands = impulse(rate, corners_hz, (rate * 0.4) as usize);
            for freq_hz in [
                30.0, 100.0, 120.0, 400.0, 1000.0, 1500.0, 3500.0, 7000.0, 15_000.0,
            ] {
                if freq_hz >= 0.49 * rate {
                    continue;
                }
                let r4 = corners_hz.map(|corner_hz| warped(freq_hz, corner_hz, rate).powi(4));
                let (low, high) = (r4.map(|r4| 1.0 / (1.0 + r4)), r4.map(|r4| r4 / (1.0 + r4)));
                let expected = [
                    low[1] * low[0],
                    low[1] * high[0],
                    high[1] * low[2],
                    high[1] * high[2],
                ];
                for (band, expected) in expected.iter().enumerate() {
                    let gain_db = magnitude_db(dft(bands.iter().map(|b| b[band]), freq_hz / rate));
                    let expected_db = 20.0 * expected.log10();
                    if expected_db > -100.0 {
                        assert!(
                            (gain_db - expected_db).abs() < 0.02,
                            "{rate} {freq_hz} {band}: {gain_db} {expected_db}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn the_sum_of_idle_bands_is_flat() {
        for rate in RATES_HZ {
            for corners_hz in [
                DEFAULT_CORNERS_HZ,
                [40.0, 45.0, 18_000.0],
                [500.0, 500.0, 500.0],
            ] {
                let sums: Vec<f64> = impulse(rate, corners_hz, (rate * 0.6) as usize)
                    .iter()
                    .map(|bands| bands.iter().sum())
                    .collect();
                for step in 0..=33 {
                    let freq_hz = 10.0 * 2000.0_f64.powf(f64::from(step) / 33.0);
                    if freq_hz < 0.5 * rate {
                        let gain_db = magnitude_db(dft(sums.iter().copied(), freq_hz / rate));
                        assert!(
                            gain_db.abs() < 1e-6,
                            "{rate} {corners_hz:?} {freq_hz}: {gain_db}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn corners_are_kept_in_range_and_in_order() {
        let mut crossover = Crossover::new(8000.0);
        crossover.reset([f64::NAN, 5.0, f64::INFINITY]);
        let corners_hz = crossover.octaves.map(|ramp| ramp.value().exp2());
        for (corner_hz, expected_hz) in corners_hz.iter().zip([20.0, 20.0, 3600.0]) {
            assert!((corner_hz - expected_hz).abs() < 1e-9);
        }
        crossover.reset([2000.0, 1000.0, 3000.0]);
        assert!((crossover.octaves[1].value().exp2() - 2000.0).abs() < 1e-9);
    }

    /// Bound: a full-scale tone in steady state moves by at most its angle per frame in any band (their gains never exceed 1), and while
    /// the corners glide its phase (three all-passes, 360° each, never faster than the glide itself) can add no more than 3·2π per glide. The change of
    /// that movement from frame to frame is bounded by its square.
    #[test]
    fn moving_corners_leave_no_steps() {
        for tone_hz in [60.0, 150.0, 1400.0, 5000.0] {
            let angle = 2.0 * PI * tone_hz / 48_000.0;
            let (mut before, mut largest) = ([0.0; 4], 0.0_f64);
            let mut kinks = 0.0_f64;
            let mut slopes = [0.0; 4];
            let mut crossover = Crossover::new(48_000.0);
            for n in 0..14_400 {
                match n {
                    4800 => crossover.set_corners([240.0, 2000.0, 9000.0]),
                    9600 => crossover.set_corners([40.0, 400.0, 4000.0]),
                    _ => {}
                }
                let bands = crossover
                    .split(f64x2::splat((angle * f64::from(n)).sin()))
                    .map(|band| band.to_array()[0]);
                for ((now, before), slope) in bands.iter().zip(&mut before).zip(&mut slopes) {
                    if n > 4700 {
                        largest = largest.max((now - *before).abs());
                        kinks = kinks.max((now - *before - *slope).abs());
                    }
                    *slope = now - *before;
                    *before = *now;
                }
            }
            let fastest = angle + 6.0 * PI / (GLIDE_MS / 1000.0 * 48_000.0);
            assert!(largest < fastest, "{tone_hz}: {largest}");
            assert!(kinks < fastest * fastest, "{tone_hz}: {kinks}");
        }
    }

    #[test]
    fn silence_brings_the_state_to_exactly_zero() {
        let mut crossover = Crossover::new(48_000.0);
        crossover.reset([20.0, 1000.0, 6000.0]);
        for n in 0..4800 {
            crossover.split(f64x2::splat(f64::from(n % 7) - 3.0));
        }
        for _ in 0..48_000 {
            for band in crossover.split(f64x2::ZERO) {
                assert!(!band.to_array()[0].is_subnormal());
            }
        }
        for section in [
            crossover.middle.first,
            crossover.low_delay,
            crossover.low.second,
            crossover.high.second,
        ] {
            assert_eq!(section.band, f64x2::ZERO);
            assert_eq!(section.low, f64x2::ZERO);
        }
    }
}
