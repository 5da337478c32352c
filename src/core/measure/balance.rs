//! Third-octave balance (bands of IEC 61260-1, base-ten ratios) by Fourier analysis at two
//! resolutions.
//!
//! The bands from 250 Hz up are summed from spectra of about 85 ms; those below from spectra of
//! about 1.4 s of the signal at about 3 kHz. Both use Hann windows that overlap by half. A tone in
//! the middle of a band reads within 0.2 dB in it, and at least 34 dB lower in the next. Two
//! channels share a spectrum. Further pairs, which only files have, are looked at in the same
//! moments, so that all have as many spectra.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use super::loudness::{MOMENTARY_SLOTS, SHORT_TERM_SLOTS, SLOTS_PER_SECOND};
use super::lufs::ABSOLUTE_GATE_LUFS;
use super::readings::{BAND_COUNT, Balance};
use crate::dsp::fir::low_pass;
use crate::dsp::quad::{Level, dispatch};
use fearless_simd::{Simd, SimdBase};
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::f64::consts::PI;
use std::sync::Arc;

/// Bands below this index (250 Hz) are taken from the slow analysis.
const FIRST_FAST_BAND: usize = 11;
/// Time that one spectrum spans in the two analyses, and the rate of the slow one; each rounded to
/// a power of two.
const FAST_SPAN_S: f64 = 0.0853;
const SLOW_SPAN_S: f64 = 1.365;
const SLOW_RATE_HZ: f64 = 3_000.0;
/// Taps of the decimation filter for each step of the decimation: 80 dB down where the slow bands
/// would alias.
const TAPS_PER_STEP: usize = 6;
const TAPS_BETA: f64 = 8.0;

/// Mid-band frequency of band `index` (0: 20 Hz … 30: 20 kHz), exact: `1000·10^((index − 17)/10)`
/// Hz (IEC 61260-1, 5.2).
pub fn mid_band_hz(index: usize) -> f64 {
    1_000.0 * 10.0_f64.powf((index as f64 - 17.0) / 10.0)
}

/// Lower edge of band `index`; its upper edge is the lower edge of the next (IEC 61260-1, 5.5).
pub fn band_edge_hz(index: usize) -> f64 {
    1_000.0 * 10.0_f64.powf((index as f64 - 17.5) / 10.0)
}

/// The share of each spectral line that belongs to one band: lines `first..`, weighted.
#[derive(Clone, Debug)]
struct BandLines {
    first: usize,
    weights: Vec<f32>,
}

impl BandLines {
    /// A line stands for the stretch of half a line's distance to either side.
    fn new(low_hz: f64, high_hz: f64, line_hz: f64, lines: usize) -> Self {
        let (low, high) = (low_hz / line_hz + 0.5, high_hz / line_hz + 0.5);
        let share = |line: usize| {
            ((line as f64 + 1.0).min(high) - (line as f64).max(low)).clamp(0.0, 1.0) as f32
        };
        let first = (1..lines).find(|&line| share(line) > 0.0).unwrap_or(lines);
        let weights = (first..lines)
            .map(share)
            .take_while(|&share| share > 0.0)
            .collect();
        Self { first, weights }
    }
}

/// The running spectrum of two channels at one resolution.
///
/// One is the real, the other the imaginary part of one transform Z: what they have in common
/// cancels in `(|Z(k)|² + |Z(−k)|²)/2`, which leaves the power of both at line k, at half the work
/// of two transforms of real signals.
struct Analyser {
    level: Level,
    transform: Arc<dyn Fft<f32>>,
    /// The same for both parts, so that products need no regrouping.
    window: Vec<Complex32>,
    /// The signal, filled from the left; half of it is kept after each spectrum.
    signal: Vec<Complex32>,
    filled: usize,
    spectrum: Vec<Complex32>,
    scratch: Vec<Complex32>,
    /// Power of both channels in each line, not yet scaled.
    power: Vec<f32>,
    power_scale: f32,
    bands: Vec<BandLines>,
}

impl Analyser {
    fn new(sample_rate_hz: f64, span_s: f64, bands: std::ops::Range<usize>, stagger: f64) -> Self {
        let len = power_of_two(sample_rate_hz * span_s).max(16);
        let transform = FftPlanner::new().plan_fft_forward(len);
        let hann = |n: usize| 0.5 - 0.5 * (2.0 * PI * n as f64 / len as f64).cos();
        let window = (0..len).map(|n| Complex32::new(hann(n) as f32, hann(n) as f32));
        let window_power: f64 = (0..len).map(|n| hann(n) * hann(n)).sum();
        let lines = len / 2;
        let line_hz = sample_rate_hz / len as f64;
        #[expect(clippy::cast_sign_loss, reason = "the stagger lies in 0…1")]
        let filled = (stagger * (len / 2) as f64) as usize;
        let zeros = |len: usize| vec![Complex32::default(); len];
        Self {
            level: Level::new(),
            scratch: zeros(transform.get_inplace_scratch_len()),
            transform,
            window: window.collect(),
            signal: zeros(len),
            filled,
            spectrum: zeros(len),
            power: vec![0.0; lines],
            // Parseval, one-sided: mean square = 2·Σ|X|² / (N·Σw²); and half of it, for the two
            // sides of Z.
            power_scale: (1.0 / (len as f64 * window_power)) as f32,
            bands: bands
                .map(|band| {
                    BandLines::new(band_edge_hz(band), band_edge_hz(band + 1), line_hz, lines)
                })
                .collect(),
        }
    }

    fn reset(&mut self) {
        // `filled` stays: the stagger between the meters must survive.
        self.signal.fill(Complex32::default());
    }

    /// Takes samples of both channels, as many of either; calls `spectrum_due` with the power in
    /// each band whenever a spectrum is complete.
    fn push(
        &mut self,
        [mut left, mut right]: [&[f32]; 2],
        mut spectrum_due: impl FnMut(&mut dyn Iterator<Item = f32>),
    ) {
        while !left.is_empty() && !right.is_empty() {
            let room = self.signal.len() - self.filled;
            let now = room.min(left.len()).min(right.len());
            let free = self.signal[self.filled..].iter_mut();
            for ((cell, left), right) in free.zip(&left[..now]).zip(&right[..now]) {
                *cell = Complex32::new(*left, *right);
            }
            self.filled += now;
            (left, right) = (&left[now..], &right[now..]);
            if self.filled == self.signal.len() {
                self.transform();
                spectrum_due(&mut self.bands.iter().map(|band| {
                    let lines = &self.power[band.first..];
                    dot(self.level, &lines[..band.weights.len()], &band.weights) * self.power_scale
                }));
                let half = self.signal.len() / 2;
                self.signal.copy_within(half.., 0);
                self.filled = half;
            }
        }
    }

    fn transform(&mut self) {
        dispatch!(self.level, _ => weigh(&self.signal, &self.window, &mut self.spectrum));
        self.transform
            .process_with_scratch(&mut self.spectrum, &mut self.scratch);
        dispatch!(self.level, _ => powers(&self.spectrum, &mut self.power));
    }
}

#[inline(always)]
fn weigh(signal: &[Complex32], window: &[Complex32], weighed: &mut [Complex32]) {
    for (out, (sample, window)) in weighed.iter_mut().zip(signal.iter().zip(window)) {
        *out = Complex32::new(sample.re * window.re, sample.im * window.im);
    }
}

/// The power in each line and its mirror.
#[inline(always)]
fn powers(spectrum: &[Complex32], powers: &mut [f32]) {
    let (lines, mirrors) = spectrum.split_at(powers.len());
    for (power, line) in powers.iter_mut().zip(lines) {
        *power = line.re * line.re + line.im * line.im;
    }
    // Line 0 has no mirror; nothing is made of it.
    for (power, mirror) in powers.iter_mut().skip(1).zip(mirrors.iter().rev()) {
        *power += mirror.re * mirror.re + mirror.im * mirror.im;
    }
}

/// Brings two channels down to the slow analysis' rate.
struct Decimator {
    level: Level,
    taps: Vec<f32>,
    step: usize,
    /// Of each channel the last `taps.len()` samples, then those at hand.
    signal: [Vec<f32>; 2],
    /// Samples still to come before the next output.
    wanted: usize,
}

impl Decimator {
    fn new(sample_rate_hz: f64, max_block: usize) -> Self {
        let step = power_of_two(sample_rate_hz / SLOW_RATE_HZ).max(1);
        let len = (TAPS_PER_STEP * step).max(2);
        // Half-way between the highest slow band and what would fold onto it.
        let cutoff = 0.5 / step as f64;
        let taps: Vec<f32> = low_pass(len, cutoff, TAPS_BETA)
            .iter()
            .map(|tap| *tap as f32)
            .collect();
        Self {
            level: Level::new(),
            signal: [vec![0.0; len + max_block], vec![0.0; len + max_block]],
            taps,
            step,
            wanted: step,
        }
    }

    fn reset(&mut self) {
        // `wanted` stays, as the analysers' stagger does.
        for signal in &mut self.signal {
            signal.fill(0.0);
        }
    }

    /// Calls `output` with each frame at the slow rate. Takes at most `max_block` frames.
    fn process(&mut self, channels: [&[f32]; 2], mut output: impl FnMut([f32; 2])) {
        let len = self.taps.len();
        let frames = channels[0].len().min(channels[1].len());
        for (signal, samples) in self.signal.iter_mut().zip(channels) {
            signal[len..len + frames].copy_from_slice(&samples[..frames]);
        }
        let mut end = self.wanted;
        while end <= frames {
            output(
                self.signal
                    .each_ref()
                    .map(|signal| dot(self.level, &signal[end..end + len], &self.taps)),
            );
            end += self.step;
        }
        self.wanted = end - frames;
        for signal in &mut self.signal {
            signal.copy_within(frames..frames + len, 0);
        }
    }
}

fn dot(level: Level, left: &[f32], right: &[f32]) -> f32 {
    dispatch!(level, simd => dot_on(simd, left, right))
}

#[inline(always)]
fn dot_on<S: Simd>(simd: S, left: &[f32], right: &[f32]) -> f32 {
    let (left_eights, left_rest) = left.as_chunks::<8>();
    let (right_eights, right_rest) = right.as_chunks::<8>();
    let mut parts = fearless_simd::f32x8::splat(simd, 0.0);
    for (left, right) in left_eights.iter().zip(right_eights) {
        parts += simd.load_array_ref_f32x8(left) * simd.load_array_ref_f32x8(right);
    }
    wide::f32x8::new(parts.into()).reduce_add()
        + left_rest
            .iter()
            .zip(right_rest)
            .map(|(l, r)| l * r)
            .sum::<f32>()
}

fn power_of_two(wanted: f64) -> usize {
    #[expect(
        clippy::cast_sign_loss,
        reason = "the logarithm of 1 or more is not negative"
    )]
    let exponent = wanted.max(1.0).log2().round() as u32;
    1 << exponent
}

/// Power sums by band, and how many spectra of single channels went in from either analysis.
#[derive(Clone, Copy, Debug)]
struct Sums {
    power: [f64; BAND_COUNT],
    slow: u32,
    fast: u32,
}

impl Sums {
    const NONE: Self = Self {
        power: [0.0; BAND_COUNT],
        slow: 0,
        fast: 0,
    };

    fn add(&mut self, other: &Self) {
        for (sum, power) in self.power.iter_mut().zip(&other.power) {
            *sum += power;
        }
        self.slow += other.slow;
        self.fast += other.fast;
    }

    /// Mean power in each band, summed over `channels`, dB.
    fn mean_db(&self, channels: usize) -> [Option<f32>; BAND_COUNT] {
        std::array::from_fn(|band| {
            let spectra = if band < FIRST_FAST_BAND {
                self.slow
            } else {
                self.fast
            };
            let power = self.power[band] / f64::from(spectra.max(1)) * channels as f64;
            crate::dsp::decibel::db_from_power(power).map(|db| db as f32)
        })
    }
}

/// Long-term spectra are filed by the loudness of their time, in classes of 1 LU, so that the
/// relative gate can move afterwards.
const CLASSES: usize = 90;
/// The last 10 s are kept in slots of half a second.
const RECENT_SLOTS: usize = 20;
const STEPS_PER_SLOT: u64 = 100;

/// Balance of one measuring point.
pub(super) struct BalanceMeter {
    channels: usize,
    pairs: Vec<PairAnalysis>,
    /// Slots of 10 ms that a slow spectrum spans.
    slow_slots: usize,
    classes: Vec<Sums>,
    recent: [Sums; RECENT_SLOTS],
    slot: usize,
    steps: u64,
}

/// Analysis of two channels, of which the second may be missing.
struct PairAnalysis {
    channels: u32,
    fast: Analyser,
    slow: Analyser,
    decimator: Decimator,
}

impl BalanceMeter {
    /// `stagger` (0…1) shifts the moments at which spectra fall due, so that several meters in one
    /// engine take turns. Allocates.
    pub fn new(sample_rate_hz: f64, channels: usize, max_block: usize, stagger: f64) -> Self {
        let analysis = |pair: usize| {
            let decimator = Decimator::new(sample_rate_hz, max_block);
            PairAnalysis {
                channels: if 2 * pair + 1 < channels { 2 } else { 1 },
                fast: Analyser::new(
                    sample_rate_hz,
                    FAST_SPAN_S,
                    FIRST_FAST_BAND..BAND_COUNT,
                    stagger,
                ),
                slow: Analyser::new(
                    sample_rate_hz / decimator.step as f64,
                    SLOW_SPAN_S,
                    0..FIRST_FAST_BAND,
                    stagger,
                ),
                decimator,
            }
        };
        let pairs: Vec<_> = (0..channels.div_ceil(2)).map(analysis).collect();
        Self {
            channels,
            slow_slots: pairs.first().map_or(MOMENTARY_SLOTS, |pair| {
                let frames = pair.slow.signal.len() * pair.decimator.step;
                #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
                let slots = (SLOTS_PER_SECOND * frames as f64 / sample_rate_hz).round() as usize;
                slots.min(SHORT_TERM_SLOTS)
            }),
            pairs,
            classes: vec![Sums::NONE; CLASSES],
            recent: [Sums::NONE; RECENT_SLOTS],
            slot: 0,
            steps: 0,
        }
    }

    pub fn reset(&mut self) {
        for pair in &mut self.pairs {
            pair.fast.reset();
            pair.slow.reset();
            pair.decimator.reset();
        }
        self.classes.fill(Sums::NONE);
        self.recent.fill(Sums::NONE);
        self.slot = 0;
        self.steps = 0;
    }

    /// Takes finite samples of channels `2·pair` and `2·pair + 1`, as many of either (silence where
    /// there is no such channel). `loudness` tells the loudness of the last so many slots of 10 ms,
    /// LUFS: the gate judges a spectrum by that of its own span, or of 400 ms if that is longer.
    pub fn process(
        &mut self,
        pair: usize,
        samples: [&[f32]; 2],
        loudness: impl Fn(usize) -> Option<f64>,
    ) {
        let Some(PairAnalysis {
            channels,
            fast,
            slow,
            decimator,
        }) = self.pairs.get_mut(pair)
        else {
            return;
        };
        let (mut fast_heard, mut slow_heard) = (Sums::NONE, Sums::NONE);
        fast.push(samples, |powers| {
            fast_heard.fast += *channels;
            let bands = fast_heard.power.iter_mut().skip(FIRST_FAST_BAND);
            for (sum, power) in bands.zip(powers) {
                *sum += f64::from(power);
            }
        });
        decimator.process(samples, |[left, right]| {
            slow.push([&[left], &[right]], |powers| {
                slow_heard.slow += *channels;
                for (sum, power) in slow_heard.power.iter_mut().zip(powers) {
                    *sum += f64::from(power);
                }
            });
        });
        for (heard, slots) in [(fast_heard, MOMENTARY_SLOTS), (slow_heard, self.slow_slots)] {
            if heard.fast + heard.slow > 0
                && let Some(class) = loudness(slots).and_then(class_of)
            {
                self.classes[class].add(&heard);
                self.recent[self.slot].add(&heard);
            }
        }
    }

    /// Counts one step of 5 ms.
    pub fn step(&mut self) {
        self.steps += 1;
        if self.steps.is_multiple_of(STEPS_PER_SLOT) {
            self.slot = (self.slot + 1) % RECENT_SLOTS;
            self.recent[self.slot] = Sums::NONE;
        }
    }

    /// Balance so far; `relative_gate_lufs` is that of the integrated loudness.
    pub fn balance(&self, relative_gate_lufs: Option<f64>) -> Balance {
        let first = relative_gate_lufs.and_then(class_of).unwrap_or(0);
        let total = |sums: &[Sums]| {
            let mut total = Sums::NONE;
            for sums in sums {
                total.add(sums);
            }
            total.mean_db(self.channels)
        };
        Balance {
            long_term_db: total(&self.classes[first..]),
            last_10s_db: total(&self.recent),
        }
    }
}

fn class_of(loudness_lufs: f64) -> Option<usize> {
    #[expect(clippy::cast_sign_loss, reason = "the gate below keeps it positive")]
    let class = |above_gate: f64| (above_gate as usize).min(CLASSES - 1);
    (loudness_lufs > ABSOLUTE_GATE_LUFS).then(|| class(loudness_lufs - ABSOLUTE_GATE_LUFS))
}

impl std::fmt::Debug for BalanceMeter {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("BalanceMeter")
            .field("channels", &self.channels)
            .finish_non_exhaustive()
    }
}
