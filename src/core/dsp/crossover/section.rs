//! The second-order sections that a crossover is made of, two at once.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use std::f64::consts::{PI, SQRT_2};

use fearless_simd::f64x4;
use fearless_simd::prelude::*;

use crate::dsp::biquad::snap_to_zero;
use crate::dsp::quad::{Quad, first_and_second};

/// Coefficients of a section.
#[derive(Clone, Copy, Debug, Default)]
pub struct Corner {
    from_state: f64,
    from_input: f64,
    to_low: f64,
}

impl Corner {
    /// Butterworth sections with their corner at `frequency` cycles per sample.
    pub fn new(frequency: f64) -> Self {
        let g = (PI * frequency).tan();
        let scale = 2.0 / (1.0 + g * (g + SQRT_2));
        Self {
            from_state: scale,
            from_input: scale * SQRT_2 * g,
            to_low: g / (2.0 * SQRT_2),
        }
    }
}

/// Coefficients of [`Sections`] in registers.
#[derive(Clone, Copy)]
pub struct CornerLanes<S: Simd> {
    from_state: f64x4<S>,
    from_input: f64x4<S>,
    to_low: f64x4<S>,
}

impl<S: Simd> CornerLanes<S> {
    /// The first pair of channels at one corner, the second at another.
    #[inline(always)]
    pub fn new(simd: S, first: &Corner, second: &Corner) -> Self {
        Self {
            from_state: Quad::of_two(first.from_state, second.from_state).load(simd),
            from_input: Quad::of_two(first.from_input, second.from_input).load(simd),
            to_low: Quad::of_two(first.to_low, second.to_low).load(simd),
        }
    }
}

/// Two second-order Butterworth sections side by side, for a pair of channels each: state-variable
/// filters with trapezoidal integrators.
///
/// This topology keeps the integrators' contents meaningful while the corner moves (V. Zavalishin,
/// *The Art of VA Filter Design*, ch. 3–4; from memory). Written out with k = √2 and the first
/// integrator scaled by k, so that `2k·band` needs no multiplication.
#[derive(Clone, Copy, Debug)]
pub struct Sections {
    pub(super) band: Quad,
    pub(super) low: Quad,
}

impl Sections {
    /// Sections that have heard nothing.
    pub const SILENT: Self = Self {
        band: Quad::ZERO,
        low: Quad::ZERO,
    };

    /// Has the first section forget what it has heard.
    pub fn silence_first(&mut self) {
        for of in [&mut self.band, &mut self.low] {
            let [_, second] = of.pairs();
            *of = Quad::of_pairs(wide::f64x2::ZERO, second);
        }
    }

    /// What they remember, in registers.
    #[inline(always)]
    pub fn load<S: Simd>(&self, simd: S) -> Running<S> {
        Running {
            band: self.band.load(simd),
            low: self.low.load(simd),
        }
    }

    /// Sets state that has died away to 0, as [`snap_to_zero`](crate::dsp::biquad::snap_to_zero)
    /// does.
    pub fn snap_to_zero(&mut self) {
        let ([mut first_band, mut second_band], [mut first_low, mut second_low]) =
            (self.band.pairs(), self.low.pairs());
        snap_to_zero(&mut first_band, &mut first_low);
        snap_to_zero(&mut second_band, &mut second_low);
        self.band = Quad::of_pairs(first_band, second_band);
        self.low = Quad::of_pairs(first_low, second_low);
    }
}

/// [`Sections`] at work.
#[derive(Clone, Copy)]
pub struct Running<S: Simd> {
    band: f64x4<S>,
    low: f64x4<S>,
}

impl<S: Simd> Running<S> {
    /// The low-passes `1/(s² + √2·s + 1)`, and `2√2` times the band-passes `s/(s² + √2·s + 1)`, of
    /// one frame. The frame less the latter is the all-pass of the corner, which is the phase of a
    /// Linkwitz-Riley pair.
    #[inline(always)]
    pub fn low_and_band(&mut self, c: &CornerLanes<S>, x: f64x4<S>) -> (f64x4<S>, f64x4<S>) {
        let band = c.from_state * self.band + c.from_input * (x - self.low);
        let rise = c.to_low * band;
        let low = self.low + rise;
        self.band = band - self.band;
        self.low = low + rise;
        (low, band)
    }

    /// Has the first section be what it was in `before`, as though it had not heard the frame.
    #[inline(always)]
    pub fn keep_first(&mut self, before: &Self) {
        self.band = first_and_second(before.band, self.band);
        self.low = first_and_second(before.low, self.low);
    }

    /// The same of the second.
    #[inline(always)]
    pub fn keep_second(&mut self, before: &Self) {
        self.band = first_and_second(self.band, before.band);
        self.low = first_and_second(self.low, before.low);
    }

    /// What they remember, in memory.
    #[inline(always)]
    pub fn store(self) -> Sections {
        Sections {
            band: Quad::of(self.band),
            low: Quad::of(self.low),
        }
    }
}
