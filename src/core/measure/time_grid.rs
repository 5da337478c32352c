//! The clock of the measurements: steps of 5 ms unless others are asked for, counted in frames.
//!
//! Step *k* ends at frame `round(k·rate/200)`. Momentary and short-term windows move every 10 ms;
//! gating blocks lie on the standard's 100 ms.

/// Cuts the signal into steps of 5 ms. Step *k* ends at frame `round(k · rate / 200)`, so that no
/// rounding error adds up at any rate.
#[derive(Clone, Debug)]
pub(super) struct TimeGrid {
    sample_rate_hz: f64,
    steps_per_second: u64,
    /// Whole steps so far.
    steps: u64,
    /// Frames so far.
    frames: u64,
    /// Frame at which the current step ends.
    next: u64,
}

/// Steps in one second.
pub(super) const STEPS_PER_SECOND: u64 = 200;

impl TimeGrid {
    pub fn new(sample_rate_hz: f64) -> Self {
        Self::with_steps(sample_rate_hz, STEPS_PER_SECOND)
    }

    /// A grid with another number of steps in a second.
    pub fn with_steps(sample_rate_hz: f64, steps_per_second: u64) -> Self {
        let mut grid = Self {
            sample_rate_hz,
            steps_per_second,
            steps: 0,
            frames: 0,
            next: 0,
        };
        grid.reset();
        grid
    }

    pub fn reset(&mut self) {
        self.steps = 0;
        self.frames = 0;
        self.next = self.boundary(1);
    }

    /// Frame at which step `step` (counted from 1) ends. A step is one frame at least.
    fn boundary(&self, step: u64) -> u64 {
        let exact = step as f64 * self.sample_rate_hz / self.steps_per_second as f64;
        #[expect(clippy::cast_sign_loss, reason = "a count of frames is not negative")]
        let frame = exact.round() as u64;
        frame
    }

    /// Frames until the current step ends; at least 1.
    pub fn remaining(&self) -> usize {
        self.next.saturating_sub(self.frames).max(1) as usize
    }

    /// Counts `frames` (at most [`remaining`](Self::remaining)); true when they complete a step.
    pub fn advance(&mut self, frames: usize) -> bool {
        self.frames += frames as u64;
        let complete = self.frames >= self.next;
        if complete {
            self.steps += 1;
            self.next = self.boundary(self.steps + 1);
        }
        complete
    }

    /// Whole steps since the last reset.
    pub fn steps(&self) -> u64 {
        self.steps
    }

    /// Frames since the last reset.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Frames in the last `steps` whole steps.
    pub fn frames_in_last(&self, steps: u64) -> f64 {
        self.frames_before(0, steps)
    }

    /// Frames in the `steps` whole steps before the last `skipped`.
    pub fn frames_before(&self, skipped: u64, steps: u64) -> f64 {
        let end = self.steps.saturating_sub(skipped);
        (self.boundary(end) - self.boundary(end.saturating_sub(steps))) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_do_not_drift_at_odd_rates() {
        let mut grid = TimeGrid::new(44_100.0);
        let mut frames = 0;
        while grid.steps() < 200 * 3600 {
            let step = grid.remaining();
            frames += step as u64;
            assert!(grid.advance(step));
        }
        assert_eq!(frames, 44_100 * 3600);
        assert!((grid.frames_in_last(80) - 17_640.0).abs() < f64::EPSILON);
    }
}
