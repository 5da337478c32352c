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

use fearless_simd::{Simd, SimdBase, SimdSplit};
use wide::{f32x4, f64x2};

use super::gain::exp2;
use crate::dsp::biquad::MAX_RUN;
use crate::dsp::crossover::{Corner, CornerLanes, Corners, Running, Sections};
use crate::dsp::quad::{Level, Quad, dispatch, joined};

/// The shelves and their state, for a stereo signal (mono: one lane).
#[derive(Clone, Debug)]
pub(super) struct BandShelves {
    level: Level,
    corners: Corners,
    /// The second section of each, and the first, which is a frame ahead.
    shelves: [Sections; 3],
    /// Gains of the four bands in log₂ units, low to high, for each of the next frames: to be
    /// written before they are filtered.
    pub gains: [f32x4; MAX_RUN],
    /// Scratch.
    weights: [Weights; MAX_RUN],
}

/// What the outputs of the filters of one frame are weighed with, a lane a shelf.
///
/// `c` are the fourth roots of what each shelf does, and the gain of the top band in the last lane.
#[derive(Clone, Copy, Debug, Default)]
struct Weights {
    c: Quad,
    /// `c − 1`.
    d: Quad,
    /// `4c`.
    once: Quad,
    /// `c² + 2c − 1`.
    twice: Quad,
}

/// One shelf at work, and the frame that is half-way through: as it was, and what the first section
/// has made of it.
#[derive(Clone, Copy)]
struct Shelf<S: Simd> {
    sections: Running<S>,
    corner: CornerLanes<S>,
    x: fearless_simd::f64x2<S>,
    once: fearless_simd::f64x2<S>,
    band: fearless_simd::f64x2<S>,
}

impl BandShelves {
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            level: Level::new(),
            corners: Corners::new(sample_rate_hz),
            shelves: [Sections::SILENT; 3],
            gains: [f32x4::ZERO; MAX_RUN],
            weights: [Weights::default(); MAX_RUN],
        }
    }

    /// Forgets the signal and takes these corners, in Hz, at once.
    pub fn reset(&mut self, corners_hz: [f64; 3]) {
        self.corners.reset(corners_hz);
        self.shelves = [Sections::SILENT; 3];
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
            for shelf in &mut self.shelves {
                shelf.snap_to_zero();
            }
        }
        (frames, is_time)
    }

    /// Gives frames that [`advance`](Self::advance) has counted, at most [`MAX_RUN`], the
    /// [`gains`](Self::gains). Where all four are 0 a frame stays as it is to the last bit.
    pub fn filter(&mut self, frames: &mut [f64x2]) {
        dispatch!(self.level, simd => self.filter_on(simd, frames));
    }

    /// The steps of one frame wait for each other, and a processor can only look so far ahead for
    /// work of the next. So each round takes every step once, each on a later frame than the one
    /// after it: none of them waits, and the two sections of a shelf are taken as one.
    #[inline(always)]
    fn filter_on<S: Simd>(&mut self, simd: S, frames: &mut [f64x2]) {
        let count = frames.len().min(MAX_RUN);
        let frames = &mut frames[..count];
        let (gains, weights) = (&self.gains, &mut self.weights);
        for (weights, gains) in weights.iter_mut().zip(gains).take(count) {
            *weights = Weights::new(simd, *gains);
        }
        let weights = &self.weights[..count];
        let corners = self.corners.values();
        let mut low = Shelf::new(simd, &self.shelves[0], &corners[0]);
        let mut middle = Shelf::new(simd, &self.shelves[1], &corners[1]);
        let mut high = Shelf::new(simd, &self.shelves[2], &corners[2]);
        let none = fearless_simd::f64x2::splat(simd, 0.0);
        let mut through = [none; 2];
        // What a section takes that comes so many rounds after the first.
        let of = |round: usize, later: usize| weights.get(round.wrapping_sub(later));
        let takes = |round: usize, later: usize| round.wrapping_sub(later) < count;
        for round in 0..count + 5 {
            let at = round.wrapping_sub(5);
            // In most rounds every section has its frame.
            if let Some([done, _, second, _, first, ..]) = weights.get(at..)
                && let (Some(gains), Some(frame)) = (gains.get(at), frames.get(round))
            {
                let next = simd.load_array_f64x2(frame.to_array());
                let y = high.step::<2>(through[1], Some(done), true);
                through[1] = middle.step::<1>(through[0], Some(second), true);
                through[0] = low.step::<0>(next, Some(first), true);
                if let Some(frame) = frames.get_mut(at)
                    && *gains != f32x4::ZERO
                {
                    *frame = f64x2::new((y * done.c.0[3]).into());
                }
                continue;
            }
            if takes(round, 5) || takes(round, 4) {
                let done = of(round, 5);
                let y = high.step::<2>(through[1], done, takes(round, 4));
                if let (Some(done), Some(gains), Some(frame)) =
                    (done, gains.get(at), frames.get_mut(at))
                    && *gains != f32x4::ZERO
                {
                    *frame = f64x2::new((y * done.c.0[3]).into());
                }
            }
            if takes(round, 3) || takes(round, 2) {
                through[1] = middle.step::<1>(through[0], of(round, 3), takes(round, 2));
            }
            if takes(round, 1) || takes(round, 0) {
                let frame = frames.get(round).copied().unwrap_or_default().to_array();
                let next = simd.load_array_f64x2(frame);
                through[0] = low.step::<0>(next, of(round, 1), takes(round, 0));
            }
        }
        self.shelves = [
            low.sections.store(),
            middle.sections.store(),
            high.sections.store(),
        ];
    }
}

impl Weights {
    #[inline(always)]
    fn new<S: Simd>(simd: S, gains: f32x4) -> Self {
        let [g0, g1, g2, g3] = gains.to_array();
        let roots = f32x4::new([0.25 * (g0 - g1), 0.25 * (g1 - g2), 0.25 * (g2 - g3), g3]);
        let c = Quad(exp2(roots).to_array().map(f64::from));
        let lanes = c.load(simd);
        Self {
            c,
            d: Quad::of(lanes - 1.0),
            once: Quad::of(lanes * 4.0),
            twice: Quad::of(lanes * (lanes + 2.0) - 1.0),
        }
    }
}

impl<S: Simd> Shelf<S> {
    #[inline(always)]
    fn new(simd: S, sections: &Sections, corner: &Corner) -> Self {
        let none = fearless_simd::f64x2::splat(simd, 0.0);
        Self {
            sections: sections.load(simd),
            corner: CornerLanes::new(simd, corner, corner),
            x: none,
            once: none,
            band: none,
        }
    }

    /// Takes a frame half the way through `H`, if there `is_next`, and the frame before it the
    /// other half, if there are weights for it; returns that one.
    #[inline(always)]
    fn step<const SHELF: usize>(
        &mut self,
        next: fearless_simd::f64x2<S>,
        weights: Option<&Weights>,
        is_next: bool,
    ) -> fearless_simd::f64x2<S> {
        let before = self.sections;
        let (lows, bands) = self
            .sections
            .low_and_band(&self.corner, joined(self.once, next));
        if !is_next {
            self.sections.keep_second(&before);
        }
        let ((twice, once), (band_of_low, band)) = (lows.split(), bands.split());
        let y = if let Some(Weights {
            c: Quad(c),
            d: Quad(d),
            once: Quad(of_once),
            twice: Quad(of_twice),
        }) = weights
        {
            let inner = band_of_low * c[SHELF] + twice * of_twice[SHELF];
            self.x + (self.band + self.once * of_once[SHELF] + inner * d[SHELF]) * d[SHELF]
        } else {
            self.sections.keep_first(&before);
            next
        };
        (self.x, self.once, self.band) = (next, once, band);
        y
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
                    *gains = f32x4::new([-0.5, (n % 7) as f32 * 0.1, 0.0, -2.0]);
                }
                let (run, later) = rest.split_at_mut(count);
                shelves.filter(run);
                heard.extend(run.iter().map(|frame| frame.to_array()));
                (rest, length) = (later, length % MAX_RUN + 1);
            }
            told.push(heard);
        }
        assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
    }
}
