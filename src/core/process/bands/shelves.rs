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

use wide::{f32x4, f64x2};

use super::gain::exp2;
use crate::dsp::biquad::MAX_RUN;
use crate::dsp::crossover::{Corner, Corners, Section};

/// The shelves and their state, for a stereo signal (mono: one lane).
#[derive(Clone, Debug)]
pub(super) struct BandShelves {
    corners: Corners,
    shelves: [Shelf; 3],
    /// Gains of the four bands in log₂ units, low to high, for each of the next frames: to be
    /// written before they are filtered.
    pub gains: [f32x4; MAX_RUN],
    /// Scratch: the fourth roots of what each shelf does, and the gain of the top band.
    weights: [[f64; 4]; MAX_RUN],
}

#[derive(Clone, Copy, Debug)]
struct Shelf {
    first: Section<1>,
    second: Section<1>,
}

/// A frame half-way through a shelf: as it was, and what the first section has made of it.
#[derive(Clone, Copy, Debug, Default)]
struct Half {
    x: f64x2,
    once: f64x2,
    band: f64x2,
}

impl BandShelves {
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            corners: Corners::new(sample_rate_hz),
            shelves: [Shelf::SILENT; 3],
            gains: [f32x4::ZERO; MAX_RUN],
            weights: [[1.0; 4]; MAX_RUN],
        }
    }

    /// Forgets the signal and takes these corners, in Hz, at once.
    pub fn reset(&mut self, corners_hz: [f64; 3]) {
        self.corners.reset(corners_hz);
        self.shelves = [Shelf::SILENT; 3];
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
            for Shelf { first, second } in &mut self.shelves {
                first.snap_to_zero();
                second.snap_to_zero();
            }
        }
        (frames, is_time)
    }

    /// Gives frames that [`advance`](Self::advance) has counted, at most [`MAX_RUN`], the
    /// [`gains`](Self::gains). Where all four are 0 a frame stays as it is to the last bit.
    ///
    /// The steps of one frame wait for each other, and a processor can only look so far ahead for
    /// work of the next. So each round takes every step once, each on a later frame than the one
    /// after it: none of them waits.
    pub fn filter(&mut self, frames: &mut [f64x2]) {
        let count = frames.len().min(MAX_RUN);
        let (gains, weights) = (&self.gains, &mut self.weights);
        for (weights, gains) in weights.iter_mut().zip(gains).take(count) {
            let [g0, g1, g2, g3] = gains.to_array();
            let roots = f32x4::new([0.25 * (g0 - g1), 0.25 * (g1 - g2), 0.25 * (g2 - g3), g3]);
            *weights = exp2(roots).to_array().map(f64::from);
        }
        let corners = *self.corners.values();
        let [low, middle, high] = &mut self.shelves;
        let mut halves = [Half::default(); 3];
        let mut through = [f64x2::ZERO; 2];
        let weights = &self.weights[..count];
        // What a step takes that comes so many rounds after the first.
        let of = |round: usize, later: usize| weights.get(round.wrapping_sub(later));
        for round in 0..count + 5 {
            if let (Some([_, _, c2, top]), Some(gains), Some(frame)) = (
                of(round, 5),
                gains.get(round.wrapping_sub(5)),
                frames.get_mut(round.wrapping_sub(5)),
            ) {
                let y = high.second(&corners[2], halves[2], *c2);
                if *gains != f32x4::ZERO {
                    *frame = y * f64x2::splat(*top);
                }
            }
            if of(round, 4).is_some() {
                halves[2] = high.first(&corners[2], through[1]);
            }
            if let Some([_, c1, ..]) = of(round, 3) {
                through[1] = middle.second(&corners[1], halves[1], *c1);
            }
            if of(round, 2).is_some() {
                halves[1] = middle.first(&corners[1], through[0]);
            }
            if let Some([c0, ..]) = of(round, 1) {
                through[0] = low.second(&corners[0], halves[0], *c0);
            }
            if let (Some(_), Some(frame)) = (of(round, 0), frames.get(round)) {
                halves[0] = low.first(&corners[0], *frame);
            }
        }
    }
}

impl Shelf {
    const SILENT: Self = Self {
        first: Section::SILENT,
        second: Section::SILENT,
    };

    /// The first half of the way of one frame through `H`.
    #[inline]
    fn first(&mut self, corner: &Corner, x: f64x2) -> Half {
        let ([once], [band]) = self.first.low_and_band(corner, [x]);
        Half { x, once, band }
    }

    /// The other half, with `c`, the fourth root of the gain below over the gain above.
    #[inline]
    fn second(&mut self, corner: &Corner, Half { x, once, band }: Half, c: f64) -> f64x2 {
        let ([twice], [band_of_low]) = self.second.low_and_band(corner, [once]);
        let d = f64x2::splat(c - 1.0);
        let inner = f64x2::splat(c) * band_of_low + f64x2::splat(c * (c + 2.0) - 1.0) * twice;
        x + d * (band + f64x2::splat(4.0 * c) * once + d * inner)
    }
}
