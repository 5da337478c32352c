//! Fourier transforms for the tests, in double precision: the library's (`realfft`), planned where
//! that is compiled once.

use crestline_transforms::{forward_f64, inverse_f64};
use realfft::{ComplexToReal, RealToComplex};
use std::sync::Arc;

/// From `len` real samples to their spectrum, lines 0 to `len/2`, not scaled.
pub fn forward(len: usize) -> Arc<dyn RealToComplex<f64>> {
    forward_f64(len)
}

/// From such a spectrum to `len` real samples, `len` times as large.
pub fn inverse(len: usize) -> Arc<dyn ComplexToReal<f64>> {
    inverse_f64(len)
}
