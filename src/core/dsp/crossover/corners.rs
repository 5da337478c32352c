//! Three corners between four bands, in motion.

use super::section::Corner;
use super::{DEFAULT_CORNERS_HZ, HIGHEST_CORNER, LOWEST_CORNER_HZ};
use crate::dsp::ramp::{Ramp, bounded};

/// How long a corner takes to move, in ms: a straight line in octaves.
pub(super) const GLIDE_MS: f64 = 50.0;

/// Frames between two looks for state that has died away.
const SNAP_FRAMES: u32 = 128;

/// Corners that move without clicks, from frame to frame, held to 20 Hz … 0.45 of the sample rate
/// and to ascending order.
#[derive(Clone, Debug)]
pub struct Corners {
    sample_rate_hz: f64,
    pub(super) octaves: [Ramp; 3],
    values: [Corner; 3],
    /// What was asked for last, Hz.
    asked_hz: [f64; 3],
    /// Frames until the next look for state that has died away.
    until_snap: u32,
}

/// Where corners, in Hz, low to high, are held at a sample rate: in their order, and below 0.45 of
/// the rate.
pub fn held_hz(corners_hz: [f64; 3], sample_rate_hz: f64) -> [f64; 3] {
    let mut lowest_hz = LOWEST_CORNER_HZ;
    corners_hz.map(|corner_hz| {
        lowest_hz = bounded(corner_hz, lowest_hz, HIGHEST_CORNER * sample_rate_hz);
        lowest_hz
    })
}

impl Corners {
    /// [`DEFAULT_CORNERS_HZ`].
    pub fn new(sample_rate_hz: f64) -> Self {
        let mut corners = Self {
            sample_rate_hz,
            octaves: [Ramp::new(sample_rate_hz, GLIDE_MS); 3],
            values: [Corner::default(); 3],
            asked_hz: DEFAULT_CORNERS_HZ,
            until_snap: SNAP_FRAMES,
        };
        corners.reset(DEFAULT_CORNERS_HZ);
        corners
    }

    /// Takes these corners, in Hz, at once, and begins to count frames anew.
    pub fn reset(&mut self, corners_hz: [f64; 3]) {
        for ramp in &mut self.octaves {
            ramp.reset();
        }
        self.aim(corners_hz);
        self.design();
        self.until_snap = SNAP_FRAMES;
    }

    /// Moves the corners, in Hz, low to high; takes 50 ms.
    pub fn set(&mut self, corners_hz: [f64; 3]) {
        // Asked again with every block, however short.
        if corners_hz != self.asked_hz {
            self.aim(corners_hz);
        }
    }

    fn aim(&mut self, corners_hz: [f64; 3]) {
        self.asked_hz = corners_hz;
        let held_hz = held_hz(corners_hz, self.sample_rate_hz);
        for (ramp, corner_hz) in self.octaves.iter_mut().zip(held_hz) {
            ramp.set_target(corner_hz.log2());
        }
    }

    /// The corners as they are now, low to high.
    #[inline]
    pub fn values(&self) -> &[Corner; 3] {
        &self.values
    }

    /// Counts up to `most` frames (at least 1) over which the corners stand still; returns how many
    /// those are, and whether it is time to look for state that has died away: then it is one.
    #[inline]
    #[must_use]
    pub fn advance_run(&mut self, most: usize) -> (usize, bool) {
        let settled = self.octaves.iter().all(Ramp::is_settled);
        if !settled {
            self.advance();
        }
        if self.until_snap == 1 {
            self.until_snap = SNAP_FRAMES;
            return (1, true);
        }
        let still = if settled { self.until_snap - 1 } else { 1 };
        let frames = most.clamp(1, still as usize);
        self.until_snap -= frames as u32;
        (frames, false)
    }

    #[cold]
    fn advance(&mut self) {
        for ramp in &mut self.octaves {
            ramp.advance();
        }
        self.design();
    }

    fn design(&mut self) {
        for (corner, ramp) in self.values.iter_mut().zip(&self.octaves) {
            *corner = Corner::new(ramp.value().exp2() / self.sample_rate_hz);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_low_rates_corners_lie_below_half_of_it() {
        assert_eq!(held_hz(DEFAULT_CORNERS_HZ, 48_000.0), DEFAULT_CORNERS_HZ);
        let [low, mid, high] = DEFAULT_CORNERS_HZ;
        assert_eq!(held_hz([low, mid, high], 8_000.0), [low, mid, 3_600.0]);
        assert_eq!(held_hz([mid, low, high], 48_000.0), [mid, mid, high]);
    }
}
