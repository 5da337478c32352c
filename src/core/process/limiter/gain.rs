//! From the gain that peaks need to a smooth gain that never asks for more.
//!
//! One value stands for a group of eight frames. A running minimum reaches over the look-ahead and
//! a hold; the release stage after it may only stay lower; a window of non-negative weights that
//! sum to one and span no more than the look-ahead averages what is left; cubic B-spline
//! interpolation, whose weights are again non-negative and sum to one, returns to single frames.
//! Every frame's gain is so a mean of values that each respect what that frame needs (Hämäläinen,
//! DAFx-02). All weights are binary fractions: the mean of ones is exactly one.

use std::f64::consts::PI;

use crate::dsp::quantum::{Lane, QUANTUM};

/// Frames that share one value of the needed gain.
pub const GROUP: usize = 8;
/// Groups in a quantum.
pub const GROUPS: usize = QUANTUM / GROUP;

/// Length of the averaging window.
const WINDOW_MS: f64 = 1.4;
/// Groups by which the gain is down before its peak, and stays down after it.
const SETTLED_GROUPS: usize = 2;
/// How long a needed gain is held: half the period of 20 Hz, so that the gain does not follow a
/// steady tone.
const HOLD_MS: f64 = 25.0;
/// Groups that the interpolation reaches back.
const SPLINE_REACH: usize = 3;

/// Time constants of the automatic release: after a single peak, and of the mean reduction that it
/// returns to.
const QUICK_MS: f64 = 60.0;
const SLOW_MS: f64 = 600.0;

/// How fast the gain returns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// With this time constant in ms.
    Manual(f64),
    /// Quickly to the mean of the last reductions, and on from there slowly.
    Automatic,
}

/// Gain computer for one chain of needed gains.
#[derive(Debug, Clone)]
pub struct GainComputer {
    groups_per_ms: f64,
    lowest: RunningMinimum,
    released: f64,
    mean: f64,
    /// Averaging weights, multiples of 2⁻²⁴ that sum to one.
    weights: Vec<f64>,
    /// The last released values, as a ring.
    history: Vec<f64>,
    newest: usize,
    /// The last averages, newest first.
    averages: [f32; SPLINE_REACH + 1],
    spline: [[f32; GROUP]; SPLINE_REACH + 1],
}

impl GainComputer {
    /// A gain computer at rest. Allocates.
    pub fn new(sample_rate_hz: f64) -> Self {
        let groups_per_ms = sample_rate_hz / 1000.0 / GROUP as f64;
        let len = groups(WINDOW_MS * groups_per_ms).max(2);
        let hold = groups((HOLD_MS * groups_per_ms).ceil());
        let ahead = len - 1 + SPLINE_REACH + SETTLED_GROUPS;
        let mut new = Self {
            groups_per_ms,
            lowest: RunningMinimum::new(ahead + SETTLED_GROUPS + 1 + hold),
            released: 1.0,
            mean: 1.0,
            weights: window(len),
            history: vec![1.0; len],
            newest: 0,
            averages: [1.0; SPLINE_REACH + 1],
            spline: spline(),
        };
        new.reset();
        new
    }

    /// Frames by which a needed gain is known before the frame it is for has its gain computed.
    pub fn latency_frames(&self) -> usize {
        (self.weights.len() - 1 + SPLINE_REACH + SETTLED_GROUPS) * GROUP
    }

    /// Back to a gain of one. Real-time safe.
    pub fn reset(&mut self) {
        self.lowest.reset();
        self.released = 1.0;
        self.mean = 1.0;
        self.history.fill(1.0);
        self.newest = 0;
        self.averages = [1.0; SPLINE_REACH + 1];
    }

    /// Takes over the state of another gain computer for the same sample rate. Real-time safe.
    pub fn copy_from(&mut self, other: &Self) {
        self.lowest.copy_from(&other.lowest);
        self.released = other.released;
        self.mean = other.mean;
        self.history.copy_from_slice(&other.history);
        self.newest = other.newest;
        self.averages = other.averages;
    }

    /// Takes what the groups of a quantum need; returns the gains of the frames
    /// [`Self::latency_frames`] before them.
    pub fn process(&mut self, needed: &[f64; GROUPS], pace: Pace) -> Lane {
        let coefficient = |ms: f64| 1.0 - (-1.0 / (ms * self.groups_per_ms)).exp();
        let slow = coefficient(SLOW_MS);
        let (release, automatic) = match pace {
            Pace::Manual(ms) => (coefficient(ms), false),
            Pace::Automatic => (coefficient(QUICK_MS), true),
        };
        let mut gains = [0.0; QUANTUM];
        for (needed, gains) in needed.iter().zip(gains.as_chunks_mut::<GROUP>().0) {
            let held = self.lowest.push(*needed);
            self.mean = approach(self.mean, held, slow);
            let goal = if automatic { held.min(self.mean) } else { held };
            self.released = if held <= self.released {
                held
            } else {
                approach(self.released, goal.max(self.released), release).min(held)
            };
            let average = self.average();
            self.averages.rotate_right(1);
            self.averages[0] = average as f32;
            for (weights, average) in self.spline.iter().zip(&self.averages).rev() {
                for (gain, weight) in gains.iter_mut().zip(weights) {
                    *gain += weight * average;
                }
            }
        }
        gains
    }

    /// Puts the released value into the history and averages it.
    fn average(&mut self) -> f64 {
        let len = self.history.len();
        self.newest = if self.newest == 0 {
            len - 1
        } else {
            self.newest - 1
        };
        if let Some(cell) = self.history.get_mut(self.newest) {
            *cell = self.released;
        }
        let (recent_last, recent_first) = self.history.split_at(self.newest.min(len));
        let ordered = recent_first.iter().chain(recent_last);
        self.weights
            .iter()
            .zip(ordered)
            .map(|(weight, value)| weight * value)
            .sum()
    }
}

/// Rounded to whole groups, 1…65536.
#[expect(clippy::cast_sign_loss, reason = "at least 1")]
fn groups(number: f64) -> usize {
    number.round().clamp(1.0, 65536.0) as usize
}

/// One step towards `goal`; the last ten-millionth of a decibel is taken at once, so that rest is
/// reached.
fn approach(value: f64, goal: f64, coefficient: f64) -> f64 {
    let next = value + coefficient * (goal - value);
    if (goal - next).abs() < 1e-8 {
        goal
    } else {
        next
    }
}

/// Hann weights as multiples of 2⁻²⁴ that sum to exactly one.
fn window(len: usize) -> Vec<f64> {
    const UNIT: f64 = 16777216.0;
    let hann = |k: usize| (PI * (k + 1) as f64 / (len + 1) as f64).sin().powi(2);
    let sum: f64 = (0..len).map(hann).sum();
    let mut weights: Vec<f64> = (0..len).map(|k| (hann(k) / sum * UNIT).floor()).collect();
    let missing = UNIT - weights.iter().sum::<f64>();
    weights[len / 2] += missing;
    weights.iter().map(|weight| weight / UNIT).collect()
}

/// Weights of the last four averages at each frame of a group: four boxes of one group in a row, a
/// discrete cubic B-spline. They are multiples of 1/512.
fn spline() -> [[f32; GROUP]; SPLINE_REACH + 1] {
    let mut shape = vec![1.0_f32];
    for _ in 0..=SPLINE_REACH {
        let mut wider = vec![0.0; shape.len() + GROUP - 1];
        for (n, value) in shape.iter().enumerate() {
            for cell in wider.iter_mut().skip(n).take(GROUP) {
                *cell += value;
            }
        }
        shape = wider;
    }
    let scale = (GROUP as f32).powi(3);
    std::array::from_fn(|back| {
        std::array::from_fn(|frame| shape.get(back * GROUP + frame).copied().unwrap_or(0.0) / scale)
    })
}

/// Smallest of the last `len` values, from a queue in which every value is smaller than those
/// behind it.
#[derive(Debug, Clone)]
struct RunningMinimum {
    /// Values with the time they came in, from `front`, `count` of them, as a ring.
    queue: Vec<(f64, u64)>,
    front: usize,
    count: usize,
    time: u64,
}

impl RunningMinimum {
    fn new(len: usize) -> Self {
        Self {
            queue: vec![(1.0, 0); len.max(1)],
            front: 0,
            count: 0,
            time: 0,
        }
    }

    fn reset(&mut self) {
        self.front = 0;
        self.count = 0;
        self.time = 0;
    }

    fn copy_from(&mut self, other: &Self) {
        self.queue.copy_from_slice(&other.queue);
        (self.front, self.count, self.time) = (other.front, other.count, other.time);
    }

    fn push(&mut self, value: f64) -> f64 {
        let len = self.queue.len();
        let wrap = |index: usize| if index >= len { index - len } else { index };
        self.time += 1;
        let (_, entered) = self.queue.get(self.front).copied().unwrap_or_default();
        if self.count > 0 && entered + len as u64 <= self.time {
            self.front = wrap(self.front + 1);
            self.count -= 1;
        }
        while self.count > 0
            && self
                .queue
                .get(wrap(self.front + self.count - 1))
                .is_some_and(|last| last.0 >= value)
        {
            self.count -= 1;
        }
        if let Some(cell) = self.queue.get_mut(wrap(self.front + self.count)) {
            *cell = (value, self.time);
        }
        self.count += 1;
        self.queue.get(self.front).map_or(value, |first| first.0)
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "exactly one is the promise")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn weights_are_positive_and_their_sums_exactly_one() {
        for len in 2..100 {
            let weights = window(len);
            assert!(weights.iter().all(|weight| *weight >= 0.0));
            assert_eq!(weights.iter().sum::<f64>(), 1.0);
        }
        let spline = spline();
        for frame in 0..GROUP {
            assert_eq!(
                spline.iter().map(|weights| weights[frame]).sum::<f32>(),
                1.0
            );
        }
    }

    #[test]
    fn rest_is_exactly_one_and_is_reached_again() {
        for pace in [Pace::Automatic, Pace::Manual(20.0), Pace::Manual(1000.0)] {
            let mut computer = GainComputer::new(48000.0);
            for _ in 0..2 {
                assert_eq!(computer.process(&[1.0; GROUPS], pace), [1.0; QUANTUM]);
            }
            for _ in 0..100 {
                computer.process(&[0.1; GROUPS], pace);
            }
            let mut frames = 0;
            while computer.process(&[1.0; GROUPS], pace) != [1.0; QUANTUM] {
                frames += QUANTUM;
                assert!(frames < 48000 * 25, "{pace:?}");
            }
        }
    }

    proptest! {
        #[test]
        fn the_running_minimum_is_the_smallest_of_the_last(len in 1_usize..20, values in prop::collection::vec(0.0..1.0, 1..200)) {
            let mut lowest = RunningMinimum::new(len);
            for end in 1..=values.len() {
                let last = &values[end.saturating_sub(len)..end];
                let expected = last.iter().copied().fold(f64::MAX, f64::min);
                prop_assert_eq!(lowest.push(values[end - 1]), expected);
            }
        }

        /// The promise of the whole design.
        #[test]
        fn the_gain_is_never_higher_than_needed_and_settled_two_groups_around(
            rate in 8000.0..200_000.0,
            pace in prop_oneof![Just(Pace::Automatic), (20.0..1000.0).prop_map(Pace::Manual)],
            peaks in prop::collection::vec((0_usize..400, 0.01..1.0), 1..30),
        ) {
            let mut needed = vec![1.0; 600];
            for (at, gain) in peaks {
                needed[at] = gain;
            }
            let mut computer = GainComputer::new(rate);
            let late = computer.latency_frames();
            let mut gains = Vec::new();
            for groups in needed.as_chunks::<GROUPS>().0 {
                gains.extend(computer.process(groups, pace));
            }
            for (group, needed) in needed.iter().enumerate() {
                let first = (group * GROUP + late).saturating_sub(SETTLED_GROUPS * GROUP);
                for gain in gains.iter().skip(first).take((2 * SETTLED_GROUPS + 1) * GROUP) {
                    prop_assert!(f64::from(*gain) <= needed * (1.0 + 2e-7));
                }
            }
        }
    }
}
