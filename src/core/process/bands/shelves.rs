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
use crate::dsp::crossover::{Corner, Corners, Section};

/// The shelves and their state, for a stereo signal (mono: one lane).
#[derive(Clone, Debug)]
pub(super) struct BandShelves {
    corners: Corners,
    shelves: [Shelf; 3],
}

#[derive(Clone, Copy, Debug)]
struct Shelf {
    first: Section<1>,
    second: Section<1>,
}

impl BandShelves {
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            corners: Corners::new(sample_rate_hz),
            shelves: [Shelf::SILENT; 3],
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

    /// One frame with the gains of the four bands, in log₂ units, low to high; and whether it is
    /// time to look for what has died away. Where all four are 0 the frame stays as it is to the
    /// last bit.
    #[inline]
    pub fn step(&mut self, frame: f64x2, gains: f32x4) -> (f64x2, bool) {
        let is_time = self.corners.advance();
        if is_time {
            for Shelf { first, second } in &mut self.shelves {
                first.snap_to_zero();
                second.snap_to_zero();
            }
        }
        let [g0, g1, g2, g3] = gains.to_array();
        let roots = f32x4::new([0.25 * (g0 - g1), 0.25 * (g1 - g2), 0.25 * (g2 - g3), g3]);
        let [c0, c1, c2, top] = exp2(roots).to_array().map(f64::from);
        let [low, middle, high] = self.corners.values();
        let [first, second, third] = &mut self.shelves;
        let y = first.step(low, frame, c0);
        let y = second.step(middle, y, c1);
        let y = third.step(high, y, c2) * f64x2::splat(top);
        (if gains == f32x4::ZERO { frame } else { y }, is_time)
    }
}

impl Shelf {
    const SILENT: Self = Self {
        first: Section::SILENT,
        second: Section::SILENT,
    };

    /// One frame through `H` with `c`, the fourth root of the gain below over the gain above.
    #[inline]
    fn step(&mut self, corner: &Corner, x: f64x2, c: f64) -> f64x2 {
        let ([once], [band]) = self.first.low_and_band(corner, [x]);
        let ([twice], [band_of_low]) = self.second.low_and_band(corner, [once]);
        let d = f64x2::splat(c - 1.0);
        let inner = f64x2::splat(c) * band_of_low + f64x2::splat(c * (c + 2.0) - 1.0) * twice;
        x + d * (band + f64x2::splat(4.0 * c) * once + d * inner)
    }
}
