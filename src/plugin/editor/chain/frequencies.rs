//! Frequencies across a picture: the audible range, each octave as wide as the next.

use egui::{Rect, lerp};

/// Both ends of the range, Hz.
const RANGE_HZ: [f64; 2] = [20.0, 20_000.0];

/// Where a frequency lies across `area`, points.
pub fn x_at(area: Rect, hz: f64) -> f32 {
    let share = (hz / RANGE_HZ[0]).ln() / (RANGE_HZ[1] / RANGE_HZ[0]).ln();
    lerp(area.x_range(), share as f32)
}

/// The frequency at a place across `area`, Hz.
pub fn hz_at(area: Rect, x: f32) -> f64 {
    let share = f64::from((x - area.left()) / area.width());
    RANGE_HZ[0] * (RANGE_HZ[1] / RANGE_HZ[0]).powf(share)
}
