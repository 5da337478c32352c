//! Whether what stands between two signals stays what it is.
//!
//! A device that is fixed but for gains leaves the filtered signal and the one after in phase, at
//! any moment, at every frequency; noise and distortion turn the phase this way and that. A delay
//! that moves, and so a chorus, turns the phase of a whole band of frequencies at once.

use crestline_transforms::forward_f64;
use realfft::num_complex::Complex64;
use std::f64::consts::PI;

/// A window, seconds; rounded up to a power of two in frames.
const WINDOW_S: f64 = 0.06;
/// Bands of a third of an octave from here to there, Hz.
const LOWEST_HZ: f64 = 250.0;
const HIGHEST_HZ: f64 = 12_000.0;

/// Energies of the signal after in the bands looked at, of the part of it that is in step with the
/// signal before window by window, and of the part that is a quarter of a turn off.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Phases {
    pub all: f64,
    pub in_step: f64,
    pub across: f64,
}

impl Phases {
    /// Adds a stretch.
    pub fn add(&mut self, sample_rate_hz: f64, before: &[Vec<f32>], after: &[Vec<f32>]) {
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let length = ((WINDOW_S * sample_rate_hz) as usize).next_power_of_two();
        let forward = forward_f64(length);
        let window: Vec<f64> = (0..length)
            .map(|n| (PI * (n as f64 + 0.5) / length as f64).sin().powi(2))
            .collect();
        let (mut time, mut x) = (vec![0.0; length], forward.make_output_vec());
        let mut y = forward.make_output_vec();
        let bin_hz = sample_rate_hz / length as f64;
        let highest_hz = HIGHEST_HZ.min(0.45 * sample_rate_hz);
        let mut edges = Vec::new();
        let mut edge_hz = LOWEST_HZ;
        while edge_hz < highest_hz {
            #[expect(clippy::cast_sign_loss, reason = "a frequency is positive")]
            edges.push((edge_hz / bin_hz).round() as usize);
            edge_hz *= 2.0_f64.powf(1.0 / 3.0);
        }
        for (before, after) in before.iter().zip(after) {
            let frames = before.len().min(after.len());
            for start in (0..(frames + 1).saturating_sub(length)).step_by(length) {
                for (samples, spectrum) in [(before, &mut x), (after, &mut y)] {
                    let samples = &samples[start..start + length];
                    for ((value, sample), weight) in time.iter_mut().zip(samples).zip(&window) {
                        *value = weight * f64::from(*sample);
                    }
                    // The buffers were made by the plan itself, so this cannot fail.
                    let _ = forward.process(&mut time, spectrum);
                }
                for band in edges.windows(2) {
                    self.band(&x[band[0]..band[1]], &y[band[0]..band[1]]);
                }
            }
        }
    }

    fn band(&mut self, x: &[Complex64], y: &[Complex64]) {
        let power = |spectrum: &[Complex64]| spectrum.iter().map(Complex64::norm_sqr).sum::<f64>();
        let cross: Complex64 = x.iter().zip(y).map(|(x, y)| y * x.conj()).sum();
        let xx = power(x);
        if xx > 0.0 {
            self.all += power(y);
            self.in_step += cross.re * cross.re / xx;
            self.across += cross.im * cross.im / xx;
        }
    }
}
