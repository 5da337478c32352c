//! Spectra for the tests, in double precision: the library's Fourier transforms (`realfft`), planned
//! where that is compiled once, and a steep high-pass.

use crestline_transforms::{forward_f64, inverse_f64};
use realfft::{ComplexToReal, RealToComplex};
use std::f64::consts::{PI, TAU};
use std::ops::Range;
use std::sync::Arc;

/// From `len` real samples to their spectrum, lines 0 to `len/2`, not scaled.
pub fn forward(len: usize) -> Arc<dyn RealToComplex<f64>> {
    forward_f64(len)
}

/// From such a spectrum to `len` real samples, `len` times as large.
pub fn inverse(len: usize) -> Arc<dyn ComplexToReal<f64>> {
    inverse_f64(len)
}

/// Highest level above 2 kHz between two frames, dBFS: a high-pass of eighth order (Butterworth, its
/// sections by R. Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter coefficients").
pub fn above_2_khz_dbfs(sample_rate_hz: f64, signal: &[f32], range: Range<usize>) -> f64 {
    let mut signal: Vec<f64> = signal.iter().map(|x| f64::from(*x)).collect();
    let (sin, cos) = (TAU * 2_000.0 / sample_rate_hz).sin_cos();
    for section in 0..4 {
        // sin w / 2Q, with 1/Q = 2·cos of the pole's angle.
        let alpha = sin * (PI * f64::from(2 * section + 1) / 16.0).cos();
        let (mut x, mut y) = ([0.0; 2], [0.0; 2]);
        for sample in &mut signal {
            let now = *sample;
            let through = f64::midpoint(1.0, cos) * (now - 2.0 * x[0] + x[1]) + 2.0 * cos * y[0]
                - (1.0 - alpha) * y[1];
            *sample = through / (1.0 + alpha);
            (x, y) = ([now, x[0]], [*sample, y[0]]);
        }
    }
    let peak = signal[range]
        .iter()
        .fold(0.0_f64, |peak, x| peak.max(x.abs()));
    20.0 * peak.log10()
}
