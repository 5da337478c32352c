//! Four bands whose sum is an all-pass: Linkwitz-Riley, 24 dB per octave.

mod corners;
mod section;
mod shelves;
mod tree;

use wide::f64x2;

pub use self::corners::{Corners, held_hz};
pub use self::section::{Corner, CornerLanes, Running, Sections};
pub use self::shelves::{ShelfWeights, Shelves};

use self::tree::Tree;
use crate::dsp::quad::{Level, Quad, dispatch};

/// The bands of a stereo frame, left and right: bands 0 and 2, then bands 1 and 3.
pub type BandLanes = [Quad; 2];

/// Four bands low to high of what a split has made.
#[inline]
pub fn low_to_high([even, odd]: &BandLanes) -> [f64x2; 4] {
    let ([a, c], [b, d]) = (even.pairs(), odd.pairs());
    [a, b, c, d]
}

/// Corners between the four bands unless others are asked for, in Hz.
pub const DEFAULT_CORNERS_HZ: [f64; 3] = [120.0, 1000.0, 6000.0];

/// Lowest corner, in Hz. The highest is [`HIGHEST_CORNER`] of the sample rate.
pub const LOWEST_CORNER_HZ: f64 = 20.0;

/// Highest corner as a share of the sample rate.
pub const HIGHEST_CORNER: f64 = 0.45;

/// Splits stereo signals (mono: one lane each) into four bands, low to high: up to `SIGNALS` of
/// them in step, at the same corners.
///
/// The steps of one signal wait for each other. Several signals at once keep a processor busy
/// meanwhile: three take little longer than two one after the other.
///
/// With `r = tan(πf/fs)/tan(πfc/fs)` (the bilinear transform's warped `f/fc`) each split is
/// `1/(1+r⁴)` below and `r⁴/(1+r⁴)` above, both in phase. The lower pair of bands passes the upper
/// corner's all-pass and the upper pair the lower corner's, so that the sum of all four is one
/// all-pass: flat, with the group delay of three second-order sections.
///
/// Corners are held to 20 Hz … 0.45 of the sample rate and to ascending order, and move without
/// clicks. No latency. Frames must be finite.
#[derive(Clone, Debug)]
pub struct Crossover<const SIGNALS: usize = 1> {
    level: Level,
    corners: Corners,
    trees: [Tree; SIGNALS],
}

impl<const SIGNALS: usize> Crossover<SIGNALS> {
    /// A crossover at [`DEFAULT_CORNERS_HZ`].
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            level: Level::new(),
            corners: Corners::new(sample_rate_hz),
            trees: [Tree::SILENT; SIGNALS],
        }
    }

    /// Forgets the signals and takes these corners at once.
    pub fn reset(&mut self, corners_hz: [f64; 3]) {
        self.corners.reset(corners_hz);
        self.trees = [Tree::SILENT; SIGNALS];
    }

    /// Moves the corners, in Hz, low to high; takes 50 ms.
    pub fn set_corners(&mut self, corners_hz: [f64; 3]) {
        self.corners.set(corners_hz);
    }

    /// The four bands of some frames of each of the first `N` signals, which are equally long and
    /// have room for as many bands; the other signals stand still.
    pub fn split_run<const N: usize>(
        &mut self,
        frames: [&[f64x2]; N],
        mut bands: [&mut [BandLanes]; N],
    ) {
        const { assert!(N <= SIGNALS) };
        let lengths = frames.iter().zip(&bands);
        let lengths = lengths.map(|(frames, bands)| frames.len().min(bands.len()));
        let length = lengths.min().unwrap_or(0);
        let mut start = 0;
        while start < length {
            let (count, is_time) = self.corners.advance_run(length - start);
            if is_time {
                self.snap_to_zero();
            }
            let range = start..start + count;
            start += count;
            let corners = self.corners.values();
            let Some(trees) = self.trees.first_chunk_mut::<N>() else {
                return;
            };
            let trees = trees.each_mut();
            let frames = frames.map(|frames| frames.get(range.clone()).unwrap_or_default());
            let bands = bands
                .each_mut()
                .map(|bands| bands.get_mut(range.clone()).unwrap_or_default());
            dispatch!(self.level, simd => tree::split(simd, corners, trees, frames, bands));
        }
    }

    /// Makes signal `to` what signal `from` is: from here on it may go its own way.
    pub fn copy_signal(&mut self, from: usize, to: usize) {
        if from.max(to) < SIGNALS {
            self.trees[to] = self.trees[from];
        }
    }

    #[cold]
    fn snap_to_zero(&mut self) {
        for section in self.trees.iter_mut().flat_map(Tree::each) {
            section.snap_to_zero();
        }
    }
}

#[cfg(test)]
#[expect(clippy::cast_sign_loss, reason = "rates are positive")]
mod tests {
    use super::corners::GLIDE_MS;
    use super::*;
    use std::f64::consts::PI;

    impl Crossover {
        /// The four bands of one frame of the one signal.
        fn split(&mut self, frame: f64x2) -> [f64x2; 4] {
            let mut bands = [[Quad::ZERO; 2]];
            self.split_run([&[frame]], [&mut bands]);
            low_to_high(&bands[0])
        }
    }

    const RATES_HZ: [f64; 5] = [8000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0];

    /// Impulse responses of the four bands.
    fn impulse(sample_rate_hz: f64, corners_hz: [f64; 3], frames: usize) -> Vec<[f64; 4]> {
        let mut crossover: Crossover = Crossover::new(sample_rate_hz);
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

    /// The Linkwitz-Riley values for r = 1/4, 1/2, 1/√2, 1, √2, 2 (closed form 1/(1+r⁴) and
    /// r⁴/(1+r⁴), known since Linkwitz 1976): each corner alone, the others far away.
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
        let mut crossover: Crossover = Crossover::new(8000.0);
        crossover.reset([f64::NAN, 5.0, f64::INFINITY]);
        let corners_hz = crossover.corners.octaves.map(|ramp| ramp.value().exp2());
        for (corner_hz, expected_hz) in corners_hz.iter().zip([20.0, 20.0, 3600.0]) {
            assert!((corner_hz - expected_hz).abs() < 1e-9);
        }
        crossover.reset([2000.0, 1000.0, 3000.0]);
        assert!((crossover.corners.octaves[1].value().exp2() - 2000.0).abs() < 1e-9);
    }

    /// Bound: a full-scale tone in steady state moves by at most its angle per frame in any band
    /// (their gains never exceed 1), and while the corners glide its phase (three all-passes, 360°
    /// each, never faster than the glide itself) can add no more than 3·2π per glide. The change of
    /// that movement from frame to frame is bounded by its square.
    #[test]
    fn moving_corners_leave_no_steps() {
        for tone_hz in [60.0, 150.0, 1400.0, 5000.0] {
            let angle = 2.0 * PI * tone_hz / 48_000.0;
            let (mut before, mut largest) = ([0.0; 4], 0.0_f64);
            let mut kinks = 0.0_f64;
            let mut slopes = [0.0; 4];
            let mut crossover: Crossover = Crossover::new(48_000.0);
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
        let mut crossover: Crossover = Crossover::new(48_000.0);
        crossover.reset([20.0, 1000.0, 6000.0]);
        for n in 0..4800 {
            crossover.split(f64x2::splat(f64::from(n % 7) - 3.0));
        }
        for _ in 0..48_000 {
            for band in crossover.split(f64x2::ZERO) {
                assert!(!band.to_array()[0].is_subnormal());
            }
        }
        for section in crossover.trees[0].each() {
            assert_eq!(section.band, Quad::ZERO);
            assert_eq!(section.low, Quad::ZERO);
        }
    }

    /// The bands of one frame of some signals.
    fn bands_of<const N: usize>(
        crossover: &mut Crossover<3>,
        frame: [f64x2; N],
    ) -> [[f64x2; N]; 4] {
        let frames = frame.map(|frame| [frame]);
        let mut bands = [[[Quad::ZERO; 2]]; N];
        crossover.split_run(
            frames.each_ref().map(|frames| &frames[..]),
            bands.each_mut().map(|bands| &mut bands[..]),
        );
        let bands = bands.map(|[bands]| low_to_high(&bands));
        std::array::from_fn(|band| bands.map(|bands| bands[band]))
    }

    #[test]
    fn runs_of_any_length_are_split_as_single_frames_are() {
        let signal: Vec<f64x2> = (0..20_000_usize)
            .map(|n| f64x2::new([(n * 7 % 31) as f64 - 15.0, (n % 13) as f64]))
            .collect();
        let mut bands = vec![[Quad::ZERO; 2]; signal.len()];
        let mut alone: Crossover = Crossover::new(48_000.0);
        let mut runs = alone.clone();
        let (mut start, mut length) = (0, 1);
        while start < signal.len() {
            if start % 3 == 1 {
                let low_hz = 80.0 + (start % 170) as f64;
                alone.set_corners([low_hz, 1000.0, 5000.0]);
                runs.set_corners([low_hz, 1000.0, 5000.0]);
            }
            let end = signal.len().min(start + length);
            runs.split_run([&signal[start..end]], [&mut bands[start..end]]);
            for (frame, bands) in signal.iter().zip(&bands).take(end).skip(start) {
                assert_eq!(low_to_high(bands), alone.split(*frame), "{start}");
            }
            (start, length) = (end, length * 5 % 211);
        }
    }

    #[test]
    fn signals_in_step_are_split_as_each_would_be_alone() {
        let mut alone: [Crossover; 3] = std::array::from_fn(|_| Crossover::new(48_000.0));
        let mut together: Crossover<3> = Crossover::new(48_000.0);
        let signal = |signal: usize, n: usize| {
            f64x2::new([
                ((n * (3 + signal)) % 17) as f64,
                ((n * 5) % (11 + signal)) as f64,
            ])
        };
        for n in 0..6000 {
            if n == 2000 {
                for crossover in &mut alone {
                    crossover.set_corners([200.0, 1500.0, 4000.0]);
                }
                together.set_corners([200.0, 1500.0, 4000.0]);
            }
            let frame = std::array::from_fn(|k| signal(k, n));
            // Through the middle the third stands still, and then goes on as the first.
            let bands = if (3000..4000).contains(&n) {
                let bands = bands_of(&mut together, [frame[0], frame[1]]);
                bands.map(|[first, second]| [first, second, first])
            } else {
                bands_of(&mut together, frame)
            };
            for (k, crossover) in alone.iter_mut().enumerate() {
                if k == 2 && (3000..4000).contains(&n) {
                    continue;
                }
                assert_eq!(
                    crossover.split(frame[k]),
                    bands.map(|band| band[k]),
                    "{k} {n}"
                );
            }
            if n == 3999 {
                together.copy_signal(0, 2);
                alone[2] = alone[0].clone();
            }
        }
    }

    #[test]
    fn every_level_splits_alike() {
        let signals = [3, 5, 11].map(|step| {
            let frame = |n: usize| [(n * step % 31) as f64 - 15.0, (n * n % 17) as f64 / 3.0];
            (0..3000).map(|n| f64x2::new(frame(n))).collect::<Vec<_>>()
        });
        let mut told = Vec::new();
        for level in crate::dsp::quad::levels() {
            let mut crossover: Crossover<3> = Crossover::new(48_000.0);
            crossover.level = level;
            let mut bands = [(); 3].map(|()| vec![[Quad::ZERO; 2]; 3000]);
            for start in (0..3000).step_by(100) {
                crossover.set_corners([80.0 + start as f64 / 50.0, 1000.0, 7000.0]);
                let range = start..start + 100;
                crossover.split_run(
                    signals.each_ref().map(|signal| &signal[range.clone()]),
                    bands.each_mut().map(|bands| &mut bands[range.clone()]),
                );
            }
            told.push(bands);
        }
        assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
    }
}
