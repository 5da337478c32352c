//! True peak (ITU-R BS.1770-5, Annex 2) by an interpolator of our own.
//!
//! A half-band stage finds the samples half-way between the given ones, a second stage the
//! quarters, and a parabola through the highest point and its neighbours the crest between them.
//! The standard's example filter reads up to 0.55 dB low at 0.45 of the sample rate; this one stays
//! within 0.1 dB, and passes DC exactly.
//!
//! All that only where the signal could rise above the highest so far. Both stages pass straight
//! lines as they are, so what they find between two frames is the line between these and a
//! weighted sum of the second differences around: no more than the sum of the weights' magnitudes
//! times the largest of them. In music that rules out two to three of four frames.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use crate::dsp::fir::half_sample;
use crate::dsp::quad::{Level, dispatch};
use fearless_simd::f32x8;
use fearless_simd::prelude::*;

/// Tap pairs of the two stages: ripple below 0.022 dB up to 0.45 of the sample rate, and below
/// 0.010 dB for the second stage.
const FIRST_PAIRS: usize = 18;
const FIRST_BETA: f64 = 5.6;
const SECOND_PAIRS: usize = 4;
const SECOND_BETA: f64 = 6.9;

const LANES: usize = 8;
/// Frames handled at a time.
const CHUNK: usize = 256;
/// Past frames that what is found for eight frames is made of, in whole eights; the second
/// differences that matter lie in all of these but the oldest, and in the eight at hand.
const EIGHTS_BACK: usize = 6;
const HISTORY: usize = EIGHTS_BACK * LANES;
/// Frames at hand at most, in eights.
const EIGHTS: usize = EIGHTS_BACK + CHUNK / LANES;
/// From the sample that enters to the one whose neighbourhood is complete.
const DELAY: usize = FIRST_PAIRS + 3;

/// How far a crest between two neighbouring points may rise above the higher: `1/cos(π/8)`.
const MOST_OF_A_CREST: f32 = 1.083;
/// How far anything from one frame to the next, crests included, may rise above the higher of the
/// two, for each unit of the largest second difference around.
const MOST_OF_A_BEND: f32 = 0.5232;
/// What rounding may add to such a rise, for each unit of the largest frame around, and more.
const ROUNDING: f32 = 1e-5;

/// Peak follower for one channel.
#[derive(Clone, Debug)]
pub(super) struct TruePeak {
    level: Level,
    first: [f32; FIRST_PAIRS],
    second: [f32; SECOND_PAIRS],
    /// The signal: history, then the chunk at hand.
    frames: Box<[f32; HISTORY + CHUNK + LANES]>,
    /// Scratch: samples half-way between frames, where they were asked for.
    halves: Box<[f32; CHUNK + 2 * LANES]>,
    /// Scratch: how far each eight frames may bend what lies between frames around them.
    bends: Box<[f32; EIGHTS + 1]>,
    /// Frames to come that complete peaks of the time before a restart.
    stale: usize,
}

impl TruePeak {
    /// Allocates.
    pub fn new() -> Self {
        let (first, second) = (
            half_sample(FIRST_PAIRS, FIRST_BETA),
            half_sample(SECOND_PAIRS, SECOND_BETA),
        );
        Self {
            level: Level::new(),
            first: std::array::from_fn(|k| first[k] as f32),
            second: std::array::from_fn(|k| second[k] as f32),
            frames: Box::new([0.0; HISTORY + CHUNK + LANES]),
            halves: Box::new([0.0; CHUNK + 2 * LANES]),
            bends: Box::new([0.0; EIGHTS + 1]),
            stale: 0,
        }
    }

    /// Forgets the signal: what comes next follows on silence, not on what was cut off.
    pub fn reset(&mut self) {
        self.frames.fill(0.0);
        self.stale = 0;
    }

    /// Reads only peaks from here on, of a signal that goes on: were it forgotten, the edge of what
    /// is left would read higher than it ever was.
    pub fn restart(&mut self) {
        self.stale = FIRST_PAIRS + 2;
    }

    /// Takes over what another follower at the same rate remembers.
    pub fn copy_state(&mut self, other: &Self) {
        self.frames[..HISTORY].copy_from_slice(&other.frames[..HISTORY]);
        self.stale = other.stale;
    }

    /// Whether it remembers the same, to the last bit.
    pub fn is_as(&self, other: &Self) -> bool {
        let mut frames = self.frames.iter().zip(&*other.frames).take(HISTORY);
        self.stale == other.stale && frames.all(|(one, other)| one.to_bits() == other.to_bits())
    }

    /// Frames from the entrance of a peak to its reading.
    pub const DELAY_FRAMES: usize = DELAY;

    /// Raises `peak` to the highest true peak of `samples` (finite, any number), which appear
    /// [`DELAY_FRAMES`](Self::DELAY_FRAMES) later.
    pub fn process(&mut self, samples: &[f32], peak: &mut f32) {
        for chunk in samples.chunks(CHUNK) {
            dispatch!(self.level, simd => self.chunk(simd, chunk, peak));
        }
    }

    #[inline(always)]
    fn chunk<S: Simd>(&mut self, simd: S, chunk: &[f32], peak: &mut f32) {
        let count = chunk.len();
        self.frames[HISTORY..HISTORY + count].copy_from_slice(chunk);
        for eight in 1..(HISTORY + count).div_ceil(LANES) {
            self.bend(simd, eight);
        }
        // What the frames themselves reach rules out most of the rest at once.
        let own = &self.frames[Self::frame_at(0)..][..count];
        *peak = highest(simd, own.get(self.stale..).unwrap_or_default(), *peak);
        let mut halved = None;
        for at in (0..count).step_by(LANES) {
            if exceeds(self.bound(simd, at), *peak) {
                if halved != Some(at) {
                    self.interpolate_halves(simd, at);
                }
                self.interpolate_halves(simd, at + LANES);
                halved = Some(at + LANES);
                // Lanes past the end hold samples of before.
                let crests: [f32; LANES] = self.crests(simd, at, *peak).into();
                let lanes = crests.into_iter().take(count - at);
                for crest in lanes.skip(self.stale.saturating_sub(at)) {
                    *peak = if crest > *peak { crest } else { *peak };
                }
            }
        }
        self.stale = self.stale.saturating_sub(count);
        self.frames.copy_within(count..count + HISTORY, 0);
    }

    /// Finds how far eight frames, and what they bend by, may raise what lies between frames around
    /// them.
    #[inline(always)]
    fn bend<S: Simd>(&mut self, simd: S, eight: usize) {
        let (frames, at) = (&self.frames[..], eight * LANES);
        let frame = load(simd, frames, at);
        let (before, ahead) = (load(simd, frames, at - 1), load(simd, frames, at - 2));
        let difference = (frame + ahead) - (before + before);
        let bend = difference.abs() * MOST_OF_A_BEND + frame.abs() * ROUNDING;
        if let Some(highest) = self.bends.get_mut(eight) {
            *highest = highest_lane(bend);
        }
    }

    /// For each of eight frames, what nothing from there up to the next frame exceeds.
    #[inline(always)]
    fn bound<S: Simd>(&self, simd: S, at: usize) -> f32x8<S> {
        let (frames, frame) = (&self.frames[..], Self::frame_at(at));
        let (from, to) = (load(simd, frames, frame), load(simd, frames, frame + 1));
        let bends = self.bends.iter().skip(at / LANES + 1).take(EIGHTS_BACK);
        let bend = bends.fold(0.0, |highest, bend| higher(highest, *bend));
        from.abs().max(to.abs()) + f32x8::splat(simd, bend)
    }

    /// Fills eight half-way samples: the half after frame `at + HISTORY − LANES − FIRST_PAIRS` and
    /// its successors.
    #[inline(always)]
    fn interpolate_halves<S: Simd>(&mut self, simd: S, at: usize) {
        let Some(window) = self.frames[at + HISTORY - LANES + 1 - 2 * FIRST_PAIRS..]
            .first_chunk::<{ 2 * FIRST_PAIRS + LANES }>()
        else {
            return;
        };
        // Two sums, so that an addition need not wait for the last.
        let zero = f32x8::splat(simd, 0.0);
        let (mut even, mut odd) = (zero, zero);
        let (taps, _) = self.first.as_chunks::<2>();
        for (index, [even_tap, odd_tap]) in taps.iter().enumerate() {
            even += pair(simd, window, 2 * index) * *even_tap;
            odd += pair(simd, window, 2 * index + 1) * *odd_tap;
        }
        self.halves[at..][..LANES].copy_from_slice((even + odd).as_slice());
    }

    /// Position in `frames` of the frame whose neighbourhood is complete when input `at` has
    /// entered.
    fn frame_at(at: usize) -> usize {
        HISTORY + at - FIRST_PAIRS - 2
    }

    /// Position in `halves` of the half after that frame.
    fn half_at(at: usize) -> usize {
        LANES + at - 2
    }

    /// Highest point or crest from each of eight frames up to the next; zero if none of them can
    /// exceed `peak`.
    #[inline(always)]
    fn crests<S: Simd>(&self, simd: S, at: usize, peak: f32) -> f32x8<S> {
        let (frame, half) = (Self::frame_at(at) - 2, Self::half_at(at) - 2);
        let x = five(simd, &self.frames[..], frame);
        let m = five(simd, &self.halves[..], half);
        let [c0, c1, c2, c3] = self.second;
        let three_quarters_before =
            (m[1] + x[2]) * c0 + (x[1] + m[2]) * c1 + (m[0] + x[3]) * c2 + (x[0] + m[3]) * c3;
        let quarter =
            (x[2] + m[2]) * c0 + (m[1] + x[3]) * c1 + (x[1] + m[3]) * c2 + (m[0] + x[4]) * c3;
        let three_quarters =
            (m[2] + x[3]) * c0 + (x[2] + m[3]) * c1 + (m[1] + x[4]) * c2 + (x[1] + m[4]) * c3;
        let highest = x[2]
            .abs()
            .max(quarter.abs())
            .max(m[2].abs().max(three_quarters.abs()));
        if !exceeds(highest * MOST_OF_A_CREST, peak) {
            return f32x8::splat(simd, 0.0);
        }
        let points = [
            three_quarters_before,
            x[2],
            quarter,
            m[2],
            three_quarters,
            x[3],
        ];
        highest_crest(simd, &points)
    }
}

#[inline(always)]
fn load<S: Simd>(simd: S, samples: &[f32], at: usize) -> f32x8<S> {
    let lanes = samples[at..].first_chunk::<LANES>();
    f32x8::simd_from(simd, *lanes.unwrap_or(&[0.0; LANES]))
}

/// What tap `k` of the first stage weighs.
#[inline(always)]
fn pair<S: Simd>(simd: S, window: &[f32], k: usize) -> f32x8<S> {
    load(simd, window, FIRST_PAIRS - 1 - k) + load(simd, window, FIRST_PAIRS + k)
}

/// The samples from `at` on, and from each of the next four.
#[inline(always)]
fn five<S: Simd>(simd: S, samples: &[f32], at: usize) -> [f32x8<S>; 5] {
    [
        load(simd, samples, at),
        load(simd, samples, at + 1),
        load(simd, samples, at + 2),
        load(simd, samples, at + 3),
        load(simd, samples, at + 4),
    ]
}

/// The highest magnitude, at least `least`.
#[inline(always)]
fn highest<S: Simd>(simd: S, samples: &[f32], least: f32) -> f32 {
    let (eights, rest) = samples.as_chunks::<LANES>();
    let mut highest = f32x8::splat(simd, least);
    for eight in eights {
        highest = highest.max(f32x8::simd_from(simd, *eight).abs());
    }
    let rest = rest.iter().map(|sample| sample.abs());
    rest.fold(highest_lane(highest), higher)
}

#[inline(always)]
fn highest_lane<S: Simd>(values: f32x8<S>) -> f32 {
    let (low, high) = values.split();
    let [a, b, c, d]: [f32; 4] = low.max(high).into();
    higher(higher(a, b), higher(c, d))
}

#[inline(always)]
fn higher(one: f32, other: f32) -> f32 {
    if one > other { one } else { other }
}

/// Whether any of eight values exceeds `limit`.
#[inline(always)]
fn exceeds<S: Simd>(values: f32x8<S>, limit: f32) -> bool {
    values.simd_gt(limit).any_true()
}

/// In each lane, the highest of the inner points and of the crests of the parabolas through each of
/// them and its neighbours, where it is an extremum of the signal. No crest rises above its point
/// by more than [`MOST_OF_A_CREST`].
#[inline(always)]
fn highest_crest<S: Simd>(simd: S, points: &[f32x8<S>]) -> f32x8<S> {
    let mut highest = f32x8::splat(simd, 0.0);
    for triple in points.windows(3) {
        let &[before, middle, after] = triple else {
            continue;
        };
        let height = middle.abs();
        let sign = f32x8::splat(simd, 1.0).copysign(middle);
        let (before, after) = (before * sign, after * sign);
        let curvature = before - height * 2.0 + after;
        let slope = before - after;
        let rise = slope * slope / (curvature * -8.0);
        let extremum = before.simd_le(height) & after.simd_le(height) & curvature.simd_lt(0.0);
        let top = (height + rise).min(height * MOST_OF_A_CREST);
        highest = highest.max(extremum.select(top, height));
    }
    highest
}

#[cfg(test)]
mod tests;
