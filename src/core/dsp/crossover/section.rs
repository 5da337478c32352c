//! The second-order sections that a crossover is made of, for several signals in step.

use std::f64::consts::{PI, SQRT_2};

use wide::f64x2;

use crate::dsp::biquad::snap_to_zero;

/// Coefficients of a [`Section`], the same in both lanes.
#[derive(Clone, Copy, Debug, Default)]
pub struct Corner {
    from_state: f64x2,
    from_input: f64x2,
    to_low: f64x2,
}

impl Corner {
    /// Butterworth sections with their corner at `frequency` cycles per sample.
    pub fn new(frequency: f64) -> Self {
        let g = (PI * frequency).tan();
        let scale = 2.0 / (1.0 + g * (g + SQRT_2));
        Self {
            from_state: f64x2::splat(scale),
            from_input: f64x2::splat(scale * SQRT_2 * g),
            to_low: f64x2::splat(g / (2.0 * SQRT_2)),
        }
    }
}

/// A second-order Butterworth section: state-variable filter with trapezoidal integrators.
///
/// This topology keeps the integrators' contents meaningful while the corner moves (V. Zavalishin,
/// *The Art of VA Filter Design*, ch. 3–4; from memory). Written out with k = √2 and the first
/// integrator scaled by k, so that `2k·band` needs no multiplication.
#[derive(Clone, Copy, Debug)]
pub struct Section<const SIGNALS: usize> {
    pub(super) band: [f64x2; SIGNALS],
    pub(super) low: [f64x2; SIGNALS],
}

impl<const SIGNALS: usize> Section<SIGNALS> {
    /// A section that has heard nothing.
    pub const SILENT: Self = Self {
        band: [f64x2::ZERO; SIGNALS],
        low: [f64x2::ZERO; SIGNALS],
    };

    /// The low-pass `1/(s² + √2·s + 1)`, and `2√2` times the band-pass `s/(s² + √2·s + 1)` of one
    /// frame of the first `N` signals.
    #[inline]
    pub fn low_and_band<const N: usize>(
        &mut self,
        c: &Corner,
        x: [f64x2; N],
    ) -> ([f64x2; N], [f64x2; N]) {
        let (mut lows, mut bands) = (x, x);
        for n in 0..N {
            let band = c.from_state * self.band[n] + c.from_input * (x[n] - self.low[n]);
            let rise = c.to_low * band;
            let low = self.low[n] + rise;
            self.band[n] = band - self.band[n];
            self.low[n] = low + rise;
            (lows[n], bands[n]) = (low, band);
        }
        (lows, bands)
    }

    /// The low-pass, and the all-pass of the same corner, which is the phase of a Linkwitz-Riley
    /// pair: `1 − 2√2` times the band-pass.
    #[inline]
    pub fn low_and_all_pass<const N: usize>(
        &mut self,
        c: &Corner,
        x: [f64x2; N],
    ) -> ([f64x2; N], [f64x2; N]) {
        let (lows, bands) = self.low_and_band(c, x);
        (lows, std::array::from_fn(|n| x[n] - bands[n]))
    }

    /// Sets state that has died away to 0, as [`snap_to_zero`](crate::dsp::biquad::snap_to_zero)
    /// does.
    pub fn snap_to_zero(&mut self) {
        for (band, low) in self.band.iter_mut().zip(&mut self.low) {
            snap_to_zero(band, low);
        }
    }
}

/// A Linkwitz-Riley pair of fourth order.
#[derive(Clone, Copy, Debug)]
pub(super) struct Split<const SIGNALS: usize> {
    pub first: Section<SIGNALS>,
    pub second: Section<SIGNALS>,
}

impl<const SIGNALS: usize> Split<SIGNALS> {
    pub const SILENT: Self = Self {
        first: Section::SILENT,
        second: Section::SILENT,
    };

    /// What is below the corner and what is above it, of what its first section has made.
    #[inline]
    pub fn finish<const N: usize>(
        &mut self,
        c: &Corner,
        once: [f64x2; N],
        all_pass: [f64x2; N],
    ) -> [[f64x2; N]; 2] {
        let (low, _) = self.second.low_and_all_pass(c, once);
        // The pair adds up to the all-pass, so the upper band needs no filters of its own.
        [low, std::array::from_fn(|n| all_pass[n] - low[n])]
    }
}
