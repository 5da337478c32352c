//! Where the strip's lanes lie: loudness with microdynamics, what was outside the target,
//! reduction.

use egui::Rect;

/// Room for the units and figures left and right, and for the times below.
const FIGURES: [f32; 2] = [64.0, 40.0];
const TIMES: f32 = 15.0;
/// Height of the rail for what was outside the target, and of the lane of reduction, which is of
/// this share between the two.
const RAIL: f32 = 10.0;
const REDUCTION: [f32; 2] = [9.0, 30.0];
const REDUCTION_SHARE: f32 = 0.18;
const GAP: f32 = 3.0;
/// With this much for curves, microdynamics have a lane of their own, of this share.
const ROOM_FOR_BOTH: f32 = 46.0;
const LDR_SHARE: f32 = 0.38;

/// The lanes of one strip, from top to bottom; all equally wide.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lanes {
    /// All of them.
    pub whole: Rect,
    /// Loudness.
    pub loudness: Rect,
    /// Microdynamics: below loudness, or where there is little room, in the same place.
    pub ldr: Rect,
    /// Outside the target.
    pub rail: Rect,
    /// Reduction, hanging from the top.
    pub reduction: Rect,
}

impl Lanes {
    /// Divides the room of a strip, its figures around it.
    pub fn of(room: Rect) -> Self {
        let whole = Rect::from_min_max(
            room.min + egui::vec2(FIGURES[0], 0.0),
            room.max - egui::vec2(FIGURES[1], TIMES),
        );
        let [least, most] = REDUCTION;
        let height = (REDUCTION_SHARE * whole.height()).clamp(least, most);
        let reduction = whole.with_min_y((whole.bottom() - height).max(whole.top()));
        let rail_bottom = reduction.top() - GAP;
        let rail = whole.with_max_y(rail_bottom).with_min_y(rail_bottom - RAIL);
        let curves = whole.with_max_y((rail.top() - GAP).max(whole.top() + 1.0));
        let (loudness, ldr) = if curves.height() >= ROOM_FOR_BOTH {
            let split = (curves.bottom() - LDR_SHARE * curves.height()).round();
            (curves.with_max_y(split - GAP), curves.with_min_y(split))
        } else {
            (curves, curves)
        };
        Self {
            whole,
            loudness,
            ldr,
            rail,
            reduction,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::{pos2, vec2};

    #[test]
    fn lanes_lie_one_below_the_other() {
        for height in [64.0, 106.0, 150.0, 300.0] {
            let room = Rect::from_min_size(pos2(20.0, 500.0), vec2(1_100.0, height));
            let lanes = Lanes::of(room);
            assert!(room.contains_rect(lanes.whole));
            let own = lanes.ldr != lanes.loudness;
            assert_eq!(own, height > 91.0, "{height}");
            let mut order = vec![lanes.loudness, lanes.rail, lanes.reduction];
            if own {
                order.insert(1, lanes.ldr);
            }
            for pair in order.windows(2) {
                assert!(pair[0].bottom() < pair[1].top(), "{height}: {pair:?}");
            }
            assert!(order.iter().all(|lane| lane.height() > 8.9), "{height}");
            // Room for the figures of both ends, each half as high as a lane of theirs.
            assert!(lanes.loudness.height() > 16.0, "{height}");
            assert!(lanes.ldr.height() > 16.0, "{height}");
            let reduction = lanes.reduction.height();
            assert_eq!(reduction > 29.9, height > 181.0, "{height}: {reduction}");
        }
    }
}
