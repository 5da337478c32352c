//! A reference that comes in by the side-chain, listened to while it does.
//!
//! Its loudness is that of all that has come in since it was switched on, as a file's is that of the
//! whole loop. Until that has been so for a second, which leaves less than 1 LU to the blocks that its
//! beginning fills in part, it is no reference: nothing is switched to at an unknown level.

use super::super::{CHUNK, EngineSpec, Stereo, range_in, range_of, silent_stereo};
use crate::dsp::fault::{LARGEST_INPUT, or_silence};
use crate::measure::{ChannelRole, Meter};
use crate::process::ReferenceLoudness;
use std::ops::Range;

/// Time that it must have been loud enough to have a loudness, s.
const KNOWN_AFTER_S: f64 = 1.0;

/// What the side-chain carries.
#[derive(Debug)]
pub(super) struct Live {
    meter: Meter,
    channels: usize,
    signal: Stereo,
    /// It is on, or still heard.
    runs: bool,
    /// It was switched on at some frame of the chunk.
    on: bool,
    /// Chunks until its loudness counts as known.
    unknown_chunks: usize,
    unknown_at_first: usize,
    loudness: Option<ReferenceLoudness>,
}

impl Live {
    /// Allocates.
    pub fn new(spec: EngineSpec) -> Self {
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let chunks = (KNOWN_AFTER_S * spec.sample_rate_hz / CHUNK as f64).ceil() as usize;
        let roles = &[ChannelRole::Front; 2][..spec.channels];
        Self {
            meter: Meter::new(spec.sample_rate_hz, roles, CHUNK),
            channels: spec.channels,
            signal: silent_stereo(),
            runs: false,
            on: false,
            unknown_chunks: chunks,
            unknown_at_first: chunks,
            loudness: None,
        }
    }

    /// What comes next does not follow on what came last.
    pub fn cut(&mut self) {
        self.meter.cut();
    }

    /// How loud it is; `None` while it is off, or nothing loud enough has come in.
    pub fn loudness(&self) -> Option<ReferenceLoudness> {
        self.loudness
    }

    /// Takes the frames of a stretch of the chunk. Channels may be missing or short: what is missing
    /// is silence.
    pub fn take(&mut self, on: bool, side: &[&[f32]], range: &Range<usize>) {
        if on && !self.runs {
            for channel in &mut self.signal {
                channel.fill(0.0);
            }
        }
        self.on |= on;
        self.runs |= on;
        if !self.runs {
            return;
        }
        let places = range_in(&mut self.signal, range.clone());
        for (index, to) in places.into_iter().enumerate() {
            let from = side.get(index).copied().unwrap_or_default();
            let (there, missing) = to.split_at_mut(from.len().min(to.len()));
            for (to, from) in there.iter_mut().zip(from) {
                *to = or_silence(*from, LARGEST_INPUT);
            }
            missing.fill(0.0);
        }
    }

    /// The frames last taken; none while it does not run.
    pub fn signal(&self, range: &Range<usize>) -> [&[f32]; 2] {
        if self.runs {
            range_of(&self.signal, range.clone())
        } else {
            [&[]; 2]
        }
    }

    /// A chunk is over: measures it. It may be `heard` for longer than it is on.
    pub fn chunk_done(&mut self, heard: bool) {
        let on = std::mem::take(&mut self.on);
        self.runs = on || heard;
        if !on {
            // What fades out is still compared with what takes its place.
            if !heard && self.unknown_chunks < self.unknown_at_first {
                self.meter.restart();
                (self.unknown_chunks, self.loudness) = (self.unknown_at_first, None);
            }
            return;
        }
        let chunk = range_of(&self.signal, 0..CHUNK);
        self.meter.process(&chunk[..self.channels]);
        let readings = self.meter.readings();
        let Some(integrated_lufs) = readings.integrated_lufs else {
            return;
        };
        self.unknown_chunks = self.unknown_chunks.saturating_sub(1);
        self.loudness = (self.unknown_chunks == 0).then_some(ReferenceLoudness {
            integrated_lufs,
            behind_lufs: readings.momentary_lufs,
            ahead_lufs: readings.momentary_lufs,
        });
    }
}
