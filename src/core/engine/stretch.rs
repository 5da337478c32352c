//! The engine over a stretch of audio that has a beginning and an end, with nobody listening.

use super::{Engine, EngineSpec, path_reduction};

impl Engine {
    /// The same engine to nobody's ears, for finding out what settings do to a stretch of audio:
    /// both paths and what is measured of them, without what only a listener needs. What comes in
    /// stays as it is and is not measured, and no point measures a balance. Allocates.
    pub fn without_listening(spec: EngineSpec) -> Self {
        Self {
            unheard: true,
            ..Self::with_balances(spec, false)
        }
    }

    /// Begins a stretch of audio: measures as if nothing had come before, while what is on its way
    /// through the chain stays. Allocates.
    pub fn begin(&mut self) {
        self.restart();
        self.reduction = path_reduction(self.spec);
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
