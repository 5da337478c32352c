//! From the signal's rate to that of the slow analysis.

use super::{dot, power_of_two};
use crate::dsp::fir::low_pass;
use crate::dsp::quad::Level;

/// Rate of the slow analysis; rounded to a power of two of the signal's.
const SLOW_RATE_HZ: f64 = 3_000.0;
/// Taps of the decimation filter for each step of the decimation: 80 dB down where the slow bands
/// would alias.
const TAPS_PER_STEP: usize = 6;
const TAPS_BETA: f64 = 8.0;

/// Brings two channels down to the slow analysis' rate.
pub(super) struct Decimator {
    pub level: Level,
    taps: Vec<f32>,
    pub step: usize,
    /// Of each channel the last `taps.len()` samples, then those at hand.
    signal: [Vec<f32>; 2],
    /// Samples still to come before the next output.
    wanted: usize,
}

impl Decimator {
    pub fn new(sample_rate_hz: f64, max_block: usize) -> Self {
        let step = power_of_two(sample_rate_hz / SLOW_RATE_HZ).max(1);
        let len = (TAPS_PER_STEP * step).max(2);
        // Half-way between the highest slow band and what would fold onto it.
        let cutoff = 0.5 / step as f64;
        let taps: Vec<f32> = low_pass(len, cutoff, TAPS_BETA)
            .iter()
            .map(|tap| *tap as f32)
            .collect();
        Self {
            level: Level::new(),
            signal: [vec![0.0; len + max_block], vec![0.0; len + max_block]],
            taps,
            step,
            wanted: step,
        }
    }

    pub fn reset(&mut self) {
        // `wanted` stays, as the analysers' stagger does.
        for signal in &mut self.signal {
            signal.fill(0.0);
        }
    }

    /// Calls `output` with each frame at the slow rate. Takes at most `max_block` frames.
    pub fn process(&mut self, channels: [&[f32]; 2], mut output: impl FnMut([f32; 2])) {
        let len = self.taps.len();
        let frames = channels[0].len().min(channels[1].len());
        for (signal, samples) in self.signal.iter_mut().zip(channels) {
            signal[len..len + frames].copy_from_slice(&samples[..frames]);
        }
        let mut end = self.wanted;
        while end <= frames {
            output(
                self.signal
                    .each_ref()
                    .map(|signal| dot(self.level, &signal[end..end + len], &self.taps)),
            );
            end += self.step;
        }
        self.wanted = end - frames;
        for signal in &mut self.signal {
            signal.copy_within(frames..frames + len, 0);
        }
    }

    /// Counts frames that another decimator takes; returns how many come out of it.
    pub fn pass(&mut self, frames: usize) -> usize {
        let outputs = (frames + self.step - self.wanted) / self.step;
        self.wanted = self.wanted + outputs * self.step - frames;
        outputs
    }

    /// Goes on with the signal of `other`, which has taken what this one has
    /// [passed](Self::pass).
    pub fn go_on_from(&mut self, other: &Self) {
        let len = self.taps.len();
        for (signal, other) in self.signal.iter_mut().zip(&other.signal) {
            signal[..len].copy_from_slice(&other[..len]);
        }
    }
}
