//! A reference that comes in by the side-chain, listened to while it does.
//!
//! Its loudness is that of all that has come in, as a file's is that of the whole loop, or of its
//! last 10 s where these are louder: a louder song after a quiet one would pass for as loud as both
//! together. Until it has had one for a second, which leaves less than 1 LU to the blocks that its
//! beginning fills in part, it is no reference: nothing is switched to at an unknown level. Nor is
//! it one any more after 3 s of silence; what comes after may be another song, and is measured
//! anew. While a file is written nothing is measured: what a host renders need not be what is
//! listened to, and its side-chain may well be silent.

use super::super::{CHUNK, EngineSpec, Stereo, range_in, range_of, silent_stereo};
use crate::dsp::fault::{LARGEST_INPUT, silence_faults};
use crate::measure::{ChannelRole, Meter};
use crate::process::ReferenceLoudness;
use std::ops::Range;

/// Time that it must have been loud enough to have a loudness, s.
const KNOWN_AFTER_S: f64 = 1.0;
/// Silence after which it is no reference any more, s: the short-term window of EBU Tech 3341.
const GONE_AFTER_S: f64 = 3.0;
/// Where its loudness has moved by more than `MOVED_LU`, its gain follows at once for `MOVING_S`,
/// s.
const MOVING_S: f64 = 1.0;
const MOVED_LU: f64 = 1.0;

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
    /// At some frame of the chunk a file was written.
    held: bool,
    chunks_per_s: f64,
    /// Chunks in which its loudness was known, chunks of silence since the last of these, and
    /// chunks since its loudness last moved.
    known: usize,
    silent: usize,
    steady: usize,
    steady_lufs: f64,
    loudness: Option<ReferenceLoudness>,
}

impl Live {
    /// Allocates.
    pub fn new(spec: EngineSpec) -> Self {
        let roles = &[ChannelRole::Front; 2][..spec.channels];
        Self {
            meter: Meter::new(spec.sample_rate_hz, roles, CHUNK),
            channels: spec.channels,
            signal: silent_stereo(),
            runs: false,
            on: false,
            held: false,
            chunks_per_s: spec.sample_rate_hz / CHUNK as f64,
            known: 0,
            silent: 0,
            steady: 0,
            steady_lufs: 0.0,
            loudness: None,
        }
    }

    /// What comes next does not follow on what came last.
    pub fn cut(&mut self) {
        self.meter.cut();
    }

    /// How loud it is; `None` while it is off, or nothing loud enough comes in.
    pub fn loudness(&self) -> Option<ReferenceLoudness> {
        self.loudness
    }

    /// Whether its loudness has moved a moment ago.
    pub fn is_moving(&self) -> bool {
        !self.is_time(self.steady, MOVING_S)
    }

    fn is_time(&self, chunks: usize, seconds: f64) -> bool {
        chunks as f64 >= seconds * self.chunks_per_s
    }

    /// Takes the frames of `range` within the chunk. Channels may be missing or short: what is
    /// missing is silence. Returns how many of the samples were no audio; 0 while it does not run.
    pub fn take(&mut self, on: bool, side: &[&[f32]], range: &Range<usize>) -> u32 {
        if on && !self.runs {
            for channel in &mut self.signal {
                channel.fill(0.0);
            }
        }
        self.on |= on;
        self.runs |= on;
        if !self.runs {
            return 0;
        }
        let mut faults = 0;
        let places = range_in(&mut self.signal, range.clone());
        for (index, to) in places.into_iter().enumerate() {
            let from = side.get(index).copied().unwrap_or_default();
            let (there, missing) = to.split_at_mut(from.len().min(to.len()));
            there.copy_from_slice(&from[..there.len()]);
            faults += silence_faults(there, LARGEST_INPUT);
            missing.fill(0.0);
        }
        faults
    }

    /// A file is written: what comes in belongs to that, and what is known goes on holding.
    pub fn hold(&mut self) {
        self.held = true;
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
        if std::mem::take(&mut self.held) {
            self.meter.cut();
            return;
        }
        if !on {
            // What fades out is still compared with what takes its place.
            if heard {
                self.meter.cut();
            } else {
                self.begin_anew();
            }
            return;
        }
        let chunk = range_of(&self.signal, 0..CHUNK);
        self.meter.process(&chunk[..self.channels]);
        let readings = self.meter.readings();
        let momentary_lufs = readings.placed().momentary_lufs;
        self.silent = momentary_lufs.map_or(self.silent + 1, |_| 0);
        if self.is_time(self.silent, GONE_AFTER_S) {
            self.begin_anew();
        }
        let Some(all_lufs) = readings.integrated_lufs.filter(|_| self.silent == 0) else {
            return;
        };
        self.known += 1;
        let integrated_lufs = readings
            .gated_10s_lufs
            .map_or(all_lufs, |latest| latest.max(all_lufs));
        self.steady += 1;
        if (integrated_lufs - self.steady_lufs).abs() > MOVED_LU {
            (self.steady, self.steady_lufs) = (0, integrated_lufs);
        }
        self.loudness = self
            .is_time(self.known, KNOWN_AFTER_S)
            .then_some(ReferenceLoudness {
                integrated_lufs,
                behind_lufs: momentary_lufs,
                ahead_lufs: momentary_lufs,
            });
    }

    /// Forgets what has come in.
    fn begin_anew(&mut self) {
        if self.known > 0 {
            self.meter.restart();
        }
        (self.known, self.loudness) = (0, None);
    }
}
