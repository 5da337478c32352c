//! Where a beat falls when a person plays it.

use super::random::Random;

/// Bars of four beats in sixteenths.
#[derive(Clone, Copy)]
pub(super) struct Grid {
    bar_s: f64,
    swing: f64,
}

impl Grid {
    /// `swing` delays every second sixteenth by that part of a sixteenth (0 straight, 1/3
    /// triplets).
    pub(super) fn new(beats_per_minute: f64, swing: f64) -> Self {
        Self {
            bar_s: 240.0 / beats_per_minute,
            swing,
        }
    }

    /// When sixteenth `step` of `bar` falls.
    pub(super) fn seconds(&self, bar: usize, step: usize) -> f64 {
        let late = if step % 2 == 1 { self.swing } else { 0.0 };
        (bar as f64 + (step as f64 + late) / 16.0) * self.bar_s
    }

    /// How long `sixteenths` last.
    pub(super) fn length_s(&self, sixteenths: f32) -> f32 {
        sixteenths / 16.0 * self.bar_s as f32
    }
}

/// One player's habits: how far behind the beat, how loose, how even.
pub(super) struct Player {
    pub(super) random: Random,
    late_s: f64,
    loose_s: f64,
    uneven: f32,
}

impl Player {
    /// `late_ms` behind the beat (negative: ahead), a spread of `loose_ms`, velocities that vary by
    /// `uneven`.
    pub(super) fn new(seed: u64, late_ms: f64, loose_ms: f64, uneven: f32) -> Self {
        Self {
            random: Random::new(seed),
            late_s: late_ms / 1000.0,
            loose_s: loose_ms / 1000.0,
            uneven,
        }
    }

    /// The frame at which this player plays a beat meant for `seconds`.
    pub(super) fn frame(&mut self, seconds: f64) -> usize {
        let missed = self.loose_s * f64::from(self.random.human());
        super::frames(seconds + self.late_s + missed)
    }

    /// The velocity that comes of meaning `velocity`, 0…1.
    pub(super) fn velocity(&mut self, velocity: f32) -> f32 {
        (velocity * (1.0 + self.uneven * self.random.human())).clamp(0.03, 1.0)
    }
}

/// The strokes of one bar written as sixteen characters, `.` for none.
pub(super) fn strokes(pattern: &str) -> impl Iterator<Item = (usize, char)> {
    pattern
        .chars()
        .enumerate()
        .filter(|(_, stroke)| *stroke != '.')
}
