//! Responses by least squares: block Toeplitz equations, solved by conjugate gradients.
//!
//! The products are convolutions and go through a Fourier transform of twice the length; the
//! preconditioner is the smoothed power spectrum, whose Parzen window (E. Parzen, *Technometrics*
//! 3(2), 1961; its transform is nowhere negative) lets no bass leak into the treble.

use super::correlation::{Correlations, real_ends};
use crestline_transforms::{forward_f64, inverse_f64};
use realfft::num_complex::Complex64;
use realfft::{ComplexToReal, RealToComplex};
use std::sync::Arc;

/// Power below which nothing is asked of a frequency, re the mean power in all of them (−90 dB).
const FLOOR: f64 = 1e-9;
/// The equations are solved when so many steps in a row explain no more than this share of the
/// signal after each (−110 dB; a single one may stand still and go on), or after so many steps: a
/// hundred are too few at 192 kHz, where all that sounds lies in the lowest octaves.
const SOLVED: f64 = 1e-11;
const SOLVED_STEPS: usize = 12;
const STEPS: usize = 200;
/// The equations are not quite symmetric, because a stretch has ends; a second round takes up what
/// a symmetric solution leaves.
const ROUNDS: usize = 2;
/// Channels may be alike up to this coherence for all that the preconditioner knows.
const MOST_COHERENT: f64 = 0.999_999;

/// Spectra of the products of each channel with each.
type Operator = Vec<Vec<Vec<Complex64>>>;

/// What the preconditioner multiplies with: of one channel, or of two the inverse of a Hermitian
/// matrix, its diagonal and what is taken off across.
enum Inverse {
    One(Vec<f64>),
    Two(Vec<([f64; 2], Complex64)>),
}

/// The equations of one signal before.
pub(super) struct NormalEquations {
    taps: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
    exact: Operator,
    symmetric: Operator,
    smooth: Operator,
    floor: f64,
}

impl NormalEquations {
    /// From the correlations of the signal with itself.
    pub fn new(taps: usize, own: &Correlations) -> Self {
        let (forward, backward) = (forward_f64(2 * taps), inverse_f64(2 * taps));
        let channels = own.len();
        let at = |i: usize, j: usize, back: bool, lag: usize| {
            own[i][j][if back { taps - lag } else { taps + lag }]
        };
        let even = |i: usize, j: usize, back: bool, lag: usize| {
            0.5 * (at(i, j, back, lag) + at(j, i, !back, lag))
        };
        let parzen = |lag: usize| {
            let u = lag as f64 / taps as f64;
            if u <= 0.5 {
                1.0 - 6.0 * u * u * (1.0 - u)
            } else {
                2.0 * (1.0 - u).powi(3)
            }
        };
        let operator = |value: &dyn Fn(usize, usize, bool, usize) -> f64| -> Operator {
            let spectrum = |i: usize, j: usize| {
                let mut time = vec![0.0; 2 * taps];
                for lag in 0..taps {
                    time[lag] = value(i, j, false, lag);
                    if lag > 0 {
                        time[2 * taps - lag] = value(i, j, true, lag);
                    }
                }
                let mut spectrum = forward.make_output_vec();
                // The buffers were made by the plan itself, so this cannot fail.
                let _ = forward.process(&mut time, &mut spectrum);
                spectrum
            };
            (0..channels)
                .map(|i| (0..channels).map(|j| spectrum(i, j)).collect())
                .collect()
        };
        let exact = operator(&at);
        let symmetric = operator(&even);
        let smooth = operator(&|i, j, back, lag| parzen(lag) * even(i, j, back, lag));
        let power: f64 = (0..channels).map(|i| own[i][i][taps]).sum();
        Self {
            taps,
            forward,
            backward,
            exact,
            symmetric,
            smooth,
            floor: FLOOR * power / channels.max(1) as f64 + f64::MIN_POSITIVE,
        }
    }

    /// Power of a channel at each of `taps + 1` frequencies from 0 to half the sample rate.
    pub fn power(&self, channel: usize) -> Vec<f64> {
        let spectrum = &self.smooth[channel][channel];
        spectrum.iter().map(|power| power.re.max(0.0)).collect()
    }

    /// Cross-power of the first two channels.
    pub fn cross_power(&self) -> &[Complex64] {
        &self.smooth[0][1]
    }

    /// Spectrum of a response at the same frequencies as [`power`](Self::power).
    pub fn spectrum(&self, response: &[f64]) -> Vec<Complex64> {
        let mut time = self.forward.make_input_vec();
        for (time, response) in time.iter_mut().zip(response) {
            *time = *response;
        }
        let mut spectrum = self.forward.make_output_vec();
        let _ = self.forward.process(&mut time, &mut spectrum);
        spectrum
    }

    fn response(&self, mut spectrum: Vec<Complex64>) -> Vec<f64> {
        let mut time = self.backward.make_output_vec();
        real_ends(&mut spectrum);
        let _ = self.backward.process(&mut spectrum, &mut time);
        time.truncate(self.taps);
        let scale = 1.0 / (2 * self.taps) as f64;
        for value in &mut time {
            *value *= scale;
        }
        time
    }

    /// The equations' left side for the channels `from`.
    fn apply(&self, operator: &Operator, from: &[usize], responses: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let spectra: Vec<_> = responses
            .iter()
            .map(|response| self.spectrum(response))
            .collect();
        let row = |i: &usize| {
            let mut sum = vec![Complex64::default(); self.taps + 1];
            for (j, spectrum) in from.iter().zip(&spectra) {
                for ((sum, a), b) in sum.iter_mut().zip(&operator[*i][*j]).zip(spectrum) {
                    *sum += a * b;
                }
            }
            self.response(sum)
        };
        from.iter().map(row).collect()
    }

    /// The smoothed power spectra of the channels `from`, inverted at each frequency.
    fn inverse(&self, from: &[usize]) -> Inverse {
        let power = |i: usize, bin: usize| self.smooth[i][i][bin].re.max(0.0) + self.floor;
        if let [i] = from {
            return Inverse::One((0..=self.taps).map(|bin| 1.0 / power(*i, bin)).collect());
        }
        let both = |bin: usize| {
            let (a, d) = (power(0, bin), power(1, bin));
            let mut b = self.smooth[0][1][bin];
            let most = MOST_COHERENT * (a * d).sqrt();
            if b.norm() > most {
                b *= most / b.norm();
            }
            let determinant = a * d - b.norm_sqr();
            ([d, a].map(|own| own / determinant), b / determinant)
        };
        Inverse::Two((0..=self.taps).map(both).collect())
    }

    fn precondition(&self, inverse: &Inverse, error: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let mut spectra = error.iter().map(|error| self.spectrum(error));
        match (inverse, spectra.next(), spectra.next()) {
            (Inverse::One(inverse), Some(mut x), _) => {
                for (x, inverse) in x.iter_mut().zip(inverse) {
                    *x *= inverse;
                }
                vec![self.response(x)]
            }
            (Inverse::Two(inverse), Some(mut x), Some(mut y)) => {
                for ((x, y), ([d, a], b)) in x.iter_mut().zip(&mut y).zip(inverse) {
                    (*x, *y) = (*x * d - b * *y, *y * a - b.conj() * *x);
                }
                vec![self.response(x), self.response(y)]
            }
            _ => Vec::new(),
        }
    }

    /// The responses from the channels `from` whose products with one channel after, of `energy`,
    /// are `right`; looked for from `start` on, as which they stay where nothing sounds.
    pub fn solve(
        &self,
        from: &[usize],
        right: &[&[f64]],
        energy: f64,
        start: &[Vec<f64>],
    ) -> Vec<Vec<f64>> {
        let inverse = self.inverse(from);
        let mut found = start.to_vec();
        for _ in 0..ROUNDS {
            let reached = self.apply(&self.exact, from, &found);
            let mut error: Vec<Vec<f64>> = (0..found.len())
                .map(|c| {
                    (0..self.taps)
                        .map(|k| {
                            let held = self.floor * (found[c][k] - start[c][k]);
                            right[c][k] - reached[c][k] - held
                        })
                        .collect()
                })
                .collect();
            let mut direction = self.precondition(&inverse, &error);
            let mut left = dot(&error, &direction);
            let mut still = 0;
            for _ in 0..STEPS {
                if left <= 0.0 || still == SOLVED_STEPS {
                    break;
                }
                let mut product = self.apply(&self.symmetric, from, &direction);
                add(&mut product, self.floor, &direction);
                let curvature = dot(&direction, &product);
                if curvature <= 0.0 {
                    break;
                }
                let step = left / curvature;
                add(&mut found, step, &direction);
                still = if step * left <= SOLVED * energy {
                    still + 1
                } else {
                    0
                };
                add(&mut error, -step, &product);
                let mut next = self.precondition(&inverse, &error);
                let more = dot(&error, &next);
                add(&mut next, more / left, &direction);
                (direction, left) = (next, more);
            }
        }
        found
    }

    /// Energy that the responses leave of a channel after of `energy`.
    pub fn unexplained(
        &self,
        from: &[usize],
        right: &[&[f64]],
        responses: &[Vec<f64>],
        energy: f64,
    ) -> f64 {
        let reached = self.apply(&self.symmetric, from, responses);
        let explained: f64 = (0..responses.len())
            .map(|c| {
                (0..self.taps)
                    .map(|k| responses[c][k] * (2.0 * right[c][k] - reached[c][k]))
                    .sum::<f64>()
            })
            .sum();
        (energy - explained).max(0.0)
    }
}

/// In eight sums, which need not wait for each other.
fn dot(a: &[Vec<f64>], b: &[Vec<f64>]) -> f64 {
    let mut sums = [0.0; 8];
    for (a, b) in a.iter().zip(b) {
        let (a, b) = (a.as_chunks::<8>(), b.as_chunks::<8>());
        for (a, b) in a.0.iter().zip(b.0) {
            for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
                *sum += a * b;
            }
        }
        for ((sum, a), b) in sums.iter_mut().zip(a.1).zip(b.1) {
            *sum += a * b;
        }
    }
    sums.iter().sum()
}

fn add(to: &mut [Vec<f64>], factor: f64, what: &[Vec<f64>]) {
    for (to, what) in to.iter_mut().zip(what) {
        for (to, what) in to.iter_mut().zip(what) {
            *to += factor * what;
        }
    }
}
