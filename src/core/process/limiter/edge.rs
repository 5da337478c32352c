//! What lies so close to half the rate that interpolation cannot see it.
//!
//! There a filter of finite length falls off, and the samples of a sound show only what of it is in
//! step with their own alternation: a crest between them is missed. Turned down to the middle of
//! the spectrum (every other sample negated) such sound is slow, so its level is known from a mean
//! over some hundred frames, and for as long again before and after.

use super::running::{Delay, RunningMinimum};
use crate::dsp::quantum::{Lane, QUANTUM};

/// Quanta in a mean: 224 frames, which falls off as the interpolation does.
const MEAN: usize = 7;
/// Quanta over whose means the highest counts: those ahead of the quantum that is judged, and a mean
/// behind it.
const REACH: usize = 10;
/// Frames from the newest one to the middle of the newest mean: a verdict that comes no sooner has
/// means on both sides.
pub const EDGE_LATENCY: usize = MEAN * QUANTUM / 2;
/// Steps of a sample, so that running sums are exact, and of a level.
const STEPS: f32 = 1_048_576.0;
const LEVEL_STEPS: f64 = 65_536.0;
/// Largest sum of a quantum: far beyond any audio.
const LARGEST: f32 = 65_536.0;

/// Level of what one channel has next to half the rate.
#[derive(Debug, Clone)]
pub struct Edge {
    sums: Delay<i64>,
    sum: i64,
    /// Of the levels, counted down from the largest number.
    highest: RunningMinimum,
    level: f64,
}

impl Edge {
    /// Allocates.
    pub fn new() -> Self {
        Self {
            sums: Delay::new(MEAN, 0),
            sum: 0,
            highest: RunningMinimum::new(REACH),
            level: 0.0,
        }
    }

    pub fn reset(&mut self) {
        self.sums.reset(0);
        self.sum = 0;
        self.highest.reset();
        self.level = 0.0;
    }

    /// Takes the next quantum.
    pub fn push(&mut self, quantum: &Lane) {
        let steps = (alternating_sum(quantum).clamp(-LARGEST, LARGEST) * STEPS) as i64;
        self.sum += steps - self.sums.push(steps);
        let mean = self.sum.unsigned_abs() as f64 / f64::from(STEPS) / (MEAN * QUANTUM) as f64;
        #[expect(clippy::cast_sign_loss, reason = "a magnitude")]
        let level = (mean * LEVEL_STEPS).ceil() as u32;
        let highest = u32::MAX - self.highest.push(u32::MAX - level);
        self.level = f64::from(highest) / LEVEL_STEPS;
    }

    /// Amplitude around the quantum that is judged.
    pub fn level(&self) -> f64 {
        self.level
    }
}

/// Every other sample negated, and summed.
fn alternating_sum(quantum: &Lane) -> f32 {
    let mut sums = [0.0; 8];
    for eight in quantum.as_chunks::<8>().0 {
        for (sum, x) in sums.iter_mut().zip(eight) {
            *sum += x;
        }
    }
    let [a, b, c, d, e, f, g, h] = sums;
    ((a - b) + (c - d)) + ((e - f) + (g - h))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Level after two means of a sine of amplitude 1 at a share of the rate.
    fn level(frequency: f64) -> f64 {
        let mut edge = Edge::new();
        for quantum in 0..2 * MEAN {
            edge.push(&std::array::from_fn(|n| {
                (2.0 * PI * frequency * (quantum * QUANTUM + n) as f64 + PI / 2.0).sin() as f32
            }));
        }
        edge.level()
    }

    /// The mean over N of the alternating samples is the Dirichlet kernel of N at the distance from
    /// half the rate.
    #[test]
    fn half_the_rate_is_told_whole_and_nothing_further_down() {
        assert!((level(0.5) - 1.0).abs() < 1e-4);
        for frequency in [0.0, 0.01, 0.1, 0.25, 0.4, 0.45, 0.48] {
            let bound = 1.0 / ((MEAN * QUANTUM) as f64 * (PI * (0.5 - frequency)).sin());
            assert!(level(frequency) <= bound + 1e-4, "{frequency}");
        }
    }

    #[test]
    fn no_sample_leaves_a_trace_when_it_has_left() {
        let mut edge = Edge::new();
        edge.push(&std::array::from_fn(|n| if n % 3 == 0 { 1e30 } else { -7e4 }));
        for _ in 0..MEAN + REACH {
            edge.push(&[0.0; QUANTUM]);
        }
        assert_eq!(edge.level(), 0.0);
    }
}
