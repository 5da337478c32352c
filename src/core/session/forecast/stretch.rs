//! The audio that a forecast is made of.

use crate::dsp::fault::{LARGEST_INPUT, silence_faults};

/// Longest stretch that a forecast is made of unless a longer one is asked for, seconds.
pub const LONGEST_STRETCH_S: f64 = 60.0;

/// A stretch of audio of one or two channels.
#[derive(Clone, Debug)]
pub struct Stretch {
    sample_rate_hz: f64,
    planes: Vec<Vec<f32>>,
}

impl Stretch {
    /// One vector a channel, one or two of them, as long as the shortest. Samples that are not
    /// finite, or beyond +80 dBFS, count as silence, as in the engine.
    pub fn new(sample_rate_hz: f64, mut planes: Vec<Vec<f32>>) -> Self {
        planes.truncate(2);
        let frames = planes.iter().map(Vec::len).min().unwrap_or(0);
        for plane in &mut planes {
            plane.truncate(frames);
            silence_faults(plane, LARGEST_INPUT);
        }
        Self {
            sample_rate_hz,
            planes,
        }
    }

    /// Hz.
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// Number of channels: 0, 1 or 2.
    pub fn channels(&self) -> usize {
        self.planes.len()
    }

    /// Number of frames.
    pub fn frames(&self) -> usize {
        self.planes.first().map_or(0, Vec::len)
    }

    /// Length, seconds.
    pub fn duration_s(&self) -> f64 {
        self.frames() as f64 / self.sample_rate_hz
    }

    /// Copies the frames from `start` on to the head of `into`, as many as fit; past the end there
    /// is silence.
    pub(in crate::session) fn copy(&self, start: usize, into: &mut [&mut [f32]]) {
        for (plane, into) in self.planes.iter().zip(into) {
            let there = plane.get(start..).unwrap_or_default();
            let (sounding, silent) = into.split_at_mut(there.len().min(into.len()));
            sounding.copy_from_slice(&there[..sounding.len()]);
            silent.fill(0.0);
        }
    }

    /// The channels in pieces of at most `frames` frames, one after the other, to change.
    pub(in crate::session) fn pieces_mut(
        &mut self,
        frames: usize,
    ) -> impl Iterator<Item = Vec<&mut [f32]>> {
        let count = self.frames().div_ceil(frames);
        let mut planes: Vec<_> = self
            .planes
            .iter_mut()
            .map(|plane| plane.chunks_mut(frames))
            .collect();
        (0..count).map(move |_| planes.iter_mut().filter_map(Iterator::next).collect())
    }
}
