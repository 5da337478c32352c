//! The yardstick: the `ebur128` crate with all its measures.

#![expect(clippy::expect_used, reason = "the library takes 48 kHz stereo")]

use super::figures::seconds;
use super::programme::{RATE_HZ, blocks};
use ebur128::{EbuR128, Mode};
use std::hint::black_box;

/// Seconds that one pass over stereo programme takes, in blocks of `block` frames, with its results
/// read once at the end.
pub fn pass(programme: &[Vec<f32>; 2], block: usize) -> f64 {
    let mut meter = EbuR128::new(2, RATE_HZ, Mode::all()).expect("a known rate");
    seconds(|| {
        for block in blocks(programme, block) {
            meter
                .add_frames_planar_f32(&block)
                .expect("two planar channels");
        }
        black_box(meter.loudness_global().ok());
        black_box(meter.loudness_range().ok());
        black_box(meter.true_peak(0).ok());
    })
}
