//! Where the views lie, for any size of the window.

use egui::{Rect, pos2, vec2};

/// Smallest window in which everything has its place, points; in a smaller one it is scrolled.
pub const SMALLEST: [f32; 2] = [1_100.0, 760.0];

const MARGIN: f32 = 16.0;
const GAP: f32 = 10.0;
const TOP_BAR: f32 = 36.0;
const NOTICE: f32 = 18.0;
const CHAIN: f32 = 172.0;
/// Least height of the table, in which its more wanted rows have room.
const NUMBERS: f32 = 234.0;

/// The views' places.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Places {
    /// Title, window, listen switch.
    pub top_bar: Rect,
    /// What has to be said in words.
    pub notice: Rect,
    /// Loudness against PLR or microdynamics.
    pub plane: Rect,
    /// Reduction, distortion and balance.
    pub bands: Rect,
    /// The table.
    pub numbers: Rect,
    /// Over time.
    pub history: Rect,
    /// The stages.
    pub chain: Rect,
}

/// Divides `window`. What is taller goes to plane, bands and numbers before the history; less than
/// [`SMALLEST`] is taken for that.
pub fn places(window: Rect) -> Places {
    let size = window.size().max(vec2(SMALLEST[0], SMALLEST[1]));
    let inner = Rect::from_min_size(window.min, size).shrink2(vec2(MARGIN, 0.0));
    let across = |top: f32, height: f32| {
        Rect::from_min_size(pos2(inner.left(), top), vec2(inner.width(), height))
    };
    let top_bar = across(inner.top() + 8.0, TOP_BAR);
    let notice = across(top_bar.bottom() + 2.0, NOTICE);
    let chain = across(inner.bottom() - 12.0 - CHAIN, CHAIN);
    let left = chain.top() - GAP - notice.bottom() - 4.0;
    let history_height = (0.25 * left).clamp(118.0, 260.0);
    let history = across(chain.top() - GAP - history_height, history_height);
    let middle = Rect::from_min_max(
        pos2(inner.left(), notice.bottom() + 4.0),
        pos2(inner.right(), history.top() - GAP),
    );
    let split = (middle.left() + 0.52 * middle.width()).round();
    let plane = middle.with_max_x(split);
    let right = middle.with_min_x(split + GAP);
    let bands_height = (0.38 * right.height())
        .min(right.height() - GAP - NUMBERS)
        .clamp(118.0, 260.0);
    let bands = right.with_max_y(right.top() + bands_height);
    Places {
        top_bar,
        notice,
        plane,
        bands,
        numbers: right.with_min_y(bands.bottom() + GAP),
        history,
        chain,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(places: &Places) -> [Rect; 7] {
        let Places {
            top_bar,
            notice,
            plane,
            bands,
            numbers,
            history,
            chain,
        } = *places;
        [top_bar, notice, plane, bands, numbers, history, chain]
    }

    #[test]
    fn nothing_overlaps_and_nothing_is_outside() {
        for size in [
            SMALLEST,
            [1180.0, 820.0],
            [2000.0, 1300.0],
            [3000.0, 760.0],
            [1100.0, 2000.0],
        ] {
            let window = Rect::from_min_size(pos2(0.0, 0.0), vec2(size[0], size[1]));
            let places = all(&places(window));
            for (index, one) in places.iter().enumerate() {
                assert!(window.contains_rect(*one), "{size:?} {index}");
                assert!(
                    one.width() > 300.0 && one.height() > 15.0,
                    "{size:?} {index}"
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
