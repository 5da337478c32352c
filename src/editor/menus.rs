//! What opens from the top bar: the target windows, and the settings.

use egui::{Button, DragValue, Popup, Rect, RichText, Ui, UiBuilder};

use super::Wish;
use super::control;
use super::number::with_unit;
use super::scene::{self, Scene};
use super::theme::{BODY_PT, LABEL_PT, SMALL_PT};
use super::view_model::target;
use crate::session::{
    BUILT_IN, Limits, MAX_OWN_WINDOWS, PLAYBACK_RANGE_LUFS, Session, TargetWindow, ThemeChoice,
    WindowChoice, rink_floor,
};

/// Sizes to choose from, percent.
const SCALES_PERCENT: [u16; 6] = [75, 100, 125, 150, 175, 200];

/// The button with the window's name, and the list that opens from it.
pub fn target(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) {
    let window = scene.session.target();
    let name = RichText::new(format!("{} ▾", window.name)).size(BODY_PT);
    let wide = rect.width() > 215.0;
    let limits = if wide {
        target::loudness_in_words(window)
    } else {
        String::new()
    };
    let limits = RichText::new(limits)
        .size(SMALL_PT)
        .color(scene::colours(ui).label);
    let button = Button::new((name, limits)).truncate().min_size(rect.size());
    let response = ui.put(rect, button).on_hover_text(target::in_words(window));
    Popup::menu(&response).show(|ui| {
        ui.set_max_width(420.0);
        ui.label(RichText::new("Target window").size(LABEL_PT));
        for built_in in &BUILT_IN {
            let choice = WindowChoice::BuiltIn(built_in.id.into());
            let tip = format!("{}: {}", built_in.document, built_in.note);
            choose(ui, scene, &built_in.window, choice, &tip);
        }
        for own in &scene.session.own_windows {
            choose(
                ui,
                scene,
                own,
                WindowChoice::Own(own.name.clone().into_owned()),
                "One of your own.",
            );
        }
        ui.separator();
        let full = scene.session.own_windows.len() >= MAX_OWN_WINDOWS;
        if ui
            .add_enabled(!full, Button::new("new window of your own"))
            .clicked()
        {
            scene.params.session.update(add_own);
        }
    });
}

fn choose(ui: &mut Ui, scene: &Scene<'_>, window: &TargetWindow, choice: WindowChoice, tip: &str) {
    let chosen = scene.session.window == choice;
    let text = format!("{}   {}", window.name, target::in_words(window));
    if ui.radio(chosen, text).on_hover_text(tip).clicked() && !chosen {
        scene
            .params
            .session
            .update(|session| session.window = choice);
    }
}

fn add_own(session: &mut Session) {
    let taken = |name: &str| session.own_windows.iter().any(|own| own.name == name);
    let mut window = rink_floor();
    let mut count = 2;
    while taken(&window.name) {
        window.name = format!("Rink floor {count}").into();
        count += 1;
    }
    session.window = WindowChoice::Own(window.name.clone().into_owned());
    session.own_windows.push(window);
}

/// The settings button, and what opens from it.
pub fn settings(ui: &mut Ui, scene: &Scene<'_>) -> Option<Wish> {
    let mut wish = None;
    let response = ui.button("settings ▾");
    Popup::menu(&response)
        .close_behavior(egui::PopupCloseBehavior::CloseOnClickOutside)
        .show(|ui| {
            ui.set_min_width(250.0);
            appearance(ui, scene);
            ui.separator();
            let level = &mut scene.session.playback_lufs.clone();
            ui.horizontal(|ui| {
                let label = ui.label("playback levelled to");
                let value = DragValue::new(level)
                    .range(PLAYBACK_RANGE_LUFS)
                    .speed(0.1)
                    .fixed_decimals(1)
                    .suffix(" LUFS");
                if ui.add(value).labelled_by(label.id).changed() {
                    scene
                        .params
                        .session
                        .update(|session| session.playback_lufs = *level);
                }
            });
            own_window(ui, scene);
            ui.separator();
            let row = ui
                .available_rect_before_wrap()
                .with_max_y(ui.cursor().top() + 24.0);
            let look = control::Look::new(
                "restart when playback starts",
                "Starts the measurement anew each time the host's transport starts.",
            );
            ui.scope_builder(UiBuilder::new().max_rect(row), |ui| {
                control::switch(ui, row, scene.setter, &scene.params.restart_on_play, look);
                ui.advance_cursor_after_rect(row);
            });
            if ui.button("what is this?").clicked() {
                wish = Some(Wish::Introduce);
                ui.close();
            }
        });
    wish
}

fn appearance(ui: &mut Ui, scene: &Scene<'_>) {
    ui.horizontal(|ui| {
        for (theme, name) in [(ThemeChoice::Dark, "dark"), (ThemeChoice::Light, "light")] {
            let chosen = scene.session.theme == theme;
            if ui.radio(chosen, name).clicked() {
                scene.params.session.update(|session| session.theme = theme);
            }
        }
    });
    ui.horizontal(|ui| {
        for percent in SCALES_PERCENT {
            let zoom = f32::from(percent) / 100.0;
            let chosen = (scene.session.zoom - zoom).abs() < 0.01;
            let text = RichText::new(format!("{percent} %")).size(LABEL_PT);
            if ui.selectable_label(chosen, text).clicked() {
                scene.params.session.update(|session| session.zoom = zoom);
            }
        }
    });
}

/// The chosen window's limits, where it is the user's own.
fn own_window(ui: &mut Ui, scene: &Scene<'_>) {
    let WindowChoice::Own(name) = &scene.session.window else {
        return;
    };
    let mut window = scene.session.target().clone();
    ui.separator();
    ui.colored_label(scene::colours(ui).window.text, format!("window {name}"));
    let mut changed = limits(
        ui,
        "loudness",
        "LUFS",
        &mut window.loudness_lufs,
        [-40.0, 0.0],
    );
    changed |= limits(ui, "PLR", "dB", &mut window.plr_db, [0.0, 30.0]);
    let mut removed = false;
    ui.horizontal(|ui| {
        removed = ui.button("remove this window").clicked();
    });
    if changed || removed {
        scene.params.session.update(|session| {
            if let Some(own) = session.own_windows.iter_mut().find(|own| own.name == *name) {
                *own = window;
            }
            session
                .own_windows
                .retain(|own| !removed || own.name != *name);
        });
    }
}

fn limits(
    ui: &mut Ui,
    what: &str,
    unit: &str,
    limits: &mut Limits,
    [least, most]: [f64; 2],
) -> bool {
    let mut changed = false;
    ui.horizontal(|ui| {
        ui.label(RichText::new(what).size(LABEL_PT));
        for (end, side) in [(&mut limits.low, "lowest"), (&mut limits.high, "highest")] {
            let Some(value) = end else { continue };
            let drag = DragValue::new(value)
                .range(least..=most)
                .speed(0.1)
                .fixed_decimals(1);
            let response = ui.add(drag).accessible_name(format!("{side} {what}"));
            changed |= response
                .on_hover_text(format!(
                    "{side} {what}: {}",
                    with_unit(Some(*value), 1, unit)
                ))
                .changed();
        }
        ui.label(RichText::new(unit).size(LABEL_PT));
    });
    changed
}
