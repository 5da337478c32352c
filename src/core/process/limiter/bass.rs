//! Whether bass rules alone.
//!
//! The mean frequency of a signal is known from its energy and that of its slope: for a sine,
//! `√(Σẋ²/Σx²)` is its angular frequency, for a sum of sines their power-weighted root mean square.
//! Anything above the bass brings it up at once, so a mix is never taken for bass alone, however
//! strong its bass is; a beat of two low notes is.

use std::f64::consts::TAU;

use super::running::Delay;
use crate::dsp::quantum::{Lane, QUANTUM};

/// Span over which the energies are summed up.
const SPAN_MS: f64 = 100.0;
/// Mean frequency up to which bass rules alone, and from which on it does not at all.
const ALONE_HZ: f64 = 70.0;
const NOT_AT_ALL_HZ: f64 = 100.0;
/// Energies are whole numbers of this, so that running sums are exact.
const STEP: f64 = 1.0 / 1_048_576.0;
/// Largest energy of a quantum: far beyond any audio, and small enough for any sum of them.
const LARGEST: f64 = 16_777_216.0;
/// A tone's slopes have so much less energy than it has, at 50 Hz and 48 kHz by 1/23 000: they are
/// counted in finer steps by this factor, or what is quiet would seem to have none, and to be bass.
const FINER: f64 = 256.0;
/// Most quanta in a sum: of `LARGEST · FINER / STEP` each.
const MOST_QUANTA: f64 = 2_048.0;

/// Watches one or two channels.
#[derive(Debug, Clone)]
pub struct Bass {
    hz: f64,
    /// Energies of slopes fall with the square of the sample rate: so much finer are they counted.
    finer: f64,
    last: [f32; 2],
    energies: Delay<[u64; 2]>,
    /// Energy and energy of the slope.
    sums: [u64; 2],
}

impl Bass {
    /// Allocates.
    pub fn new(sample_rate_hz: f64) -> Self {
        let quanta = (SPAN_MS / 1000.0 * sample_rate_hz / QUANTUM as f64).clamp(1.0, MOST_QUANTA);
        #[expect(clippy::cast_sign_loss, reason = "at least 1")]
        let quanta = quanta as usize;
        Self {
            hz: sample_rate_hz / TAU,
            finer: FINER * (sample_rate_hz / 48_000.0).powi(2).max(1.0),
            last: [0.0; 2],
            energies: Delay::new(quanta, [0; 2]),
            sums: [0; 2],
        }
    }

    /// Forgets the input.
    ///
    /// # Realtime
    /// Safe.
    pub fn reset(&mut self) {
        self.last = [0.0; 2];
        self.energies.reset([0; 2]);
        self.sums = [0; 2];
    }

    /// Takes over what another has heard, for the same sample rate.
    ///
    /// # Realtime
    /// Safe.
    pub fn copy_from(&mut self, other: &Self) {
        self.last = other.last;
        self.energies.copy_from(&other.energies);
        self.sums = other.sums;
    }

    /// Takes the next quantum; returns how far bass rules alone, 0…1.
    ///
    /// # Realtime
    /// Safe.
    pub fn push(&mut self, channels: &[Lane]) -> f64 {
        let (mut energy, mut slope) = (0.0, 0.0);
        for (lane, last) in channels.iter().zip(&mut self.last) {
            let (in_lane, of_slope) = energies(lane, *last);
            energy += in_lane;
            slope += of_slope;
            *last = lane[QUANTUM - 1];
        }
        let newest = [
            steps(energy, 1.0, LARGEST),
            steps(slope, self.finer, FINER * LARGEST),
        ];
        let oldest = self.energies.push(newest);
        for ((sum, newest), oldest) in self.sums.iter_mut().zip(newest).zip(oldest) {
            *sum = *sum + newest - oldest;
        }
        let [energy, slope] = self.sums.map(|sum| sum as f64);
        if energy == 0.0 {
            return 0.0;
        }
        let mean_hz = self.hz * (slope / self.finer / energy).sqrt();
        ((NOT_AT_ALL_HZ - mean_hz) / (NOT_AT_ALL_HZ - ALONE_HZ)).clamp(0.0, 1.0)
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to what fits"
)]
fn steps(energy: f32, finer: f64, largest: f64) -> u64 {
    ((f64::from(energy) * finer).clamp(0.0, largest) / STEP) as u64
}

/// Energy of a lane, and that of the steps from sample to sample, the first from `last`.
fn energies(lane: &Lane, last: f32) -> (f32, f32) {
    use wide::f32x8;
    let mut before = [0.0; QUANTUM];
    before[0] = last;
    before[1..].copy_from_slice(&lane[..QUANTUM - 1]);
    let (mut energy, mut slope) = (f32x8::ZERO, f32x8::ZERO);
    for (x, before) in lane
        .as_chunks::<8>()
        .0
        .iter()
        .zip(before.as_chunks::<8>().0)
    {
        let (x, before) = (f32x8::new(*x), f32x8::new(*before));
        energy += x * x;
        slope += (x - before) * (x - before);
    }
    (energy.reduce_add(), slope.reduce_add())
}

#[cfg(test)]
#[expect(clippy::cast_sign_loss, reason = "rates and places are positive")]
mod tests {
    use super::*;

    fn watched(rate_hz: f64, channels: usize, signal: impl Fn(f64) -> f64) -> f64 {
        let mut bass = Bass::new(rate_hz);
        let quanta = (0.5 * rate_hz) as usize / QUANTUM;
        (0..quanta)
            .map(|quantum| {
                let frames = |n: usize| signal((quantum * QUANTUM + n) as f64 / rate_hz) as f32;
                let lane = std::array::from_fn(frames);
                bass.push(&[lane, lane][..channels])
            })
            .fold(0.0, |_, told| told)
    }

    #[test]
    fn low_tones_and_their_beats_rule_alone_and_anything_above_ends_that() {
        let tone = |hz: f64| move |time: f64| (TAU * hz * time).sin();
        for rate_hz in [44100.0, 192_000.0, 384_000.0] {
            assert_eq!(watched(rate_hz, 2, tone(41.0)), 1.0);
            assert_eq!(
                watched(rate_hz, 2, |time| tone(41.0)(time) + tone(55.0)(time)),
                1.0
            );
            assert_eq!(watched(rate_hz, 2, tone(110.0)), 0.0);
            // √(41² + (0.1 · 1500)²) Hz.
            assert_eq!(
                watched(rate_hz, 2, |time| tone(41.0)(time)
                    + 0.1 * tone(1500.0)(time)),
                0.0
            );
            assert!((watched(rate_hz, 2, tone(85.0)) - 0.5).abs() < 0.05);
            assert_eq!(watched(rate_hz, 2, |_| 0.0), 0.0);
            // So they are where they are quiet, and on one channel.
            let quiet = |hz: f64| watched(rate_hz, 1, |time| 0.25 * tone(hz)(time));
            assert!(
                (quiet(85.0) - 0.5).abs() < 0.05,
                "{rate_hz}: {}",
                quiet(85.0)
            );
            assert!(quiet(100.0) < 0.03, "{rate_hz}: {}", quiet(100.0));
            // What is quieter than anything that is heard beside it is no bass for that.
            for level_db in [-50.0, -60.0, -70.0] {
                let level = 10_f64.powf(level_db / 20.0);
                let faint = |hz: f64| watched(rate_hz, 1, |time| level * tone(hz)(time));
                assert_eq!(
                    [300.0, 1_000.0].map(faint),
                    [0.0; 2],
                    "{rate_hz}, {level_db}"
                );
            }
        }
    }

    #[test]
    fn no_sample_leaves_a_trace_when_it_has_left() {
        let mut bass = Bass::new(48000.0);
        bass.push(&[[1e30; QUANTUM], [-1e30; QUANTUM]]);
        for _ in 0..200 {
            bass.push(&[[0.0; QUANTUM]; 2]);
        }
        assert_eq!(bass.sums, [0; 2]);
    }
}
