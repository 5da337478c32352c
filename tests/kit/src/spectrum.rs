//! Fourier transforms for the tests, in double precision.
//!
//! The library behind them is generic: used directly, it would be compiled anew into every test,
//! which takes half a minute each.

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// From `len` real samples to their spectrum, lines 0 to `len/2`, not scaled.
pub fn forward(len: usize) -> Arc<dyn RealToComplex<f64>> {
    RealFftPlanner::new().plan_fft_forward(len)
}

/// From such a spectrum to `len` real samples, `len` times as large.
pub fn inverse(len: usize) -> Arc<dyn ComplexToReal<f64>> {
    RealFftPlanner::new().plan_fft_inverse(len)
}
