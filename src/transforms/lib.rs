//! Plans of Fourier transforms.
//!
//! The libraries behind them are generic: 2 MB of machine code for two precisions, compiled into
//! every crate that makes a plan, which was more than half of the engine, and once more into its
//! unit tests and into what the tests share. What is planned here is compiled once. Running a plan
//! goes through `dyn` and compiles nothing.
//!
//! The spectrum of `len` real samples has the lines 0 to `len/2`. Nothing is scaled: there and back
//! again is `len` times what it was. Planning allocates; running a plan does not, given the scratch
//! memory that it asks for.

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// From `len` real samples in single precision to their spectrum.
pub fn forward_f32(len: usize) -> Arc<dyn RealToComplex<f32>> {
    RealFftPlanner::new().plan_fft_forward(len)
}

/// From such a spectrum to `len` real samples in single precision.
pub fn inverse_f32(len: usize) -> Arc<dyn ComplexToReal<f32>> {
    RealFftPlanner::new().plan_fft_inverse(len)
}

/// From `len` real samples in double precision to their spectrum.
pub fn forward_f64(len: usize) -> Arc<dyn RealToComplex<f64>> {
    RealFftPlanner::new().plan_fft_forward(len)
}

/// From such a spectrum to `len` real samples in double precision.
pub fn inverse_f64(len: usize) -> Arc<dyn ComplexToReal<f64>> {
    RealFftPlanner::new().plan_fft_inverse(len)
}

/// From `len` complex samples in single precision to their spectrum, lines 0 to `len − 1`.
pub fn forward_complex_f32(len: usize) -> Arc<dyn Fft<f32>> {
    FftPlanner::new().plan_fft_forward(len)
}
