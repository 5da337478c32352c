//! The chosen window of the user's own: its name, its limits, and whether it is kept for all
//! sessions.

use egui::{Align2, Button, DragValue, RichText, Sense, TextEdit, Ui, vec2};

use super::Action;
use super::number;
use super::scene::{self, Scene};
use super::theme::{LABEL_PT, SMALL_PT, font};
use crate::params::units::number_typed;
use crestline_core::session::{Limits, TargetChoice, TargetWindow};

/// Width of a line's name, points.
const NAME: f32 = 96.0;
/// Width of a number, points.
const NUMBER: f32 = 58.0;
const LINE: f32 = 22.0;

/// What lies between both ends of a range at least, LU or dB.
pub(super) const LEAST_WIDTH: f64 = 0.2;

/// One end of a range, as it is set.
struct End<'a> {
    /// What it is called, such as `lowest PLR`.
    name: String,
    /// What the number counts.
    unit: &'a str,
    /// What it can be set to.
    range: [f64; 2],
    /// What it begins with when it is closed.
    first: f64,
}

/// Draws the controls of the chosen window, if it is the user's own.
pub fn show(ui: &mut Ui, scene: &Scene<'_>) -> Option<Action> {
    let TargetChoice::User(name) = &scene.session.window else {
        return None;
    };
    ui.spacing_mut().item_spacing.y = 4.0;
    let chosen = scene.session.target();
    let mut window = chosen.clone();
    let mut changed = rename(ui, name, &mut window);
    let usual = [-11.0, -9.0];
    let loudness = &mut window.loudness_lufs;
    changed |= range(ui, "loudness", "LUFS", loudness, [-40.0, 0.0], usual);
    changed |= range(
        ui,
        "PLR",
        "dB",
        &mut window.plr_db,
        [0.0, 30.0],
        [8.0, 11.0],
    );
    changed |= at_most(
        ui,
        "true peak",
        "dBTP",
        &mut window.ceiling_dbtp,
        [-12.0, 3.0],
        -1.0,
    );
    let short_term = &mut window.short_term_max_lufs;
    changed |= at_most(ui, "short-term", "LUFS", short_term, [-40.0, 0.0], -6.0);
    if changed {
        scene
            .params
            .edit_session(|session| session.change_own(name, window));
    }
    keeping(ui, scene, name, chosen)
}

/// The name; it is taken over when the field is left.
fn rename(ui: &mut Ui, name: &str, window: &mut TargetWindow) -> bool {
    let id = ui.scope_id().with("own window's name");
    let mut typed: String = ui
        .data(|data| data.get_temp(id))
        .unwrap_or_else(|| name.to_owned());
    let mut left = false;
    line(ui, "name", |ui| {
        let field = TextEdit::singleline(&mut typed).desired_width(200.0);
        let response = ui.add(field).accessible_name("Name of the window");
        left = response.lost_focus();
        if left || !response.has_focus() {
            ui.data_mut(|data| data.remove_temp::<String>(id));
        } else {
            ui.data_mut(|data| data.insert_temp(id, typed.clone()));
        }
    });
    let renamed = left && typed != name;
    if renamed {
        window.name = typed.into();
    }
    renamed
}

fn line(ui: &mut Ui, name: &str, add: impl FnOnce(&mut Ui)) {
    ui.horizontal(|ui| {
        let (place, _) = ui.allocate_exact_size(vec2(NAME, LINE), Sense::HOVER);
        let colour = scene::colours(ui).label;
        let at = place.left_center() + vec2(20.0, 0.0);
        scene::label(ui.painter(), at, Align2::LEFT_CENTER, name, colour);
        add(ui);
    });
}

/// Both ends of a range. Neither passes the other.
fn range(
    ui: &mut Ui,
    what: &str,
    unit: &str,
    limits: &mut Limits,
    range: [f64; 2],
    [low, high]: [f64; 2],
) -> bool {
    let mut changed = false;
    let [least, most] = range;
    let below = [
        least,
        limits
            .high
            .map_or(most, |high| (high - LEAST_WIDTH).max(least)),
    ];
    let above = [
        limits
            .low
            .map_or(least, |low| (low + LEAST_WIDTH).min(most)),
        most,
    ];
    line(ui, what, |ui| {
        for (limit, side, word, first, range) in [
            (&mut limits.low, "lowest", "from", low, below),
            (&mut limits.high, "highest", "to", high, above),
        ] {
            let end = End {
                name: format!("{side} {what}"),
                unit,
                range,
                first: first.clamp(range[0], range[1]),
            };
            changed |= end.show(ui, word, limit);
        }
        unit_of(ui, unit);
    });
    changed
}

/// A highest value alone.
fn at_most(
    ui: &mut Ui,
    what: &str,
    unit: &str,
    limit: &mut Option<f64>,
    range: [f64; 2],
    first: f64,
) -> bool {
    let mut changed = false;
    line(ui, what, |ui| {
        let end = End {
            name: format!("highest {what}"),
            unit,
            range,
            first,
        };
        changed = end.show(ui, "at most", limit);
        unit_of(ui, unit);
    });
    changed
}

fn unit_of(ui: &mut Ui, unit: &str) {
    ui.label(RichText::new(unit).font(font(ui.ctx(), SMALL_PT)));
}

impl End<'_> {
    /// A switch that closes or opens this end, and its number while it is closed. True if it was
    /// changed.
    fn show(&self, ui: &mut Ui, word: &str, limit: &mut Option<f64>) -> bool {
        let mut closed = limit.is_some();
        let text = RichText::new(word).size(LABEL_PT);
        let mut changed = ui
            .checkbox(&mut closed, text)
            .accessible_name(format!("Limit {}", self.name))
            .on_hover_text("Whether the window ends there; without it that side is open.")
            .changed();
        if changed {
            *limit = closed.then_some(self.first);
        }
        let [least, most] = self.range;
        if let Some(value) = limit {
            let drag = DragValue::new(value)
                .range(least..=most)
                // What is there already is not changed by being shown.
                .clamp_existing_to_range(false)
                .speed(0.1)
                .fixed_decimals(1)
                .custom_formatter(|value, _| number::fixed(Some(value), 1))
                .custom_parser(|text| number_typed(text, self.unit))
                // A value half typed is not meant: of "-12" neither "-1" nor what it would push.
                .update_while_editing(false);
            let tip = format!("The {} of the window: drag, or click and type.", self.name);
            let response = ui.add_sized([NUMBER, LINE], drag);
            changed |= response
                .accessible_name(format!("{}, {}", self.name, self.unit))
                .on_hover_text(tip)
                .changed();
        } else {
            ui.add_enabled_ui(false, |ui| {
                ui.add_sized([NUMBER, LINE], Button::new("open"));
            });
        }
        changed
    }
}

/// Whether the window is kept for all sessions, and the buttons that change it.
fn keeping(ui: &mut Ui, scene: &Scene<'_>, name: &str, window: &TargetWindow) -> Option<Action> {
    let mut action = None;
    let kept = scene.kept.iter().find(|kept| kept.name == name);
    let same = kept == Some(window);
    ui.horizontal(|ui| {
        ui.add_space(20.0);
        // In a list there is none: an entry is as wide as the list.
        ui.spacing_mut().button_padding.x = 8.0;
        let keep = Button::new("keep for all sessions");
        let keep = ui.add_enabled(!same, keep).on_hover_text(
            "Writes this window into your own file, from which every session can choose it.",
        );
        if keep.clicked() {
            action = Some(Action::Keep(window.clone()));
        }
        let tip = "Takes this window out of this session and out of your own file.";
        if ui.button("delete").on_hover_text(tip).clicked() {
            action = Some(Action::Delete(window.clone()));
            // The list would cover the undo that is offered.
            ui.close();
        }
        let state = match (kept, same) {
            (None, _) => "in this session only",
            (Some(_), true) => "kept for all sessions",
            (Some(_), false) => "changed since it was kept",
        };
        let colour = scene::colours(ui).label;
        ui.label(
            RichText::new(state)
                .font(font(ui.ctx(), SMALL_PT))
                .color(colour),
        );
    });
    action
}
