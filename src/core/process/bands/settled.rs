//! What the bands are compared with: the signal before them, with the phase that their gains bring.

use wide::{f32x4, f64x2};

use super::gain::{FrameGains, exp2};
use super::shelves::BandShelves;
use super::soloed;
use crate::dsp::biquad::MAX_RUN;
use crate::dsp::crossover::{Crossover, DEFAULT_CORNERS_HZ};

/// Time constant of either of the two averages behind one another, ms: together they follow the
/// gains about as fast as the windows of 20 and 40 ms do in which a change is told from a
/// distortion.
const AVERAGE_MS: f64 = 10.0;
/// Averages below this (0.000006 dB) have died away, log₂ units.
const NOTHING: f32 = 1e-6;

/// A copy of the signal that goes through shelves of its own, whose gains are the bands' gains
/// averaged.
///
/// Gains that stand still turn phases between the bands, which is neither reduction nor distortion.
/// This copy is turned alike; what it was turned down by is told beside it, to be given back once
/// it is split into bands. What remains between it and the signal is what the gains do by moving.
#[derive(Clone, Debug)]
pub(super) struct Settled {
    share: f32x4,
    shelves: BandShelves,
    /// Runs while a band is soloed.
    crossover: Crossover,
    soloed: bool,
    makeup: Average,
    reduction: Average,
    /// Both averages have died away: frames pass as they are until a gain moves.
    idle: bool,
    corners_hz: [f64; 3],
}

/// Two one-pole averages behind one another, log₂ units.
#[derive(Clone, Copy, Debug, Default)]
struct Average {
    once: f32x4,
    twice: f32x4,
}

impl Settled {
    pub fn new(sample_rate_hz: f64) -> Self {
        let share = -(-1000.0 / (AVERAGE_MS * sample_rate_hz)).exp_m1();
        Self {
            share: f32x4::splat(share as f32),
            shelves: BandShelves::new(sample_rate_hz),
            crossover: Crossover::new(sample_rate_hz),
            soloed: false,
            makeup: Average::default(),
            reduction: Average::default(),
            idle: true,
            corners_hz: DEFAULT_CORNERS_HZ,
        }
    }

    /// Forgets the signal and the gains.
    pub fn reset(&mut self) {
        (self.makeup, self.reduction) = (Average::default(), Average::default());
        (self.soloed, self.idle) = (false, true);
    }

    /// Moves the corners, in Hz, low to high; takes 50 ms, but no time while frames pass as they
    /// are.
    pub fn set_corners(&mut self, corners_hz: [f64; 3]) {
        self.corners_hz = corners_hz;
        self.shelves.set_corners(corners_hz);
        self.crossover.set_corners(corners_hz);
    }

    /// Whether frames pass as they are.
    pub fn is_idle(&self) -> bool {
        self.idle
    }

    /// Gives up to [`MAX_RUN`] frames the averages of the bands' gains, and tells the factor by
    /// which each band of each was turned down.
    pub fn process(
        &mut self,
        frames: &mut [f64x2],
        bands: &[FrameGains],
        turned_down: &mut [[f32; 4]],
    ) {
        let count = frames.len().min(bands.len()).min(turned_down.len());
        let mut start = 0;
        while start < count {
            let (frames, bands, turned_down) = (
                &mut frames[start..count],
                &bands[start..count],
                &mut turned_down[start..count],
            );
            start += if self.idle {
                self.pass(bands, turned_down)
            } else {
                self.stretch(frames, bands, turned_down)
            };
        }
    }

    /// Leaves frames as they are until a gain moves; returns how many.
    fn pass(&mut self, bands: &[FrameGains], turned_down: &mut [[f32; 4]]) -> usize {
        let moves = |bands: &FrameGains| {
            bands.makeup.abs() + bands.reduction.abs() + bands.solo != f32x4::ZERO
        };
        let resting = bands.iter().position(moves).unwrap_or(bands.len());
        turned_down[..resting].fill([1.0; 4]);
        if resting < bands.len() {
            self.reset();
            self.idle = false;
            self.shelves.reset(self.corners_hz);
        }
        resting
    }

    /// Works on as many frames as the corners stand still for; returns how many.
    fn stretch(
        &mut self,
        frames: &mut [f64x2],
        bands: &[FrameGains],
        turned_down: &mut [[f32; 4]],
    ) -> usize {
        let (count, is_time) = self.shelves.advance(frames.len());
        let (frames, bands) = (&mut frames[..count], &bands[..count]);
        let (mut makeup, mut reduction) = (self.makeup, self.reduction);
        for ((gains, turned_down), bands) in
            self.shelves.gains.iter_mut().zip(turned_down).zip(bands)
        {
            let reduction = reduction.step(bands.reduction, self.share);
            *gains = makeup.step(bands.makeup, self.share) - reduction;
            *turned_down = exp2(-reduction).to_array();
        }
        (self.makeup, self.reduction) = (makeup, reduction);
        let soloing = bands.iter().any(|bands| bands.solo != f32x4::ZERO);
        let mut dry = [f64x2::ZERO; MAX_RUN];
        if soloing {
            for (dry, frame) in dry.iter_mut().zip(&*frames) {
                *dry = *frame;
            }
        }
        self.shelves.filter(frames);
        if is_time {
            self.idle = !self.soloed && self.makeup.is_nothing() && self.reduction.is_nothing();
        }
        if !soloing {
            self.soloed = false;
            return count;
        }
        let frames = frames.iter_mut().zip(&dry).zip(bands);
        for (((frame, dry), bands), gains) in frames.zip(&self.shelves.gains) {
            let soloes = bands.solo != f32x4::ZERO;
            if soloes {
                if !self.soloed {
                    self.crossover.reset(self.corners_hz);
                }
                *frame = soloed(*frame, &self.crossover.split(*dry), *gains, bands);
            }
            self.soloed = soloes;
        }
        count
    }
}

impl Average {
    #[inline]
    fn step(&mut self, value: f32x4, share: f32x4) -> f32x4 {
        self.once += share * (value - self.once);
        self.twice += share * (self.once - self.twice);
        let heard = self.twice.abs().simd_ge(f32x4::splat(NOTHING));
        self.twice & heard
    }

    fn is_nothing(&self) -> bool {
        let size = self.once.abs().fast_max(self.twice.abs());
        size.to_array().iter().all(|size| *size < NOTHING)
    }
}
