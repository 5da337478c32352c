//! Buttons for the two settings to compare, and for undo and redo.

use egui::{Button, Rect, RichText, Ui, pos2, vec2};

use super::changes::Ask;
use super::control;
use super::scene::{self, Scene};
use super::theme::LABEL_PT;
use super::view_model::settings_memory::Which;

const HEIGHT: f32 = 26.0;
const GAP: f32 = 4.0;
/// Width of the button that copies.
const COPY: f32 = 73.0;

/// Width that [`show`] takes, points.
pub const WIDTH: f32 = 54.0 + 64.0 + COPY + 47.0 + 46.0 + 4.0 * GAP;

/// Draws the buttons from the left of `rect` on, in the middle of its height.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) {
    let mut x = rect.left();
    let mut button = |ui: &mut Ui, width: f32, look: Look<'_>| {
        let height = HEIGHT.min(rect.height() + 2.0);
        let at = pos2(x, rect.center().y - height / 2.0);
        let area = Rect::from_min_size(at, vec2(width, height));
        x = area.right() + GAP;
        draw(ui, area, look)
    };
    let chosen = scene.changes.chosen();
    for (which, width, text, name) in [
        (Which::First, 54.0, "first", "Use the first"),
        (Which::Second, 64.0, "second", "Use the second"),
    ] {
        let tip = if chosen == which {
            "One of two settings of the chain, and in use."
        } else {
            "Goes to the other of two settings of the chain; listen matched to compare them: each is as \
             loud as the input then, or quieter where it turns the input down."
        };
        let look = Look {
            text,
            name,
            tip,
            selected: Some(chosen == which),
            enabled: true,
        };
        if button(ui, width, look) {
            scene.changes.ask(Ask::Choose(which));
        }
    }
    let copy = Look {
        text: "copy over",
        name: "Copy over the other",
        tip: "Makes the other settings the same as these; undo over there takes that back.",
        selected: None,
        enabled: true,
    };
    if button(ui, COPY, copy) {
        scene.changes.ask(Ask::CopyOver(Vec::new()));
    }
    for (ask, width, text, name, enabled) in [
        (Ask::Undo, 47.0, "undo", "Undo", scene.changes.can_undo()),
        (Ask::Redo, 46.0, "redo", "Redo", scene.changes.can_redo()),
    ] {
        let look = Look {
            text,
            name,
            tip: "Takes back what was changed of the chain in this window, or does it again: ctrl or cmd with Z, and with shift and Z.",
            selected: None,
            enabled,
        };
        if button(ui, width, look) {
            scene.changes.ask(ask);
        }
    }
}

/// A button of the row.
#[derive(Clone, Copy)]
struct Look<'a> {
    text: &'a str,
    name: &'a str,
    tip: &'a str,
    /// Whether it is the one chosen, where there is a choice.
    selected: Option<bool>,
    enabled: bool,
}

fn draw(ui: &mut Ui, area: Rect, look: Look<'_>) -> bool {
    let colours = scene::colours(ui);
    let selected = look.selected == Some(true);
    let colour = if selected || look.selected.is_none() {
        colours.text
    } else {
        colours.label
    };
    let text = RichText::new(look.text)
        .font(control::font(ui.ctx(), LABEL_PT))
        .color(colour);
    let mut button = Button::new(text)
        .small()
        .wrap_mode(egui::TextWrapMode::Extend)
        .min_size(area.size());
    if selected {
        button = button.stroke(egui::Stroke::new(1.0, colours.text));
    }
    let response = ui
        .scope(|ui| {
            if !look.enabled {
                ui.disable();
            }
            ui.put(area, button)
        })
        .inner
        .accessible_name(look.name);
    if let Some(selected) = look.selected {
        ui.ctx().accesskit_node_builder(response.id, |node| {
            node.set_toggled(selected.into());
        });
    }
    control::focus_ring(ui, area, &response);
    control::tip(response, look.tip).clicked()
}
