//! RMS, sample peak and clipped runs.

use super::sliding::SlidingSum;
use super::true_peak::highest_lane;
use crate::dsp::decibel::db_from_power;
use wide::f32x8;

/// Slots of 10 ms in the two RMS windows.
pub(super) const SHORT_SLOTS: usize = 30;
pub(super) const LONG_SLOTS: usize = 300;

/// RMS over 300 ms, over 3 s and over everything, mean over the channels.
#[derive(Clone, Debug)]
pub(super) struct Rms {
    slots: SlidingSum,
    count: u64,
    total: f64,
}

impl Rms {
    pub fn new() -> Self {
        Self {
            slots: SlidingSum::new(LONG_SLOTS),
            count: 0,
            total: 0.0,
        }
    }

    pub fn reset(&mut self) {
        self.slots.reset();
        self.count = 0;
        self.total = 0.0;
    }

    /// Takes the energy of one 10 ms slot, mean over the channels.
    pub fn push(&mut self, energy: f64) {
        self.slots.push(energy);
        self.count += 1;
        self.total += energy;
    }

    /// Counts the energy of an incomplete slot towards everything.
    pub fn add_rest(&mut self, energy: f64) {
        self.total += energy;
    }

    /// RMS of the last `slots` (at most [`LONG_SLOTS`]), which span `frames`, dBFS; `None` until
    /// there are as many.
    pub fn window_dbfs(&self, slots: usize, frames: f64) -> Option<f64> {
        (self.count >= slots as u64)
            .then(|| db_from_power(self.slots.sum_of_last(slots) / frames))?
    }

    /// RMS of everything, which spans `frames`, dBFS.
    pub fn total_dbfs(&self, frames: f64) -> Option<f64> {
        db_from_power(self.total / frames)
    }
}

/// The smallest magnitude that counts as full scale: the largest positive 16-bit sample.
const FULL_SCALE: f32 = 32_767.0 / 32_768.0;
/// Consecutive full-scale samples that make a clipped run.
const CLIPPED_RUN: u64 = 3;

/// Sample peak and clipped runs of one channel.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct PeakAndClips {
    /// Highest absolute sample.
    pub peak: f32,
    /// Runs of three or more consecutive full-scale samples.
    pub clipped_runs: u64,
    /// Frame of the third sample of the last such run.
    pub last_clip_frame: Option<u64>,
    run: u64,
}

impl PeakAndClips {
    /// Takes finite samples; `first_frame` is the frame number of the first of them.
    pub fn process(&mut self, samples: &[f32], first_frame: u64) {
        let (eights, rest) = samples.as_chunks::<8>();
        let highest = eights.iter().fold(f32x8::ZERO, |highest, eight| {
            highest.fast_max(f32x8::new(*eight).abs())
        });
        let peak = rest
            .iter()
            .fold(highest_lane(highest), |peak, sample| peak.max(sample.abs()));
        self.peak = self.peak.max(peak);
        if peak < FULL_SCALE {
            self.run = 0;
            return;
        }
        for (frame, sample) in (first_frame..).zip(samples) {
            self.run = if sample.abs() >= FULL_SCALE {
                self.run + 1
            } else {
                0
            };
            if self.run == CLIPPED_RUN {
                self.clipped_runs += 1;
                self.last_clip_frame = Some(frame);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_are_counted_across_blocks_and_once_each() {
        let mut clips = PeakAndClips::default();
        clips.process(&[0.0, 1.0, 1.0], 0);
        assert_eq!(clips.clipped_runs, 0);
        clips.process(&[1.0, 1.0, 0.2, 1.0, -1.0, 0.0], 3);
        assert_eq!((clips.clipped_runs, clips.last_clip_frame), (1, Some(3)));
        clips.process(&[-1.0, -1.0, -1.0], 9);
        assert_eq!((clips.clipped_runs, clips.last_clip_frame), (2, Some(11)));
    }

    #[test]
    fn sixteen_bit_full_scale_counts_as_full_scale() {
        let mut clips = PeakAndClips::default();
        clips.process(&[32_767.0 / 32_768.0; 3], 0);
        assert_eq!(clips.clipped_runs, 1);
        clips.process(&[32_766.0 / 32_768.0; 3], 3);
        assert_eq!(clips.clipped_runs, 1);
    }
}
