//! Where to begin: settings named after the situation that they are for, and the user's own.

use egui::{Button, Id, Popup, PopupCloseBehavior, Rect, RichText, TextEdit, Ui};

use super::Action;
use super::changes::Ask;
use super::control;
use super::scene::{self, Scene};
use super::theme::LABEL_PT;
use crestline_core::session::starting_points::StartingPoint;

/// One of ours. What is not named stands at its default; push stays as it is, and so does a limiter
/// behind it that is not named.
pub struct BuiltIn {
    /// The situation.
    pub name: &'static str,
    /// What is done about it.
    pub tip: &'static str,
    /// Plain values by parameter id.
    pub values: &'static [(&'static str, f64)],
}

/// Ours.
pub const BUILT_IN: [BuiltIn; 6] = [
    BuiltIn {
        name: "nothing done",
        tip: "Every stage at rest; behind a push the limiter stays as it is.",
        values: &[],
    },
    BuiltIn {
        name: "open mix, keep the beat",
        tip: "Bends the top three decibels, so that the limiter leaves the beat alone.",
        values: &[("sat", 1.0), ("shldr", 3.0), ("limit", 1.0), ("ceil", -1.0)],
    },
    BuiltIn {
        name: "open mix, no grit",
        tip: "Clean limiting alone.",
        values: &[("limit", 1.0), ("ceil", -1.0)],
    },
    BuiltIn {
        name: "dense mix, the last decibel",
        tip: "Bends only what stands highest, below a ceiling with some room.",
        values: &[("sat", 1.0), ("shldr", 1.5), ("limit", 1.0), ("ceil", -1.2)],
    },
    BuiltIn {
        name: "the kick turns everything down",
        tip: "Holds the low band before the limiter has to; the other bands rest.",
        values: &[
            ("bands", 1.0),
            ("thr_1", -16.0),
            ("ratio_1", 2.5),
            ("attack_1", 30.0),
            ("releas_1", 140.0),
            ("on_2", 0.0),
            ("on_3", 0.0),
            ("on_4", 0.0),
            ("limit", 1.0),
            ("ceil", -1.0),
        ],
    },
    BuiltIn {
        name: "cymbals harden when pushed",
        tip: "Turns the two upper bands down a little where they stand out.",
        values: &[
            ("bands", 1.0),
            ("on_1", 0.0),
            ("on_2", 0.0),
            ("thr_3", -20.0),
            ("ratio_3", 1.6),
            ("attack_3", 8.0),
            ("thr_4", -24.0),
            ("ratio_4", 1.6),
            ("attack_4", 4.0),
            ("limit", 1.0),
            ("ceil", -1.0),
        ],
    },
];

/// Draws the button and, once it is pressed, the list. Returns what is asked of the window.
pub fn menu(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, own: &[StartingPoint]) -> Option<Action> {
    let text = RichText::new("start ▾").font(control::font(ui.ctx(), LABEL_PT));
    let button = Button::new(text)
        .small()
        .wrap_mode(egui::TextWrapMode::Extend)
        .min_size(rect.size());
    let response = ui.put(rect, button).accessible_name("Starting points");
    control::focus_ring(ui, rect, &response);
    let mut action = None;
    Popup::menu(&response)
        .close_behavior(PopupCloseBehavior::CloseOnClickOutside)
        .show(|ui| {
            ui.set_min_width(300.0);
            ui.label("for a situation; push stays as it is");
            for built_in in &BUILT_IN {
                let button = ui.button(built_in.name);
                if control::tip(button, built_in.tip).clicked() {
                    let named = built_in.values.iter();
                    let named = named.map(|(id, value)| ((*id).to_owned(), *value));
                    scene.changes.ask(Ask::Begin(named.collect()));
                    ui.close();
                }
            }
            ui.separator();
            ui.label("your own");
            for point in own {
                if ui.button(&point.name).clicked() {
                    let values = point.values.clone();
                    scene.changes.ask(Ask::Begin(values.into_iter().collect()));
                    ui.close();
                }
            }
            action = keep(ui, scene, own);
        });
    control::tip(
        response,
        "Settings to begin with, for a situation, and your own.",
    );
    action
}

/// The present settings under a name.
fn keep(ui: &mut Ui, scene: &Scene<'_>, own: &[StartingPoint]) -> Option<Action> {
    ui.visuals_mut().widgets.inactive.weak_bg_fill = scene::colours(ui).face;
    let id = Id::unique("name of a starting point");
    let mut name: String = ui.data(|data| data.get_temp(id)).unwrap_or_default();
    let edit = TextEdit::singleline(&mut name)
        .hint_text("name of the present settings")
        .char_limit(60)
        .desired_width(280.0);
    ui.add(edit).accessible_name("Name of the starting point");
    let taken = own.iter().any(|point| point.name == name.trim());
    let words = if taken {
        "replace the one of this name"
    } else {
        "keep the present settings"
    };
    let named = name.chars().any(char::is_alphanumeric);
    let asked = ui.add_enabled(named, Button::new(words)).clicked();
    let action = asked.then(|| Action::KeepStart {
        point: StartingPoint {
            name: name.trim().to_owned(),
            values: scene.changes.plain().into_iter().collect(),
        },
        replace: taken,
    });
    if asked {
        name.clear();
        ui.close();
    }
    ui.data_mut(|data| data.insert_temp(id, name));
    action
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::params::CrestlineParams;
    use nice_plug::prelude::Params;

    /// They name parameters that exist, and never push.
    #[test]
    fn built_in_starting_points_set_what_there_is() {
        let ids: Vec<String> = CrestlineParams::default()
            .param_map()
            .into_iter()
            .map(|(id, ..)| id)
            .collect();
        for built_in in &BUILT_IN {
            for (id, _) in built_in.values {
                assert!(ids.iter().any(|known| known == id), "{id}");
                assert_ne!(*id, "push");
            }
        }
    }
}
