//! How controls look.

use egui::{Align2, Color32, FontId, Painter, Rect, Response, Stroke, StrokeKind, Ui, pos2, vec2};
use nice_plug::prelude::{FloatParam, Param};

use crate::editor::theme::{BODY_PT, Colours, LABEL_PT, RADIUS, SMALL_PT};

/// Height of a track's bar, points.
const BAR: f32 = 4.0;
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
    param
        .normalized_value_to_string(param.unmodulated_normalized_value(), true)
        .replace('-', "−")
        .replace(' ', "\u{a0}")
}

/// Where the value stands, and is typed: all of the text line if there is no name, otherwise the
/// right-hand part.
pub fn value_area(rect: Rect, look: &Look<'_>) -> Rect {
    let line = rect.with_max_y(rect.bottom() - BAR - 4.0);
    if look.label.is_empty() {
        line
    } else {
        line.with_min_x(line.left() + 0.42 * line.width())
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
    let faint = |colour: Color32| {
        if look.active {
            colour
        } else {
            colour.gamma_multiply(0.55)
        }
    };
    let middle = value_area(rect, look).center().y;
    let left = pos2(rect.left(), middle);
    painter.text(
        left,
        Align2::LEFT_CENTER,
        look.label,
        FontId::proportional(LABEL_PT),
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
        painter.text(
            at,
            align,
            value,
            FontId::proportional(size_pt),
            faint(colours.text),
        );
    }
    let bar = Rect::from_min_max(pos2(rect.left(), rect.bottom() - BAR), rect.max);
    painter.rect_filled(bar, 2, colours.track);
    let at = |normalized: f32| bar.left() + normalized.clamp(0.0, 1.0) * bar.width();
    let [low, high] = [0.0, 1.0].map(|end| param.preview_plain(end));
    // What can go either way is filled from the middle.
    let from = if low < 0.0 && high > 0.0 {
        at(param.preview_normalized(0.0))
    } else {
        bar.left()
    };
    let value = at(param.unmodulated_normalized_value());
    let level = if response.hovered() || response.dragged() {
        colours.text
    } else {
        colours.level
    };
    let filled = Rect::from_x_y_ranges(from.min(value)..=from.max(value), bar.y_range());
    painter.rect_filled(filled, 2, faint(level));
    let tip = Rect::from_center_size(pos2(value, bar.center().y), vec2(3.0, BAR + 4.0));
    painter.rect_filled(tip, 1, faint(level));
    let modulated = param.modulated_normalized_value();
    if (modulated - param.unmodulated_normalized_value()).abs() > 1e-4 {
        painter.vline(
            at(modulated),
            bar.expand(3.0).y_range(),
            Stroke::new(1.5, colours.text),
        );
    }
    focus_ring(ui, rect.expand(4.0), response);
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
        FontId::proportional(BODY_PT),
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
