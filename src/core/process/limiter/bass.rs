//! Whether bass rules alone.
//!
//! The less a signal moves within half a millisecond the lower it is: for a sine of `f` Hz the mean
//! square of `x(t) − x(t − ½ ms)` is `4 sin²(π f ½ ms)` times its own, and of what lies above some
//! hundred hertz twice that of its energy, however far above. So a mix, of whose energy a twentieth
//! lies there, is not taken for bass alone, however strong its bass is; a beat of two low notes is, and
//! stays so beside a quiet hi-hat. (By the slope, which grows with the frequency, hats of 24 dB less
//! ended it, and made of two low notes' distortion of −44 dB one of −14.)
//!
//! A tone that half a millisecond holds whole periods of, as 2 or 4 kHz, does not move within that. So
//! a second, shorter time is looked at as well, and the greater movement counts.

use std::f64::consts::PI;

use super::running::Delay;
use crate::dsp::quantum::{Lane, QUANTUM};

/// Within what times it moves. No tone from 100 Hz to 13 kHz stands still in both, in whole frames of
/// the usual rates, 8 to 768 kHz. (Of others it may: of 17,025 Hz a third, in 9 frames and in 3.)
const MOVES_MS: f64 = 0.5;
const ALSO_MS: f64 = 0.2295;
/// Span over which the energies are summed up.
const SPAN_MS: f64 = 100.0;
/// Sine up to which bass rules alone, and from which on it does not at all.
const ALONE_HZ: f64 = 70.0;
const NOT_AT_ALL_HZ: f64 = 100.0;
/// Energies are whole numbers of this, so that running sums are exact.
const STEP: f64 = 1.0 / 268_435_456.0;
/// Largest energy of a quantum: far beyond any audio, and small enough for any sum of them.
const LARGEST: f64 = 16_777_216.0;
/// Most quanta in a sum: of `LARGEST / STEP` each.
const MOST_QUANTA: f64 = 2_048.0;

/// Watches one or two channels.
#[derive(Debug, Clone)]
pub struct Bass {
    /// The last half millisecond of each channel.
    before: [Vec<f32>; 2],
    /// Frames of the shorter time.
    also: usize,
    /// How far it moves, root mean square against its own, up to which bass rules alone and from
    /// which on not at all.
    alone: f64,
    not_at_all: f64,
    energies: Delay<[u64; 3]>,
    /// Energy, and that of what it moves in either time.
    sums: [u64; 3],
}

impl Bass {
    /// Allocates.
    pub fn new(sample_rate_hz: f64) -> Self {
        let quanta = (SPAN_MS / 1000.0 * sample_rate_hz / QUANTUM as f64).clamp(1.0, MOST_QUANTA);
        let frames = (MOVES_MS / 1000.0 * sample_rate_hz).round().max(1.0);
        let moves = |hz: f64| 2.0 * (PI * hz * frames / sample_rate_hz).sin();
        let also = (ALSO_MS / 1000.0 * sample_rate_hz).floor().max(1.0);
        #[expect(clippy::cast_sign_loss, reason = "at least 1")]
        let [quanta, frames, also] = [quanta, frames, also].map(|of| of as usize);
        Self {
            before: std::array::from_fn(|_| vec![0.0; frames]),
            also: also.min(frames),
            alone: moves(ALONE_HZ),
            not_at_all: moves(NOT_AT_ALL_HZ),
            energies: Delay::new(quanta, [0; 3]),
            sums: [0; 3],
        }
    }

    /// Forgets the input.
    ///
    /// # Realtime
    /// Safe.
    pub fn reset(&mut self) {
        self.before.iter_mut().for_each(|before| before.fill(0.0));
        self.energies.reset([0; 3]);
        self.sums = [0; 3];
    }

    /// Takes over what another has heard, for the same sample rate.
    ///
    /// # Realtime
    /// Safe.
    pub fn copy_from(&mut self, other: &Self) {
        for (before, other) in self.before.iter_mut().zip(&other.before) {
            before.copy_from_slice(other);
        }
        self.energies.copy_from(&other.energies);
        self.sums = other.sums;
    }

    /// Takes the next quantum; returns how far bass rules alone, 0…1.
    ///
    /// # Realtime
    /// Safe.
    pub fn push(&mut self, channels: &[Lane]) -> f64 {
        let mut newest = [0.0; 3];
        for (lane, before) in channels.iter().zip(&mut self.before) {
            let earlier = [before.len(), self.also].map(|frames| delayed(lane, before, frames));
            for (sum, energy) in newest.iter_mut().zip(energies(lane, &earlier)) {
                *sum += energy;
            }
            keep(lane, before);
        }
        let newest = newest.map(steps);
        let oldest = self.energies.push(newest);
        for ((sum, newest), oldest) in self.sums.iter_mut().zip(newest).zip(oldest) {
            *sum = *sum + newest - oldest;
        }
        let [energy, moved, also] = self.sums.map(|sum| sum as f64);
        if energy == 0.0 {
            return 0.0;
        }
        let moves = (moved.max(also) / energy).sqrt();
        ((self.not_at_all - moves) / (self.not_at_all - self.alone)).clamp(0.0, 1.0)
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to what fits"
)]
fn steps(energy: f32) -> u64 {
    (f64::from(energy).clamp(0.0, LARGEST) / STEP) as u64
}

/// The lane as it was `frames` frames ago, no more than `before` has, which is what came before it.
fn delayed(lane: &Lane, before: &[f32], frames: usize) -> Lane {
    let mut delayed = *lane;
    let held = frames.min(QUANTUM);
    let start = before.len() - frames;
    delayed[..held].copy_from_slice(&before[start..start + held]);
    delayed[held..].copy_from_slice(&lane[..QUANTUM - held]);
    delayed
}

/// The lane's last frames, and those before it as far as there is room.
fn keep(lane: &Lane, before: &mut [f32]) {
    let held = before.len().min(QUANTUM);
    before.copy_within(held.., 0);
    let rest = before.len() - held;
    before[rest..].copy_from_slice(&lane[QUANTUM - held..]);
}

/// Energy of a lane, and those of what it has moved since it was each of `earlier`.
fn energies(lane: &Lane, earlier: &[Lane; 2]) -> [f32; 3] {
    use wide::f32x8;
    let mut sums = [f32x8::ZERO; 3];
    let [one, two] = earlier.each_ref().map(|lane| lane.as_chunks::<8>().0);
    for (x, before) in lane.as_chunks::<8>().0.iter().zip(one.iter().zip(two)) {
        let [x, one, two] = [*x, *before.0, *before.1].map(f32x8::new);
        for (sum, x) in sums.iter_mut().zip([x, x - one, x - two]) {
            *sum += x * x;
        }
    }
    sums.map(f32x8::reduce_add)
}

#[cfg(test)]
#[expect(clippy::cast_sign_loss, reason = "rates and places are positive")]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

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
            // Nor does a tone that is the same half a millisecond later.
            for hz in (1..=20).map(|kilohertz| 500.0 * f64::from(kilohertz)) {
                assert_eq!(watched(rate_hz, 1, tone(hz)), 0.0, "{rate_hz}, {hz} Hz");
            }
            // So far below the bass nothing else rules; 9 dB below it does.
            for (level, alone) in [(0.1, 1.0), (0.355, 0.0)] {
                let both = |time| tone(41.0)(time) + level * tone(1500.0)(time);
                assert_eq!(watched(rate_hz, 2, both), alone, "{rate_hz}, {level}");
            }
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
        assert_eq!(bass.sums, [0; 3]);
    }
}
