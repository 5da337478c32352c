//! What lies so close to half the rate that interpolation cannot see it.
//!
//! There a filter of finite length falls off, and the samples of a sound show only what of it is in
//! step with their own alternation: a crest between them is missed. Turned down to the middle of
//! the spectrum (every other sample negated) such sound is slow, so its level is known from a mean
//! over some hundred frames, and for as long again before and after. It is a mean of means: one
//! alone lets through 3 % of a sound at 0.45 of the rate, two in a row 0.2 %.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use super::running::{Delay, RunningMinimum};
use crate::dsp::quad::{Level, dispatch};
use crate::dsp::quantum::{Lane, QUANTUM};

/// Quanta in a mean: 160 frames; two in a row fall off as the interpolation does.
const MEAN: usize = 5;
/// Quanta over whose means the highest counts: those ahead of the quantum that is judged, and a
/// mean behind it.
const REACH: usize = 10;
/// Frames from the newest one to the middle of the newest mean: a verdict that comes no sooner has
/// means on both sides.
pub const EDGE_LATENCY: usize = MEAN * QUANTUM;
/// Steps of a sample, so that running sums are exact, and of a level.
const STEPS: f32 = 1_048_576.0;
const LEVEL_STEPS: f64 = 65_536.0;
/// Largest sum of a quantum: far beyond any audio.
const LARGEST: f32 = 65_536.0;

/// Level of what one channel has next to half the rate.
#[derive(Debug, Clone)]
pub struct Edge {
    lanes: Level,
    sums: [Delay<i64>; 2],
    /// Of a mean, and of a mean of those.
    sum: [i64; 2],
    /// What the last quantum leaves for the next.
    rising: f32,
    /// Of the levels, counted down from the largest number.
    highest: RunningMinimum,
    level: f64,
}

impl Edge {
    /// With the registers that `lanes` names. Allocates.
    pub fn at(lanes: Level) -> Self {
        Self {
            lanes,
            sums: [Delay::new(MEAN, 0), Delay::new(MEAN, 0)],
            sum: [0; 2],
            rising: 0.0,
            highest: RunningMinimum::new(REACH),
            level: 0.0,
        }
    }

    pub fn reset(&mut self) {
        for sums in &mut self.sums {
            sums.reset(0);
        }
        self.sum = [0; 2];
        self.rising = 0.0;
        self.highest.reset();
        self.level = 0.0;
    }

    /// Takes the next quantum.
    pub fn push(&mut self, quantum: &Lane) {
        let [all, rising] = dispatch!(self.lanes, _ => alternating_sums(quantum));
        // A triangle over two quanta, so that sums a quantum apart miss nothing.
        let triangle = self.rising + (all - rising);
        self.rising = rising;
        let mut steps = (triangle.clamp(-LARGEST, LARGEST) * STEPS) as i64;
        for (sum, sums) in self.sum.iter_mut().zip(&mut self.sums) {
            *sum += steps - sums.push(steps);
            steps = *sum;
        }
        let mean = steps.unsigned_abs() as f64 / f64::from(STEPS) / (MEAN * MEAN * QUANTUM) as f64;
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

/// Sums of a quantum with every other sample negated, and of the same under weights that rise
/// evenly from 0 to 1.
#[inline(always)]
fn alternating_sums(quantum: &Lane) -> [f32; 2] {
    let (mut all, mut rising) = ([0.0; 8], [0.0; 8]);
    let eights = quantum
        .as_chunks::<8>()
        .0
        .iter()
        .zip(RISING.as_chunks::<8>().0);
    for (eight, weights) in eights {
        for lane in 0..8 {
            all[lane] += eight[lane];
            rising[lane] += eight[lane] * weights[lane];
        }
    }
    [all, rising].map(|[a, b, c, d, e, f, g, h]| ((a - b) + (c - d)) + ((e - f) + (g - h)))
}

const RISING: Lane = {
    let mut weights = [0.0; QUANTUM];
    let mut n = 0;
    while n < QUANTUM {
        weights[n] = (n as f32 + 0.5) / QUANTUM as f32;
        n += 1;
    }
    weights
};

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Level, once every mean is full, of a sine of amplitude 1 at a share of the rate.
    fn level(frequency: f64) -> f64 {
        let mut edge = Edge::at(Level::new());
        for quantum in 0..4 * MEAN {
            edge.push(&std::array::from_fn(|n| {
                (2.0 * PI * frequency * (quantum * QUANTUM + n) as f64 + PI / 2.0).sin() as f32
            }));
        }
        edge.level()
    }

    #[test]
    fn half_the_rate_is_told_whole_and_next_to_nothing_up_to_0_45_of_it() {
        assert!((level(0.5) - 1.0).abs() < 1e-4);
        for frequency in [0.0, 0.01, 0.1, 0.25, 0.4, 0.43, 0.44, 0.4469, 0.45] {
            assert!(
                level(frequency) < 0.003,
                "{frequency}: {}",
                level(frequency)
            );
        }
    }

    #[test]
    fn no_sample_leaves_a_trace_when_it_has_left() {
        let mut edge = Edge::at(Level::new());
        edge.push(&std::array::from_fn(
            |n| if n % 3 == 0 { 1e30 } else { -7e4 },
        ));
        for _ in 0..2 * MEAN + REACH {
            edge.push(&[0.0; QUANTUM]);
        }
        assert_eq!(edge.level(), 0.0);
    }
}
