//! Third-octave balance (bands of IEC 61260-1, base-ten ratios) by Fourier analysis at two
//! resolutions.
//!
//! The bands from 250 Hz up are summed from spectra of about 85 ms; those below from spectra of
//! about 1.4 s of the signal at about 3 kHz, under Hann windows. A tone in the middle of a band reads
//! within 0.2 dB in it, and at least 34 dB lower in the next. Two channels share a spectrum. Further
//! pairs, which only files have, are looked at in the same moments, so that all have as many spectra.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

mod analyser;
mod decimator;

use self::analyser::Analyser;
use self::decimator::Decimator;
use super::loudness::{MOMENTARY_SLOTS, SHORT_TERM_SLOTS, SLOTS_PER_SECOND};
use super::lufs::ABSOLUTE_GATE_LUFS;
use super::readings::{BAND_COUNT, Balance};
use crate::dsp::quad::{Level, dispatch};
use fearless_simd::f32x8;
use fearless_simd::prelude::*;

/// Bands below this index (250 Hz) are taken from the slow analysis.
const FIRST_FAST_BAND: usize = 11;
/// Time that one spectrum spans in the two analyses, rounded to a power of two of frames.
const FAST_SPAN_S: f64 = 0.0853;
const SLOW_SPAN_S: f64 = 1.365;
/// So many spectra hold each moment. Squares of Hann windows that overlap by half add up to 1/2 to 1,
/// by three quarters to a constant: a hop of half a slow window is one beat at 88 bpm, and each beat
/// could count as half, or wholly.
const FAST_OVERLAP: usize = 2;
const SLOW_OVERLAP: usize = 4;

/// Mid-band frequency of band `index` (0: 20 Hz … 30: 20 kHz), exact: `1000·10^((index − 17)/10)`
/// Hz (IEC 61260-1, 5.2).
pub fn mid_band_hz(index: usize) -> f64 {
    1_000.0 * 10.0_f64.powf((index as f64 - 17.0) / 10.0)
}

/// Nominal mid-band frequency of band `index`, Hz, as bands are named on equipment: 31.5 and not
/// 31.62 (IEC 61260-1, annex E).
pub fn nominal_hz(index: usize) -> f64 {
    const STEPS: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];
    // Band 0, of 20 Hz, is the fourth from 10 Hz on.
    let (decade, step) = ((index + 3) / 10, (index + 3) % 10);
    (0..=decade).fold(STEPS[step], |hz, _| 10.0 * hz)
}

/// Lower edge of band `index`; its upper edge is the lower edge of the next (IEC 61260-1, 5.5).
pub fn band_edge_hz(index: usize) -> f64 {
    1_000.0 * 10.0_f64.powf((index as f64 - 17.5) / 10.0)
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

/// Long-term spectra are filed by the loudness of their time, in classes of 0.1 LU, so that the
/// relative gate can move afterwards; and in classes of 1 LU, so that few have to be added up. What
/// loudness leaves out must not count here: a quiet part just below the gate would bring the balance
/// down by 2 dB.
const CLASSES: usize = 900;
const CLASSES_PER_LU: usize = 10;

/// Balance of one measuring point.
pub(super) struct BalanceMeter {
    channels: usize,
    pairs: Vec<PairAnalysis>,
    /// Slots of 10 ms that a slow spectrum spans.
    slow_slots: usize,
    classes: Vec<Sums>,
    coarse: Vec<Sums>,
    /// The spectra of the frames taken last, fast and slow.
    heard: [Sums; 2],
    memory_slots: usize,
}

/// Analysis of two channels, of which the second may be missing.
struct PairAnalysis {
    channels: u32,
    fast: Analyser,
    slow: Analyser,
    decimator: Decimator,
}

impl BalanceMeter {
    /// Spectra, fast and slow, fall due earlier by so many of their hops (`staggers`), so that several
    /// meters take turns. Allocates.
    pub fn new(
        sample_rate_hz: f64,
        channels: usize,
        max_block: usize,
        [of_fast, of_slow]: [f64; 2],
    ) -> Self {
        let analysis = |pair: usize| {
            let decimator = Decimator::new(sample_rate_hz, max_block);
            let fast = Analyser::new(
                sample_rate_hz,
                FAST_SPAN_S,
                FAST_OVERLAP,
                FIRST_FAST_BAND..BAND_COUNT,
            );
            let slow = Analyser::new(
                sample_rate_hz / decimator.step as f64,
                SLOW_SPAN_S,
                SLOW_OVERLAP,
                0..FIRST_FAST_BAND,
            );
            PairAnalysis {
                channels: if 2 * pair + 1 < channels { 2 } else { 1 },
                fast: fast.staggered(of_fast),
                slow: slow.staggered(of_slow),
                decimator,
            }
        };
        let pairs: Vec<_> = (0..channels.div_ceil(2)).map(analysis).collect();
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let slots =
            |frames: usize| (SLOTS_PER_SECOND * frames as f64 / sample_rate_hz).round() as usize;
        let slow_frames = |pair: &PairAnalysis| pair.slow.frames() * pair.decimator.step;
        let slow = pairs.first().map(slow_frames);
        Self {
            channels,
            slow_slots: slow.map_or(MOMENTARY_SLOTS, |frames| {
                slots(frames).min(SHORT_TERM_SLOTS)
            }),
            // The decimator's memory is a small part of it.
            memory_slots: slow.map_or(0, |frames| slots(2 * frames)),
            pairs,
            classes: vec![Sums::NONE; CLASSES],
            coarse: vec![Sums::NONE; CLASSES / CLASSES_PER_LU],
            heard: [Sums::NONE; 2],
        }
    }

    pub fn reset(&mut self) {
        for pair in &mut self.pairs {
            pair.fast.reset();
            pair.slow.reset();
            pair.decimator.reset();
        }
        self.classes.fill(Sums::NONE);
        self.coarse.fill(Sums::NONE);
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
        self.heard = [Sums::NONE; 2];
        let [fast_heard, slow_heard] = &mut self.heard;
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
        let heard = self.heard;
        self.enter(&heard, loudness);
    }

    /// Takes what `ahead`, the meter of one pair of channels, has made of so many frames just now,
    /// which are the same here.
    pub fn follow(&mut self, ahead: &Self, frames: usize, loudness: impl Fn(usize) -> Option<f64>) {
        for pair in &mut self.pairs {
            pair.fast.pass(frames);
            pair.slow.pass(pair.decimator.pass(frames));
        }
        self.enter(&ahead.heard, loudness);
    }

    /// Ends [following](Self::follow) `ahead`.
    pub fn part_from(&mut self, ahead: &Self) {
        for (pair, ahead) in self.pairs.iter_mut().zip(&ahead.pairs) {
            pair.fast.go_on_from(&ahead.fast);
            pair.slow.go_on_from(&ahead.slow);
            pair.decimator.go_on_from(&ahead.decimator);
        }
    }

    /// Exchanges the signals with those of a meter made as this one was; what has been measured
    /// stays.
    pub fn exchange_signals(&mut self, other: &mut Self) {
        std::mem::swap(&mut self.pairs, &mut other.pairs);
    }

    /// For so many slots of 10 ms two signals must have been the same before a meter may
    /// [follow](Self::follow) the other.
    pub fn memory_slots(&self) -> usize {
        self.memory_slots
    }

    fn enter(&mut self, heard: &[Sums; 2], loudness: impl Fn(usize) -> Option<f64>) {
        for (heard, slots) in heard.iter().zip([MOMENTARY_SLOTS, self.slow_slots]) {
            if heard.fast + heard.slow > 0
                && let Some(class) = loudness(slots).and_then(class_of)
            {
                self.classes[class].add(heard);
                self.coarse[class / CLASSES_PER_LU].add(heard);
            }
        }
    }

    /// Balance so far; `relative_gate_lufs` is that of the integrated loudness.
    pub fn balance(&self, relative_gate_lufs: Option<f64>) -> Balance {
        let first = relative_gate_lufs.and_then(class_of).unwrap_or(0);
        let whole = first.div_ceil(CLASSES_PER_LU);
        let fine = &self.classes[first..CLASSES_PER_LU * whole];
        let mut total = Sums::NONE;
        for sums in fine.iter().chain(&self.coarse[whole..]) {
            total.add(sums);
        }
        Balance {
            long_term_db: total.mean_db(self.channels),
        }
    }
}

fn class_of(loudness_lufs: f64) -> Option<usize> {
    #[expect(clippy::cast_sign_loss, reason = "the gate below keeps it positive")]
    let class = |above_gate: f64| ((CLASSES_PER_LU as f64 * above_gate) as usize).min(CLASSES - 1);
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

fn dot(level: Level, left: &[f32], right: &[f32]) -> f32 {
    dispatch!(level, simd => dot_on(simd, left, right))
}

#[inline(always)]
fn dot_on<S: Simd>(simd: S, left: &[f32], right: &[f32]) -> f32 {
    let (left_eights, left_rest) = left.as_chunks::<8>();
    let (right_eights, right_rest) = right.as_chunks::<8>();
    let mut parts = f32x8::splat(simd, 0.0);
    for (left, right) in left_eights.iter().zip(right_eights) {
        parts += f32x8::simd_from(simd, *left) * f32x8::simd_from(simd, *right);
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

#[cfg(test)]
mod tests;
