//! Whether what stands between two signals stays what it is.
//!
//! A device that is fixed but for gains leaves the filtered signal and the one after in phase, at
//! any moment, at every frequency; noise and distortion turn the phase this way and that. A delay
//! that moves, and so a chorus, turns the phase of a whole band of frequencies at once. What moves
//! slowly, as clocks that run apart do, turns the highest bands alone, and these for seconds on end,
//! in which noise and distortion have long averaged out.

use crestline_transforms::forward_f64;
use realfft::num_complex::Complex64;
use std::f64::consts::PI;

/// A window, seconds; rounded up to a power of two in frames.
const WINDOW_S: f64 = 0.06;
/// Bands of a third of an octave from here to there, Hz.
const LOWEST_HZ: f64 = 250.0;
const HIGHEST_HZ: f64 = 12_000.0;

/// Windows that follow each other, together: 1.4 s at 48 kHz.
const TOGETHER: usize = 16;
/// The phase of a fixed device does not wander: more than this of the output (−20 dB) a quarter of
/// a turn off is no noise. In one band alone it is none only if so much of it is left when windows
/// are taken together: of a fast compressor's half is, of a limiter's or a clipper's a fifth, of a
/// drift's nearly all. And only if more of it is across than no phase explains at all: steady
/// harmonics of a voice that clips keep their phase, but not beside what fills the gaps between its
/// formants (1.9 to 43 times as much; of a drift of 1 to 10 ppm at most 0.6 times).
const WANDERING: f64 = 0.01;
const STAYS: f64 = 0.7;
/// Nothing averages out where one window holds nearly all of the energy, as between sparse hits: as
/// many windows of one energy must be in it.
const LEAST_WINDOWS: f64 = 4.0;
/// Of a band this far below the strongest (−60 dB) the response may not be known.
const LEAST_BAND: f64 = 1e-6;

/// How far the signal after is in step with the one before.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Phases {
    bands: Vec<Band>,
}

/// Energies of the signal after, and of the part of it that is a quarter of a turn off: window by
/// window, and of windows together; of these also the part that is in no phase with the one before.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Band {
    all: f64,
    across: f64,
    all_together: f64,
    across_together: f64,
    unexplained_together: f64,
    /// Cross-power and power before of all of it: a phase that stays is no movement.
    cross: Complex64,
    before: f64,
}

/// Sums over frequencies: `y·x*`, `|x|²` and `|y|²`; and the sum of the squares of each window's
/// `|x|²`.
#[derive(Clone, Copy, Debug, Default)]
struct Products {
    cross: Complex64,
    before: f64,
    after: f64,
    squares: f64,
}

impl Products {
    fn of(x: &[Complex64], y: &[Complex64]) -> Self {
        let power = |spectrum: &[Complex64]| spectrum.iter().map(Complex64::norm_sqr).sum::<f64>();
        let before = power(x);
        Self {
            cross: x.iter().zip(y).map(|(x, y)| y * x.conj()).sum(),
            before,
            after: power(y),
            squares: before * before,
        }
    }

    fn add(&mut self, other: &Self) {
        self.cross += other.cross;
        self.before += other.before;
        self.after += other.after;
        self.squares += other.squares;
    }

    /// Energy after, the part of it that is a quarter of a turn off, and the one that no phase
    /// explains; none without a signal before.
    fn energies(&self) -> [f64; 3] {
        if self.before > 0.0 {
            let across = self.cross.im * self.cross.im / self.before;
            let explained = self.cross.norm_sqr() / self.before;
            [self.after, across, (self.after - explained).max(0.0)]
        } else {
            [0.0; 3]
        }
    }
}

impl Band {
    /// Energy a quarter of a turn off by a phase that stays, as where a shelf is told as plain gains.
    fn steady(&self) -> f64 {
        if self.before > 0.0 {
            self.cross.im * self.cross.im / self.before
        } else {
            0.0
        }
    }
}

impl Phases {
    /// Whether what stands between moves in time.
    pub fn wander(&self) -> bool {
        let sum = |of: fn(&Band) -> f64| -> f64 { self.bands.iter().map(of).sum() };
        let most = self.bands.iter().map(|band| band.all).fold(0.0, f64::max);
        let stays = |band: &Band| {
            let steady = band.steady() / band.all;
            let together = band.across_together / band.all_together - steady;
            band.all_together > LEAST_BAND * most
                && together > WANDERING
                && together > STAYS * (band.across / band.all - steady)
                && together > band.unexplained_together / band.all_together
        };
        sum(|band| band.across - band.steady()) > WANDERING * sum(|band| band.all)
            || self.bands.iter().any(stays)
    }

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
        let bands = edges.len().saturating_sub(1);
        self.bands.resize(bands, Band::default());
        for (before, after) in before.iter().zip(after) {
            let frames = before.len().min(after.len());
            let mut together = vec![Products::default(); bands];
            for (index, start) in (0..(frames + 1).saturating_sub(length))
                .step_by(length)
                .enumerate()
            {
                for (samples, spectrum) in [(before, &mut x), (after, &mut y)] {
                    let samples = &samples[start..start + length];
                    for ((value, sample), weight) in time.iter_mut().zip(samples).zip(&window) {
                        *value = weight * f64::from(*sample);
                    }
                    // The buffers were made by the plan itself, so this cannot fail.
                    let _ = forward.process(&mut time, spectrum);
                }
                let ends = (index + 1) % TOGETHER == 0;
                for ((band, edges), together) in self
                    .bands
                    .iter_mut()
                    .zip(edges.windows(2))
                    .zip(&mut together)
                {
                    let bins = edges[0]..edges[1];
                    let products = Products::of(&x[bins.clone()], &y[bins]);
                    let [all, across, _] = products.energies();
                    band.all += all;
                    band.across += across;
                    band.cross += products.cross;
                    band.before += products.before;
                    together.add(&products);
                    if ends {
                        let sum = std::mem::take(together);
                        if sum.before * sum.before >= LEAST_WINDOWS * sum.squares {
                            let [all, across, unexplained] = sum.energies();
                            band.all_together += all;
                            band.across_together += across;
                            band.unexplained_together += unexplained;
                        }
                    }
                }
            }
        }
    }
}
