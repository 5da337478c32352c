//! The engine over a stretch of audio that has a beginning and an end: with nobody listening, or a
//! file.

use super::{Engine, EngineSpec};
use crate::measure::{GainMemory, ReductionMeter, RestGain};
use std::ops::Range;

/// A meter of what both paths pay. A limiter that is not linked gives each channel a gain of its
/// own, which is no distortion.
pub(super) fn path_reduction(spec: EngineSpec, memory: GainMemory) -> ReductionMeter {
    let rest = RestGain::Known(0.0);
    ReductionMeter::new(spec.sample_rate_hz, spec.channels, 2, memory, rest).with_channels_apart()
}

/// Which of the frames that come out are measured.
#[derive(Debug)]
pub(super) struct Reported {
    /// Frames that pass by before the first.
    early: usize,
    taken: u64,
    most: u64,
}

impl Reported {
    /// All there will ever be.
    pub fn everything() -> Self {
        Self {
            early: 0,
            taken: 0,
            most: u64::MAX,
        }
    }

    /// What is measured of the next frames, which lie in `range`.
    pub fn take(&mut self, range: Range<usize>) -> Range<usize> {
        let early = self.early.min(range.len());
        self.early -= early;
        let start = range.start + early;
        let left = usize::try_from(self.most.saturating_sub(self.taken)).unwrap_or(usize::MAX);
        let frames = left.min(range.end - start);
        self.taken += frames as u64;
        start..start + frames
    }
}

impl Engine {
    /// The same engine to nobody's ears, for finding out what settings do to a stretch of audio:
    /// both paths and what is measured of them, without what only a listener needs. What comes in
    /// stays as it is and is not measured, and no point measures a balance. Allocates.
    pub fn without_listening(spec: EngineSpec) -> Self {
        Self {
            unheard: true,
            ..Self::with_balances(spec, None)
        }
    }

    /// The same engine for a file from its first frame to its last. Everything is measured in step
    /// and of the file alone: not of what comes out before its first frame does, nor, once
    /// [`file_ends`](Self::file_ends) has told where that is, behind its last. What the paths pay is
    /// kept for percentiles of the whole, and no point measures a balance. Allocates.
    pub fn for_file(spec: EngineSpec) -> Self {
        let mut engine = Self::with_balances(spec, None);
        engine.reduction = path_reduction(engine.spec, GainMemory::Session);
        engine.reported.early = engine.latency_frames();
        engine
    }

    /// The file has so many frames, the last of which has come in. What comes in behind them only
    /// brings out what is still on its way.
    pub fn file_ends(&mut self, frames: u64) {
        self.reported.most = frames;
    }

    /// Begins a stretch of audio: measures as if nothing had come before, while what is on its way
    /// through the chain stays. Allocates.
    pub fn begin(&mut self) {
        self.restart();
        self.reduction = path_reduction(self.spec, GainMemory::Nothing);
    }

    /// Ends a stretch of audio: what is still on its way through the meters enters what they have
    /// measured. Then look at the [`snapshot`](Self::snapshot); process nothing more.
    pub fn finish(&mut self) {
        self.measure();
        self.points.finish();
        self.reduction.finish();
    }

    /// Lowest gain of the clean and of the output path's limiter in the last whole chunk of
    /// [`CHUNK`](super::CHUNK) frames, dB, 0 or less.
    pub fn limiters_db(&self) -> [f32; 2] {
        self.limiters_db
    }
}
