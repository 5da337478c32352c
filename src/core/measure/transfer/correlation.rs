//! Correlations of two signals over lags of up to a response's length.

use crestline_transforms::{forward_f64, inverse_f64};
use realfft::num_complex::Complex64;
use realfft::{ComplexToReal, RealToComplex};
use std::f64::consts::PI;
use std::sync::Arc;

/// Part of a stretch at either end over which it comes and goes.
const RAMP: usize = 10;

/// Correlations of each channel of one signal with each of another.
pub(super) type Correlations = Vec<Vec<Vec<f64>>>;

/// Makes correlations over lags of `-taps..taps`.
pub(super) struct Correlator {
    taps: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
}

/// Sums of cross-spectra; they add up over any number of stretches.
pub(super) struct CrossSpectra(Vec<Vec<Vec<Complex64>>>);

/// The weights of a stretch's frames.
struct Weights {
    frames: usize,
    /// Those of one end; the other is its mirror image.
    ramp: Vec<f64>,
}

impl Weights {
    fn new(frames: usize) -> Self {
        let ramp = (frames / RAMP).max(1);
        let weight = |n: usize| 0.5 - 0.5 * (PI * (n as f64 + 0.5) / ramp as f64).cos();
        Self {
            frames,
            ramp: (0..ramp).map(weight).collect(),
        }
    }

    fn of(&self, frame: usize) -> f64 {
        let distance = frame.min((self.frames - 1).saturating_sub(frame));
        self.ramp.get(distance).copied().unwrap_or(1.0)
    }
}

impl Correlator {
    pub fn new(taps: usize) -> Self {
        Self {
            taps,
            forward: forward_f64(4 * taps),
            backward: inverse_f64(4 * taps),
        }
    }

    /// Nothing yet, of signals of so many channels.
    pub fn none(&self, channels: usize) -> CrossSpectra {
        let bins = 2 * self.taps + 1;
        CrossSpectra(vec![
            vec![vec![Complex64::default(); bins]; channels];
            channels
        ])
    }

    /// Adds a stretch. Of the first signal only the frames count from which every lag lies within
    /// the stretch, so that nothing is missing at its ends.
    pub fn add(&self, sums: &mut CrossSpectra, first: &[Vec<f32>], second: &[Vec<f32>]) {
        let taps = self.taps;
        let lengths = first.iter().chain(second).map(Vec::len);
        let frames = lengths.min().unwrap_or(0);
        let (from, to) = (taps, frames.saturating_sub(taps));
        let weights = Weights::new(to.saturating_sub(from));
        let mut time = vec![0.0; 4 * taps];
        let spectra = |signal: &[Vec<f32>]| -> Vec<_> {
            signal
                .iter()
                .map(|_| self.forward.make_output_vec())
                .collect()
        };
        let (mut heard, mut around) = (spectra(first), spectra(second));
        for start in (from..to).step_by(2 * taps) {
            let end = to.min(start + 2 * taps);
            for (samples, spectrum) in first.iter().zip(&mut heard) {
                time.fill(0.0);
                for (n, (value, sample)) in time.iter_mut().zip(&samples[start..end]).enumerate() {
                    *value = weights.of(start + n - from) * f64::from(*sample);
                }
                // The buffers were made by the plan itself, so this cannot fail.
                let _ = self.forward.process(&mut time, spectrum);
            }
            for (samples, spectrum) in second.iter().zip(&mut around) {
                time.fill(0.0);
                for (value, sample) in time.iter_mut().zip(&samples[start - taps..]) {
                    *value = f64::from(*sample);
                }
                let _ = self.forward.process(&mut time, spectrum);
            }
            for (sums, heard) in sums.0.iter_mut().zip(&heard) {
                for (sums, around) in sums.iter_mut().zip(&around) {
                    for ((sum, a), b) in sums.iter_mut().zip(heard).zip(around) {
                        *sum += a.conj() * b;
                    }
                }
            }
        }
    }

    /// `[i][j][taps + l]` is the sum of `first_i[n]·second_j[n + l]` over all frames n, for
    /// `-taps ≤ l < taps`.
    pub fn correlations(&self, sums: CrossSpectra) -> Correlations {
        let back = |mut spectrum: Vec<Complex64>| {
            let mut time = self.backward.make_output_vec();
            real_ends(&mut spectrum);
            let _ = self.backward.process(&mut spectrum, &mut time);
            time.truncate(2 * self.taps);
            let scale = 1.0 / (4 * self.taps) as f64;
            for value in &mut time {
                *value *= scale;
            }
            time
        };
        let row = |row: Vec<Vec<Complex64>>| row.into_iter().map(back).collect();
        sums.0.into_iter().map(row).collect()
    }

    /// Energy of each channel of `signal` over the frames that count for a correlation.
    pub fn energies(&self, signal: &[Vec<f32>]) -> Vec<f64> {
        let frames = signal.first().map_or(0, Vec::len);
        let weights = Weights::new(frames.saturating_sub(2 * self.taps));
        let energy = |samples: &Vec<f32>| {
            let (from, to) = (self.taps, samples.len().saturating_sub(self.taps));
            (from..to)
                .map(|n| weights.of(n - from) * f64::from(samples[n]).powi(2))
                .sum()
        };
        signal.iter().map(energy).collect()
    }
}

/// Both ends of the spectrum of a real signal are real.
pub(super) fn real_ends(spectrum: &mut [Complex64]) {
    if let [constant, .., highest] = spectrum {
        (constant.im, highest.im) = (0.0, 0.0);
    }
}
