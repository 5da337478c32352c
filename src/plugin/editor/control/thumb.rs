//! Where the rail and the thumb of a value track are.

use egui::{Rect, Vec2, pos2, vec2};

/// Size of a thumb, points.
pub const SIZE: Vec2 = vec2(7.0, 12.0);
/// Height of the rail, points.
const RAIL: f32 = 4.0;

/// The rail of the track at `rect`: as wide, at its bottom.
pub fn rail(rect: Rect) -> Rect {
    let middle = rect.bottom() - SIZE.y / 2.0;
    rect.with_min_y(middle - RAIL / 2.0)
        .with_max_y(middle + RAIL / 2.0)
}

/// The middle of the thumb at a normalized value.
pub fn x_at(rect: Rect, normalized: f32) -> f32 {
    rect.left() + SIZE.x / 2.0 + normalized.clamp(0.0, 1.0) * (rect.width() - SIZE.x).max(1.0)
}

/// The thumb.
pub fn area(rect: Rect, normalized: f32) -> Rect {
    let centre = pos2(x_at(rect, normalized), rail(rect).center().y);
    Rect::from_center_size(centre, SIZE)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_thumb_stays_on_its_rail() {
        let rect = Rect::from_min_size(pos2(10.0, 20.0), vec2(150.0, 29.0));
        for normalized in [0.0, 0.3, 1.0] {
            assert!(rect.contains_rect(area(rect, normalized)));
        }
    }
}
