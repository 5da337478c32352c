//! The gains of four bands, given to the signal itself: a shelf at each crossover.
//!
//! A Linkwitz-Riley pair whose low band has the gain `a` and whose high band has the gain `b` adds
//! up to `(a + b·s⁴)/(s² + √2·s + 1)²`: the magnitude `(a + b·r⁴)/(1 + r⁴)` behind an all-pass,
//! which turns phases even where `a = b`. With `c⁴ = a/b` the same magnitude is that of
//!
//! ```text
//! b·H,  H = ((s² + √2·c·s + c²)/(s² + √2·s + 1))²,  |H(jr)| = (c⁴ + r⁴)/(1 + r⁴)
//! ```
//!
//! whose zeros all lie to the left: no filter of that magnitude turns phases less, and with equal
//! gains it is no filter at all. Three of them, one a crossover, and the gain of the top band make
//! the gains of four bands.
//!
//! Written as a sum over the low-pass `L` and the band-pass `B` of the denominator,
//!
//! ```text
//! H = 1 + d·(2√2·B + 4c·L + d·(2√2·c·B·L + (c² + 2c − 1)·L²)),  d = c − 1
//! ```
//!
//! the gains only weigh the outputs of filters that know nothing of them: a gain acts at once,
//! however fast it moves, and at `c = 1` a frame passes as it is. The lowest crossover comes first,
//! for what one shelf has changed is remembered by the next for about half a period of the next
//! one's corner.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use fearless_simd::{Simd, SimdBase, SimdCombine, f64x4};
use wide::{f32x4, f64x2};

use super::gain::exp2_on;
use crate::dsp::crossover::{Corner, CornerLanes, Corners, Running, Sections};
use crate::dsp::quad::{Level, Quad, dispatch, joined};
use crate::dsp::run::MAX_RUN;

/// The shelves and their state, for two stereo signals (mono: one lane) at the same corners, each
/// with gains of its own.
#[derive(Clone, Debug)]
pub(super) struct BandShelves {
    level: Level,
    corners: Corners,
    /// Both sections of each; a lane a channel of either signal.
    shelves: [[Sections; 2]; 3],
    /// Gains of the four bands in log₂ units, low to high, of both signals for each of the next
    /// frames: to be written before they are filtered.
    pub gains: [[f32x4; 2]; MAX_RUN],
    /// Scratch: fourth roots of what each shelf does, and the gain of the top band in the last lane.
    roots: [[[f64; 4]; 2]; MAX_RUN],
}

/// One shelf at work, and the frame that is half-way through: as it was, and what the first section
/// has made of it.
struct Shelf<S: Simd> {
    sections: [Running<S>; 2],
    corner: CornerLanes<S>,
    x: f64x4<S>,
    once: f64x4<S>,
    band: f64x4<S>,
}

impl BandShelves {
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            level: Level::new(),
            corners: Corners::new(sample_rate_hz),
            shelves: [[Sections::SILENT; 2]; 3],
            gains: [[f32x4::ZERO; 2]; MAX_RUN],
            roots: [[[1.0; 4]; 2]; MAX_RUN],
        }
    }

    /// Forgets the signals and takes these corners, in Hz, at once.
    pub fn reset(&mut self, corners_hz: [f64; 3]) {
        self.corners.reset(corners_hz);
        self.shelves = [[Sections::SILENT; 2]; 3];
    }

    /// Forgets the first signal.
    pub fn reset_first(&mut self) {
        for sections in self.shelves.iter_mut().flatten() {
            sections.silence_first();
        }
    }

    /// Moves the corners, in Hz, low to high; takes 50 ms.
    pub fn set_corners(&mut self, corners_hz: [f64; 3]) {
        self.corners.set(corners_hz);
    }

    /// Counts up to `most` frames (at least 1) over which the corners stand still; returns how many
    /// those are, and whether it was time to look for what has died away: then it is one.
    #[inline]
    pub fn advance(&mut self, most: usize) -> (usize, bool) {
        let (frames, is_time) = self.corners.advance_run(most);
        if is_time {
            for sections in self.shelves.iter_mut().flatten() {
                sections.snap_to_zero();
            }
        }
        (frames, is_time)
    }

    /// Gives frames of both signals that [`advance`](Self::advance) has counted, at most
    /// [`MAX_RUN`], the [`gains`](Self::gains). Where all four are 0 a frame stays as it is to the
    /// last bit.
    pub fn filter(&mut self, first: &mut [f64x2], second: &mut [f64x2]) {
        dispatch!(self.level, simd => self.filter_on(simd, first, second));
    }

    /// The steps of one frame wait for each other, and a processor can only look so far ahead for
    /// work of the next. So each round takes every section once, each on a later frame than the one
    /// after it: none of them waits.
    #[inline(always)]
    fn filter_on<S: Simd>(&mut self, simd: S, first: &mut [f64x2], second: &mut [f64x2]) {
        let count = first.len().min(second.len()).min(MAX_RUN);
        let (first, second) = (&mut first[..count], &mut second[..count]);
        let (gains, roots) = (&self.gains[..count], &mut self.roots[..count]);
        for (roots, gains) in roots.iter_mut().zip(gains) {
            *roots = roots_of(simd, gains);
        }
        let roots = &*roots;
        let corners = self.corners.values();
        let mut low = Shelf::new(simd, &self.shelves[0], &corners[0]);
        let mut middle = Shelf::new(simd, &self.shelves[1], &corners[1]);
        let mut high = Shelf::new(simd, &self.shelves[2], &corners[2]);
        let mut through = [f64x4::splat(simd, 0.0); 2];
        // What a section takes that comes so many rounds after the first.
        let of = |round: usize, later: usize| roots.get(round.wrapping_sub(later));
        let passed = |round: usize, later: usize, frame: f64x4<S>| {
            (round.wrapping_sub(later) < count).then_some(frame)
        };
        for round in 0..count + 5 {
            let y = high.step::<2>(simd, passed(round, 4, through[1]), of(round, 5));
            let at = round.wrapping_sub(5);
            if let (Some(roots), Some(gains)) = (of(round, 5), gains.get(at)) {
                let y = y * weight::<S, 3>(simd, roots);
                let [y_first, y_second] = Quad::of(y).pairs();
                if gains[0] != f32x4::ZERO
                    && let Some(frame) = first.get_mut(at)
                {
                    *frame = y_first;
                }
                if gains[1] != f32x4::ZERO
                    && let Some(frame) = second.get_mut(at)
                {
                    *frame = y_second;
                }
            }
            through[1] = middle.step::<1>(simd, passed(round, 2, through[0]), of(round, 3));
            let next = first.get(round).zip(second.get(round));
            let next = next.map(|(first, second)| {
                let [first, second] =
                    [first, second].map(|frame| simd.load_array_f64x2(frame.to_array()));
                joined(first, second)
            });
            through[0] = low.step::<0>(simd, next, of(round, 1));
        }
        self.shelves = [low.store(), middle.store(), high.store()];
    }
}

/// The fourth roots of what each shelf does, and the gain of the top band, for both signals.
#[inline(always)]
fn roots_of<S: Simd>(simd: S, [first, second]: &[f32x4; 2]) -> [[f64; 4]; 2] {
    let [first, second] = [first, second].map(|gains| simd.load_array_f32x4(gains.to_array()));
    let gains = first.combine(second);
    // The top band has none above it, and its gain is no root.
    let above = simd.slide_within_blocks_f32x8::<1>(gains, simd.splat_f32x8(0.0));
    let shares = simd.load_array_f32x8([0.25, 0.25, 0.25, 1.0, 0.25, 0.25, 0.25, 1.0]);
    let roots: [f32; 8] = exp2_on(simd, (gains - above) * shares).into();
    let [a, b, c, d, e, f, g, h] = roots.map(f64::from);
    [[a, b, c, d], [e, f, g, h]]
}

/// Lane `SHELF` of the roots of both signals, for two channels each.
#[inline(always)]
fn weight<S: Simd, const SHELF: usize>(simd: S, [first, second]: &[[f64; 4]; 2]) -> f64x4<S> {
    Quad::of_two(first[SHELF], second[SHELF]).load(simd)
}

impl<S: Simd> Shelf<S> {
    #[inline(always)]
    fn new(simd: S, [first, second]: &[Sections; 2], corner: &Corner) -> Self {
        let none = f64x4::splat(simd, 0.0);
        Self {
            sections: [first.load(simd), second.load(simd)],
            corner: CornerLanes::new(simd, corner, corner),
            x: none,
            once: none,
            band: none,
        }
    }

    /// Takes the next frame half the way through `H`, and the frame before it, if there are roots
    /// for it, the other half; returns that one.
    #[inline(always)]
    fn step<const SHELF: usize>(
        &mut self,
        simd: S,
        next: Option<f64x4<S>>,
        roots: Option<&[[f64; 4]; 2]>,
    ) -> f64x4<S> {
        let [first, second] = &mut self.sections;
        let mut y = self.x;
        if let Some(roots) = roots {
            let (twice, band_of_low) = second.low_and_band(&self.corner, self.once);
            let c = weight::<S, SHELF>(simd, roots);
            let d = c - 1.0;
            let inner = c * (band_of_low + (c + 2.0) * twice) - twice;
            y += d * (self.band + c * (self.once * 4.0) + d * inner);
        }
        if let Some(next) = next {
            let (once, band) = first.low_and_band(&self.corner, next);
            (self.x, self.once, self.band) = (next, once, band);
        }
        y
    }

    #[inline(always)]
    fn store(self) -> [Sections; 2] {
        let [first, second] = self.sections;
        [first.store(), second.store()]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_level_filters_alike() {
        let mut told = Vec::new();
        for level in crate::dsp::quad::levels() {
            let mut shelves = BandShelves::new(44_100.0);
            shelves.level = level;
            let mut heard = Vec::new();
            let mut frames: Vec<f64x2> = (0..4000_usize)
                .map(|n| f64x2::new([(n % 37) as f64 - 18.0, (n * n % 29) as f64 / 7.0]))
                .collect();
            let (mut rest, mut length) = (&mut frames[..], 1);
            while !rest.is_empty() {
                let (count, _) = shelves.advance(rest.len().min(length));
                for (n, gains) in shelves.gains.iter_mut().enumerate().take(count) {
                    let of = |low: f32| f32x4::new([low, (n % 7) as f32 * 0.1, 0.0, -2.0]);
                    *gains = [of(-0.5), of(0.25)];
                }
                let (run, later) = rest.split_at_mut(count);
                let mut beside: Vec<_> = run.iter().map(|frame| *frame * 0.5).collect();
                shelves.filter(run, &mut beside);
                heard.extend(run.iter().chain(&beside).map(|frame| frame.to_array()));
                (rest, length) = (later, length % MAX_RUN + 1);
            }
            told.push(heard);
        }
        assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
    }
}
