//! What the bands are compared with: the signal before them, with the phase that their gains bring.

use wide::f32x4;

use super::gain::{FrameGains, exp2};
use crate::dsp::ramp::frames_from_ms;

/// Time constant of either of the two averages behind one another, ms: together they follow the
/// gains about as fast as the windows of 20 and 40 ms do in which a change is told from a
/// distortion.
const AVERAGE_MS: f64 = 10.0;
/// Averages below this (0.000006 dB) have died away, log₂ units.
const NOTHING: f32 = 1e-6;

/// The gains of a copy of the signal that goes through shelves beside it: the bands' gains,
/// averaged.
///
/// Gains that stand still turn phases between the bands, which is neither reduction nor distortion.
/// This copy is turned alike; what it was turned down by is told beside it, to be given back once
/// it is split into bands. What remains between it and the signal is what the gains do by moving.
#[derive(Clone, Debug)]
pub(super) struct Settled {
    /// What a frame leaves of how far an average is behind.
    keep: f32x4,
    makeup: Average,
    reduction: Average,
    /// Make-up and reduction on their way to the averages, a ring, and frames until it holds
    /// nothing.
    waiting: Box<[[f32x4; 2]]>,
    next: usize,
    until_empty: usize,
    /// Both averages have died away: frames pass as they are until a gain moves.
    idle: bool,
}

/// Two one-pole averages behind one another, log₂ units.
///
/// Kept as how far each is behind what it follows: an `f32` that went there by ever smaller steps
/// would stop before it arrives.
#[derive(Clone, Copy, Debug, Default)]
struct Average {
    value: f32x4,
    once: f32x4,
    twice: f32x4,
}

impl Settled {
    pub fn new(sample_rate_hz: f64) -> Self {
        let keep = (-1000.0 / (AVERAGE_MS * sample_rate_hz)).exp();
        Self {
            keep: f32x4::splat(keep as f32),
            makeup: Average::default(),
            reduction: Average::default(),
            waiting: Box::default(),
            next: 0,
            until_empty: 0,
            idle: true,
        }
    }

    /// For a copy that is so many frames late: what the averages are late themselves is a part of
    /// it. Allocates.
    pub fn late_by(self, frames: usize, sample_rate_hz: f64) -> Self {
        let averages = frames_from_ms(sample_rate_hz, 2.0 * AVERAGE_MS) as usize;
        Self {
            waiting: vec![[f32x4::ZERO; 2]; frames.saturating_sub(averages)].into(),
            ..self
        }
    }

    /// Forgets the signal and the gains.
    pub fn reset(&mut self) {
        (self.makeup, self.reduction) = (Average::default(), Average::default());
        self.waiting.fill([f32x4::ZERO; 2]);
        (self.next, self.until_empty) = (0, 0);
        self.idle = true;
    }

    /// Whether frames pass as they are.
    pub fn is_idle(&self) -> bool {
        self.idle
    }

    /// Works out the averages of the gains of some frames, to the second place of `gains`, and tells
    /// the factor by which each band of each is turned down.
    pub fn average(
        &mut self,
        bands: &[FrameGains],
        gains: &mut [[f32x4; 2]],
        turned_down: &mut [[f32; 4]],
    ) {
        let moves = |bands: &FrameGains| bands.makeup.abs() + bands.reduction.abs() != f32x4::ZERO;
        if self.idle && !bands.iter().any(moves) {
            for [_, gains] in gains {
                *gains = f32x4::ZERO;
            }
            turned_down.fill([1.0; 4]);
            return;
        }
        self.idle = false;
        let (mut makeup, mut reduction) = (self.makeup, self.reduction);
        for (([_, gains], turned_down), bands) in gains.iter_mut().zip(turned_down).zip(bands) {
            let mut due = [bands.makeup, bands.reduction];
            if let Some(waiting) = self.waiting.get_mut(self.next) {
                std::mem::swap(waiting, &mut due);
                self.next += 1;
                if self.next == self.waiting.len() {
                    self.next = 0;
                }
            }
            self.until_empty = if moves(bands) {
                self.waiting.len()
            } else {
                self.until_empty.saturating_sub(1)
            };
            let reduction = reduction.step(due[1], self.keep);
            *gains = makeup.step(due[0], self.keep) - reduction;
            *turned_down = exp2(-reduction).to_array();
        }
        (self.makeup, self.reduction) = (makeup, reduction);
    }

    /// Looks whether the averages have died away.
    pub fn look(&mut self) {
        // Beside a make-up that stands still they would go on in denormals, which cost many times as
        // much.
        self.makeup.arrive();
        self.reduction.arrive();
        let waits = self.idle || self.until_empty > 0;
        if !waits && self.makeup.is_nothing() && self.reduction.is_nothing() {
            self.reset();
        }
    }
}

impl Average {
    #[inline]
    fn step(&mut self, value: f32x4, keep: f32x4) -> f32x4 {
        let moved = value - self.value;
        let once = keep * (self.once + moved);
        self.twice = keep * (self.twice + (moved - (once - self.once)));
        (self.value, self.once) = (value, once);
        let twice = value - (once + self.twice);
        twice & twice.abs().simd_ge(f32x4::splat(NOTHING))
    }

    /// Takes the last that it is behind at once, far below what is [nothing](NOTHING).
    fn arrive(&mut self) {
        let all = f32x4::splat(1e-6 * NOTHING);
        self.once = self.once & self.once.abs().simd_ge(all);
        self.twice = self.twice & self.twice.abs().simd_ge(all);
    }

    fn is_nothing(&self) -> bool {
        let size = self.once.abs().fast_max(self.twice.abs());
        let size = size.fast_max(self.value.abs());
        size.to_array().iter().all(|size| *size < NOTHING)
    }
}
