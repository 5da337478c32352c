//! How controls look.

use egui::{Align2, Color32, Painter, Rect, Response, Stroke, StrokeKind, Ui, pos2, vec2};
use nice_plug::prelude::{FloatParam, Param};

use super::thumb;
use crate::editor::theme::{BODY_PT, Colours, LABEL_PT, RADIUS, SMALL_PT, font};

/// Below this width a track has no room for more than a small value.
const NARROW: f32 = 60.0;
/// Side of a switch's square, points.
const SQUARE: f32 = 12.0;

/// What a control is called on screen, explained as, and whether it has an effect at the moment.
#[derive(Clone, Copy, Debug)]
pub struct Look<'a> {
    /// The name written beside it; empty for none.
    pub label: &'a str,
    /// One plain sentence.
    pub tip: &'a str,
    /// False where a switch or another setting keeps it from having an effect: drawn faint, but it
    /// can still be set.
    pub active: bool,
    /// Written instead of the value.
    pub instead: Option<&'a str>,
}

impl<'a> Look<'a> {
    /// A control that has an effect.
    pub fn new(label: &'a str, tip: &'a str) -> Self {
        Self {
            label,
            tip,
            active: true,
            instead: None,
        }
    }

    /// The same, with or without an effect.
    pub fn active(self, active: bool) -> Self {
        Self { active, ..self }
    }

    /// The same with `text` for its value while `when`.
    pub fn instead_when(self, when: bool, text: &'a str) -> Self {
        Self {
            instead: when.then_some(text),
            ..self
        }
    }
}

/// The value as the editor writes it: a true minus, unit and number kept together.
pub fn written(param: &FloatParam) -> String {
    typeset(&param.normalized_value_to_string(param.unmodulated_normalized_value(), true))
}

/// A parameter's text as the editor writes it.
pub fn typeset(text: &str) -> String {
    text.replace('-', "−").replace(' ', "\u{a0}")
}

/// Where the value stands, and is typed: all of the text line if there is no name, otherwise the
/// right-hand part.
pub fn value_area(rect: Rect, look: &Look<'_>) -> Rect {
    let line = rect.with_max_y(rect.bottom() - thumb::SIZE.y);
    if look.label.is_empty() {
        line
    } else {
        line.with_min_x(line.left() + 0.5 * line.width())
    }
}

/// Draws a track.
pub fn track(
    ui: &Ui,
    rect: Rect,
    param: &FloatParam,
    look: &Look<'_>,
    response: &Response,
    typing: bool,
) {
    let colours = Colours::of(ui.visuals());
    let painter = ui.painter();
    let middle = value_area(rect, look).center().y;
    let left = pos2(rect.left(), middle);
    painter.text(
        left,
        Align2::LEFT_CENTER,
        look.label,
        font(ui.ctx(), LABEL_PT),
        colours.label,
    );
    if !typing {
        let value = look.instead.map_or_else(|| written(param), str::to_owned);
        let right = pos2(rect.right(), middle);
        // A narrow track without a name has its value in the middle.
        let (at, align, size_pt) = if look.label.is_empty() && rect.width() < NARROW {
            (
                pos2(rect.center().x, middle),
                Align2::CENTER_CENTER,
                SMALL_PT,
            )
        } else {
            (right, Align2::RIGHT_CENTER, BODY_PT)
        };
        // What has no effect is paler, and can still be read.
        let colour = if look.active {
            colours.text
        } else {
            colours.label
        };
        painter.text(at, align, value, font(ui.ctx(), size_pt), colour);
    }
    rail(ui, rect, param, look, response, colours);
    focus_ring(ui, rect.expand(4.0), response);
}

fn rail(
    ui: &Ui,
    rect: Rect,
    param: &FloatParam,
    look: &Look<'_>,
    response: &Response,
    colours: &Colours,
) {
    let painter = ui.painter();
    let rail = thumb::rail(rect);
    painter.rect_filled(rail, 2, colours.track);
    let [low, high] = [0.0, 1.0].map(|end| param.preview_plain(end));
    // What can go either way is filled from the middle.
    let from = if low < 0.0 && high > 0.0 {
        thumb::x_at(rect, param.preview_normalized(0.0))
    } else {
        rail.left()
    };
    let normalized = param.unmodulated_normalized_value();
    let value = thumb::x_at(rect, normalized);
    let level = if look.active {
        colours.level
    } else {
        colours.track
    };
    let filled = Rect::from_x_y_ranges(from.min(value)..=from.max(value), rail.y_range());
    painter.rect_filled(filled, 2, level);
    let in_use = response.hovered() || response.is_pointer_button_down_on();
    let thumb_colour = if in_use && look.active {
        colours.text
    } else {
        colours.level
    };
    painter.rect_filled(thumb::area(rect, normalized), 2, thumb_colour);
    let modulated = param.modulated_normalized_value();
    if (modulated - normalized).abs() > 1e-4 {
        painter.vline(
            thumb::x_at(rect, modulated),
            rail.expand(4.0).y_range(),
            Stroke::new(1.5, colours.text),
        );
    }
}

/// Draws a switch with its name.
pub fn switch(ui: &Ui, rect: Rect, on: bool, look: &Look<'_>, response: &Response) {
    let colours = Colours::of(ui.visuals());
    let centre = pos2(rect.left() + SQUARE / 2.0, rect.center().y);
    switch_mark(ui.painter(), centre, on, response.hovered(), colours);
    let text = pos2(rect.left() + SQUARE + 7.0, rect.center().y);
    let colour = if look.active {
        colours.text
    } else {
        colours.label
    };
    ui.painter().text(
        text,
        Align2::LEFT_CENTER,
        look.label,
        font(ui.ctx(), BODY_PT),
        colour,
    );
    focus_ring(ui, rect.expand(3.0), response);
}

/// The square of a switch: filled while on.
fn switch_mark(painter: &Painter, centre: egui::Pos2, on: bool, hovered: bool, colours: &Colours) {
    let square = Rect::from_center_size(centre, vec2(SQUARE, SQUARE));
    let edge = if hovered || on {
        colours.text
    } else {
        colours.level
    };
    let inside = if on { edge } else { Color32::TRANSPARENT };
    painter.rect(
        square,
        2,
        inside,
        Stroke::new(1.5, edge),
        StrokeKind::Inside,
    );
}

/// Shows where the keyboard is.
pub fn focus_ring(ui: &Ui, rect: Rect, response: &Response) {
    if response.has_focus() {
        let colours = Colours::of(ui.visuals());
        ui.painter().rect_stroke(
            rect,
            RADIUS,
            Stroke::new(1.5, colours.text),
            StrokeKind::Middle,
        );
    }
}
