//! What a recording's samples are beside zero in the mean.

use crate::dsp::decibel::db_from_gain;
use crate::dsp::fault::{LARGEST_SAMPLE, or_silence};

/// Mean of a recording's samples, channel by channel.
///
/// An offset is not heard, but takes headroom on one side, has a limiter work on that side first, and
/// clicks where the recording begins, ends or is cut.
#[derive(Clone, Debug)]
pub struct DcOffset {
    sums: Vec<f64>,
    frames: u64,
}

impl DcOffset {
    /// Of nothing yet. Allocates.
    pub fn new(channels: usize) -> Self {
        Self {
            sums: vec![0.0; channels],
            frames: 0,
        }
    }

    /// Takes one slice a channel, all of one length. Samples that are not finite count as silence.
    pub fn process<'a>(&mut self, channels: impl IntoIterator<Item = &'a [f32]>) {
        let mut frames = 0;
        for (sum, channel) in self.sums.iter_mut().zip(channels) {
            frames = channel.len() as u64;
            let samples = channel.iter().map(|it| or_silence(*it, LARGEST_SAMPLE));
            *sum += samples.map(f64::from).sum::<f64>();
        }
        self.frames += frames;
    }

    /// The mean of the channel that is furthest from zero, dBFS (0 dBFS is full scale); `None` where
    /// all are zero.
    pub fn dbfs(&self) -> Option<f64> {
        let furthest = self.sums.iter().fold(0.0, |most, sum| sum.abs().max(most));
        db_from_gain(furthest / self.frames.max(1) as f64)
    }
}
