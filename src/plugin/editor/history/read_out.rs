//! The values of a moment: in a line above the strip while the pointer is over it, and all of them
//! beside the panel once the moment was clicked. Neither covers the strip, nor, where there is
//! room, what sets the push.

use egui::{Align2, Area, Order, Painter, Pos2, Rect, RichText, Ui, pos2, vec2};

use crate::editor::control;
use crate::editor::scene::label;
use crate::editor::theme::{Colours, LABEL_PT};
use crate::editor::view_model::history;
use crestline_core::session::Recorded;

/// Where each value begins, points from the first.
const COLUMNS: [f32; 7] = [0.0, 50.0, 142.0, 228.0, 352.0, 502.0, 646.0];

/// Room for all values, points.
const HEIGHT: f32 = 92.0;

/// Writes the moment's values in columns from `at` on, as far as `right`.
pub fn line(
    painter: &Painter,
    at: Pos2,
    right: f32,
    time_s: f64,
    recorded: &Recorded,
    colours: &Colours,
) {
    let values = history::values_in_columns(time_s, recorded);
    // Where text is larger, so are its columns.
    let scale = control::font(painter.ctx(), LABEL_PT).size / LABEL_PT;
    for ((text, signal), x) in values.into_iter().zip(COLUMNS) {
        let at = pos2(at.x + scale * x, at.y);
        let colour = signal.map_or(colours.text, |signal| colours.hue(signal).text);
        if at.x + scale * 100.0 < right {
            label(painter, at, Align2::LEFT_CENTER, text, colour);
        }
    }
}

/// Writes everything that was measured at the moment, below `panel`, or where there is no room
/// above it.
pub fn all(ui: &Ui, panel: Rect, x: f32, text: &[String], colours: &Colours) {
    let width = 640.0;
    let left = (x - width / 2.0).clamp(panel.left(), (panel.right() - width).max(panel.left()));
    let below = ui.ctx().content_rect().bottom() - panel.bottom();
    let (y, pivot) = if below >= HEIGHT {
        (panel.bottom() + 4.0, Align2::LEFT_TOP)
    } else {
        (panel.top() - 4.0, Align2::LEFT_BOTTOM)
    };
    Area::new(ui.scope_id().with("moment"))
        .order(Order::Tooltip)
        .fixed_pos(pos2(left, y))
        .pivot(pivot)
        .interactable(false)
        .show(ui.ctx(), |ui| {
            egui::Frame::NONE
                .fill(colours.face)
                .corner_radius(4)
                .inner_margin(vec2(10.0, 6.0))
                .show(ui, |ui| {
                    let font = control::font(ui.ctx(), LABEL_PT);
                    let text = RichText::new(text.join("\n")).font(font);
                    ui.label(text.color(colours.text));
                });
        });
}
