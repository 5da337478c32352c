//! Where the strip's lanes lie: loudness with microdynamics, what was outside the target,
//! reduction.

use egui::Rect;

/// Room for the units and figures left and right, and for the times below.
const FIGURES: [f32; 2] = [64.0, 40.0];
const TIMES: f32 = 15.0;
/// Height of the rail for what was outside the target, and of the lane of reduction.
const RAIL: f32 = 12.0;
const REDUCTION: f32 = 30.0;
/// Share of a low strip that is left to reduction.
const REDUCTION_SHARE: f32 = 0.36;
const GAP: f32 = 3.0;
/// With this much for curves, microdynamics have a lane of their own, of this share.
const ROOM_FOR_BOTH: f32 = 84.0;
const LDR_SHARE: f32 = 0.36;

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
        let height = (REDUCTION_SHARE * whole.height()).min(REDUCTION);
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
            assert_eq!(own, height > 145.0, "{height}");
            let mut order = vec![lanes.loudness, lanes.rail, lanes.reduction];
            if own {
                order.insert(1, lanes.ldr);
            }
            for pair in order.windows(2) {
                assert!(pair[0].bottom() < pair[1].top(), "{height}: {pair:?}");
            }
            assert!(order.iter().all(|lane| lane.height() > 10.0), "{height}");
            let reduction = lanes.reduction.height();
            assert!(
                height < 100.0 || (reduction - 30.0).abs() < 1e-3,
                "{reduction}"
            );
        }
    }
}
