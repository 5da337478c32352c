//! What lies so close to half the rate that interpolation cannot see it.
//!
//! There a filter of finite length falls off, and the samples of a sound show only what of it is in
//! step with their own alternation: a crest between them is missed. Turned down to the middle of
//! the spectrum (every other sample negated) such sound is slow, so its level is known from a mean
//! over some hundred frames, and for as long again before and after.

use super::gain::{GROUP, GROUPS};
use super::running::{Delay, RunningMinimum};
use crate::dsp::quantum::Lane;

/// Groups in a mean: 224 frames, which falls off as the interpolation does.
const MEAN: usize = 28;
/// Groups over which the highest mean counts: those ahead of the group that is judged, and a mean
/// behind it.
const REACH: usize = 37;
/// Steps of a sample, so that running sums are exact, and of a level.
const STEPS: f32 = 1_048_576.0;
const LEVEL_STEPS: f64 = 65_536.0;
/// Largest sum of a group: far beyond any audio.
const LARGEST: f32 = 65_536.0;

/// Level of what one channel has next to half the rate.
#[derive(Debug, Clone)]
pub struct Edge {
    groups: Delay<i64>,
    sum: i64,
    /// Of the levels, counted down from the largest number.
    highest: RunningMinimum,
    /// Of the groups of the last quantum.
    levels: [f32; GROUPS],
}

impl Edge {
    /// Groups from the newest one to the one that is told about, at most.
    pub const LATENCY: usize = MEAN / 2 + 9;

    /// Allocates.
    pub fn new() -> Self {
        Self {
            groups: Delay::new(MEAN, 0),
            sum: 0,
            highest: RunningMinimum::new(REACH),
            levels: [0.0; GROUPS],
        }
    }

    pub fn reset(&mut self) {
        self.groups.reset(0);
        self.sum = 0;
        self.highest.reset();
        self.levels = [0.0; GROUPS];
    }

    /// Takes the next quantum.
    pub fn push(&mut self, quantum: &Lane) {
        let groups = quantum.as_chunks::<GROUP>().0;
        for (level, group) in self.levels.iter_mut().zip(groups) {
            let [a, b, c, d, e, f, g, h] = group;
            let alternating = ((a - b) + (c - d)) + ((e - f) + (g - h));
            let steps = (alternating.clamp(-LARGEST, LARGEST) * STEPS) as i64;
            self.sum += steps - self.groups.push(steps);
            let mean = self.sum.unsigned_abs() as f64 / f64::from(STEPS) / (MEAN * GROUP) as f64;
            #[expect(clippy::cast_sign_loss, reason = "a magnitude")]
            let steps = (mean * LEVEL_STEPS).ceil() as u32;
            let highest = u32::MAX - self.highest.push(u32::MAX - steps);
            *level = (f64::from(highest) / LEVEL_STEPS) as f32;
        }
    }

    /// Level around each group of the quantum [`LATENCY`](Self::LATENCY) groups ago.
    pub fn levels(&self) -> &[f32; GROUPS] {
        &self.levels
    }
}
