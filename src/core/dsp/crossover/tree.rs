//! The steps of a split into four bands, and their order.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use fearless_simd::prelude::*;
use fearless_simd::{f64x2, f64x4};

use super::BandLanes;
use super::section::{Corner, CornerLanes, Running, Sections};
use crate::dsp::quad::{Quad, joined, pair};

/// All that a crossover remembers of one signal.
///
/// A Linkwitz-Riley pair of fourth order is two sections in a row, whose low-pass is the lower
/// band; the pair adds up to the all-pass of its first section, so the upper band needs no filters
/// of its own.
#[derive(Clone, Copy, Debug)]
pub(super) struct Tree {
    /// The second section of the split in the middle, and the first, which is a frame ahead.
    middle: Sections,
    /// Of the lower half the all-pass of the upper corner, of the upper half that of the lower one.
    delays: Sections,
    /// First and second sections of the splits of the lower and the upper half.
    firsts: Sections,
    seconds: Sections,
}

impl Tree {
    pub const SILENT: Self = Self {
        middle: Sections::SILENT,
        delays: Sections::SILENT,
        firsts: Sections::SILENT,
        seconds: Sections::SILENT,
    };

    pub fn each(&mut self) -> [&mut Sections; 4] {
        [
            &mut self.middle,
            &mut self.delays,
            &mut self.firsts,
            &mut self.seconds,
        ]
    }
}

/// Splits several signals in step, all of them as far as the shortest goes.
///
/// The steps of one frame wait for each other, and a processor can only look so far ahead for work
/// of the next. So each round takes every step once, each on a later frame than the one after it:
/// none of them waits, and two steps of the same kind are taken as one.
#[inline(always)]
pub(super) fn split<S: Simd, const N: usize>(
    simd: S,
    corners: &[Corner; 3],
    trees: [&mut Tree; N],
    frames: [&[wide::f64x2]; N],
    mut bands: [&mut [BandLanes]; N],
) {
    let lengths = frames.iter().zip(&bands);
    let count = lengths.map(|(frames, bands)| frames.len().min(bands.len()));
    let count = count.min().unwrap_or(0);
    let mut line = Line::new(simd, corners, &trees);
    let takes = |round: usize, steps_before: usize| round.wrapping_sub(steps_before) < count;
    for round in 0..count + 4 {
        // In most rounds every step has its frame.
        if (4..count).contains(&round) {
            line.fourth(&mut bands, round - 4);
            line.third();
            line.second();
            line.first(simd, &frames, round, true, true);
            continue;
        }
        if takes(round, 4) {
            line.fourth(&mut bands, round - 4);
        }
        if takes(round, 3) {
            line.third();
        }
        if takes(round, 2) {
            line.second();
        }
        if round <= count {
            line.first(simd, &frames, round, round > 0, round < count);
        }
    }
    for (n, tree) in trees.into_iter().enumerate() {
        *tree = line.tree(n);
    }
}

/// The sections at work, and what is on its way from each step to the next.
struct Line<S: Simd, const N: usize> {
    /// All sections of the first step at the middle corner; at the upper and the lower one; and the
    /// other way round.
    middle_corner: CornerLanes<S>,
    crosswise: CornerLanes<S>,
    along: CornerLanes<S>,
    middle: [Running<S>; N],
    delays: [Running<S>; N],
    firsts: [Running<S>; N],
    seconds: [Running<S>; N],
    /// Low-pass once, and what both halves add up to.
    once: [f64x2<S>; N],
    through: [f64x2<S>; N],
    /// The lower and the upper half; each with the all-pass of the other's corner; then as `once`
    /// and `through`, of both halves.
    halves: [f64x4<S>; N],
    delayed: [f64x4<S>; N],
    halves_once: [f64x4<S>; N],
    halves_through: [f64x4<S>; N],
}

impl<S: Simd, const N: usize> Line<S, N> {
    #[inline(always)]
    fn new(simd: S, [c0, c1, c2]: &[Corner; 3], trees: &[&mut Tree; N]) -> Self {
        let silent = [Sections::SILENT.load(simd); N];
        let (pair, quad) = (f64x2::splat(simd, 0.0), f64x4::splat(simd, 0.0));
        let mut line = Self {
            middle_corner: CornerLanes::new(simd, c1, c1),
            crosswise: CornerLanes::new(simd, c2, c0),
            along: CornerLanes::new(simd, c0, c2),
            middle: silent,
            delays: silent,
            firsts: silent,
            seconds: silent,
            once: [pair; N],
            through: [pair; N],
            halves: [quad; N],
            delayed: [quad; N],
            halves_once: [quad; N],
            halves_through: [quad; N],
        };
        for (n, tree) in trees.iter().enumerate() {
            line.middle[n] = tree.middle.load(simd);
            line.delays[n] = tree.delays.load(simd);
            line.firsts[n] = tree.firsts.load(simd);
            line.seconds[n] = tree.seconds.load(simd);
        }
        line
    }

    /// Takes frame `at` into the first section of the middle split, if there `is_next`, and the one
    /// before it through the second, if there `is_last`.
    #[inline(always)]
    fn first(
        &mut self,
        simd: S,
        frames: &[&[wide::f64x2]; N],
        at: usize,
        is_last: bool,
        is_next: bool,
    ) {
        for (n, frames) in frames.iter().enumerate() {
            let frame = frames.get(at).copied().unwrap_or_default();
            let frame = pair(simd, frame);
            let section = &mut self.middle[n];
            let before = *section;
            let input = joined(self.once[n], frame);
            let (low, band) = section.low_and_band(&self.middle_corner, input);
            if !is_last {
                section.keep_first(&before);
            }
            if !is_next {
                section.keep_second(&before);
            }
            let ((lower, low), (_, band)) = (low.split(), band.split());
            self.halves[n] = joined(lower, self.through[n] - lower);
            (self.once[n], self.through[n]) = (low, frame - band);
        }
    }

    /// Gives each half the all-pass of the other's corner.
    #[inline(always)]
    fn second(&mut self) {
        for n in 0..N {
            let half = self.halves[n];
            let (_, band) = self.delays[n].low_and_band(&self.crosswise, half);
            self.delayed[n] = half - band;
        }
    }

    /// The first sections of the splits of both halves.
    #[inline(always)]
    fn third(&mut self) {
        for n in 0..N {
            let half = self.delayed[n];
            let (low, band) = self.firsts[n].low_and_band(&self.along, half);
            (self.halves_once[n], self.halves_through[n]) = (low, half - band);
        }
    }

    /// The four bands of frame `at`.
    #[inline(always)]
    fn fourth(&mut self, bands: &mut [&mut [BandLanes]; N], at: usize) {
        for (n, bands) in bands.iter_mut().enumerate() {
            let (lower, _) = self.seconds[n].low_and_band(&self.along, self.halves_once[n]);
            let upper = self.halves_through[n] - lower;
            if let Some(bands) = bands.get_mut(at) {
                *bands = [Quad::of(lower), Quad::of(upper)];
            }
        }
    }

    /// What the sections of a signal remember.
    #[inline(always)]
    fn tree(&self, n: usize) -> Tree {
        Tree {
            middle: self.middle[n].store(),
            delays: self.delays[n].store(),
            firsts: self.firsts[n].store(),
            seconds: self.seconds[n].store(),
        }
    }
}
