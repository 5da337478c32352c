//! Where the views lie, for any size of the window.

use egui::{Rect, pos2, vec2};

/// Smallest window in which what decides has its place, points; in a smaller one it is scrolled.
pub const SMALLEST: [f32; 2] = [700.0, 480.0];

/// Whether a window is so small that its contents are scrolled.
pub fn is_scrolled(window: Rect) -> bool {
    window.width() < SMALLEST[0] || window.height() < SMALLEST[1]
}

const TOP_BAR: f32 = 36.0;
const NOTICE: f32 = 24.0;
/// A window lower than this has tiles of one line.
const LOW: f32 = 740.0;
/// A window lower than this has no history.
const NO_HISTORY: f32 = 560.0;
/// An opened stage has room for its curve and three rows of tracks.
const OPENED: f32 = 196.0;
const LEAST_DECISION: f32 = 152.0;
const LEAST_PUSH: f32 = 112.0;
const LEAST_PLANE: f32 = 120.0;
/// The eight rows that are always wanted, with their head.
const LEAST_NUMBERS: f32 = 182.0;
const LEAST_COST: f32 = 116.0;
/// What these rows need at their greatest height; the balance below has a use for what is left.
const MOST_NUMBERS: f32 = 280.0;

/// The views' places; `None` for what has no room.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Places {
    /// Title, target window, listen switch.
    pub top_bar: Rect,
    /// What has to be said in words.
    pub notice: Rect,
    /// What one more decibel gives.
    pub decision: Rect,
    /// The push.
    pub push: Rect,
    /// Loudness against microdynamics or PLR.
    pub plane: Option<Rect>,
    /// The song in numbers.
    pub numbers: Option<Rect>,
    /// Cost by band, or the balance; `None` where it shares a place with the numbers.
    pub cost: Option<Rect>,
    /// Over time, or the stage that is opened.
    pub history: Option<Rect>,
    /// The stages.
    pub tiles: Rect,
}

/// Divides `window`; `opened` tells whether a stage is opened. Less than [`SMALLEST`] is taken for
/// that.
///
/// In a lower window the tiles shrink first, then numbers and cost share a place, then the history
/// goes; with a stage opened the plane goes last.
pub fn places(window: Rect, opened: bool) -> Places {
    let size = window.size().max(vec2(SMALLEST[0], SMALLEST[1]));
    let [margin, gap] = if size.x < 900.0 {
        [12.0, 8.0]
    } else {
        [16.0, 10.0]
    };
    let inner = Rect::from_min_size(window.min, size).shrink2(vec2(margin, 0.0));
    let across = |top: f32, height: f32| {
        Rect::from_min_size(pos2(inner.left(), top), vec2(inner.width(), height))
    };
    let top_bar = across(inner.top() + 8.0, TOP_BAR);
    let notice = across(top_bar.bottom() + 2.0, NOTICE);
    let tile = if size.y < LOW { 40.0 } else { 86.0 };
    let tiles = across(inner.bottom() - 12.0 - tile, tile);
    let history_height = if opened {
        Some(OPENED.max(0.3 * (size.y - 480.0)))
    } else if size.y >= NO_HISTORY {
        Some((0.4 * (size.y - 480.0)).clamp(100.0, 260.0))
    } else {
        None
    };
    let history = history_height.map(|height| across(tiles.top() - gap - height, height));
    let bottom = history.map_or(tiles.top(), |history| history.top()) - gap;
    let middle = Rect::from_min_max(
        pos2(inner.left(), notice.bottom() + 2.0),
        pos2(inner.right(), bottom),
    );
    let right_width = (0.4 * size.x).clamp(300.0, 640.0).round();
    let left = middle.with_max_x(middle.right() - right_width - gap);
    let right = middle.with_min_x(middle.right() - right_width);

    let push_height = (0.27 * left.height()).clamp(LEAST_PUSH, 190.0);
    let plane_height = left.height() - gap - push_height;
    let plane = (plane_height >= LEAST_PLANE).then(|| left.with_max_y(left.top() + plane_height));
    let push = plane.map_or(left, |plane| left.with_min_y(plane.bottom() + gap));

    let decision_height = (0.35 * right.height())
        .clamp(LEAST_DECISION, 210.0)
        .min(right.height());
    let decision = right.with_max_y(right.top() + decision_height);
    let below = right.with_min_y(decision.bottom() + gap);
    let (numbers, cost) = if below.height() >= LEAST_NUMBERS + gap + LEAST_COST {
        let height = (0.6 * below.height()).clamp(LEAST_NUMBERS, MOST_NUMBERS);
        let numbers = below.with_max_y(below.top() + height);
        (
            Some(numbers),
            Some(below.with_min_y(numbers.bottom() + gap)),
        )
    } else {
        ((below.height() >= 100.0).then_some(below), None)
    };
    Places {
        top_bar,
        notice,
        decision,
        push,
        plane,
        numbers,
        cost,
        history,
        tiles,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(places: &Places) -> Vec<Rect> {
        let Places {
            top_bar,
            notice,
            decision,
            push,
            plane,
            numbers,
            cost,
            history,
            tiles,
        } = *places;
        let some = [plane, numbers, cost, history].into_iter().flatten();
        [top_bar, notice, decision, push, tiles]
            .into_iter()
            .chain(some)
            .collect()
    }

    fn of(size: [f32; 2], opened: bool) -> (Rect, Places) {
        let window = Rect::from_min_size(pos2(0.0, 0.0), vec2(size[0], size[1]));
        (window, places(window, opened))
    }

    #[test]
    fn nothing_overlaps_and_nothing_is_outside() {
        for size in [
            SMALLEST,
            [960.0, 600.0],
            [1100.0, 760.0],
            [1180.0, 820.0],
            [2000.0, 1300.0],
            [3000.0, 760.0],
            [1100.0, 2000.0],
        ] {
            for opened in [false, true] {
                let (window, places) = of(size, opened);
                let places = all(&places);
                for (index, one) in places.iter().enumerate() {
                    assert!(window.contains_rect(*one), "{size:?} {index}: {one:?}");
                    assert!(
                        one.width() > 290.0 && one.height() > 15.0,
                        "{size:?} {index}: {one:?}"
                    );
                    for (number, other) in places.iter().enumerate().skip(index + 1) {
                        assert!(
                            !one.shrink(0.1).intersects(*other),
                            "{size:?} {index} {number}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn the_smallest_window_keeps_what_decides() {
        let (_, places) = of(SMALLEST, false);
        assert!(places.decision.height() >= LEAST_DECISION);
        assert!(places.push.height() >= LEAST_PUSH);
        assert!(places.plane.is_some() && places.numbers.is_some());
        assert_eq!(places.history, None);
    }

    /// A screen of 1440 × 900 at 150 %.
    #[test]
    fn a_common_screen_at_150_percent_has_everything() {
        let (_, places) = of([960.0, 600.0], false);
        assert!(places.plane.is_some() && places.numbers.is_some() && places.history.is_some());
    }

    #[test]
    fn the_usual_window_shows_numbers_and_cost_side_by_side() {
        let (_, places) = of([1180.0, 820.0], false);
        assert!(places.numbers.is_some() && places.cost.is_some());
    }
}
