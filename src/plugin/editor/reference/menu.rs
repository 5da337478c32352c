//! The button of the reference, and what opens from it.

use egui::{Button, Popup, PopupCloseBehavior, Rect, RichText, ScrollArea, Ui};

use super::super::top_bar::KEYS;
use super::{Ask, part_in_words};
use crate::audition::AuditionState;
use crate::editor::control;
use crate::editor::number::{clock, fixed, with_unit};
use crate::editor::scene::{self, Scene};
use crate::editor::theme::{LABEL_PT, SMALL_PT, font};
use crate::editor::view_model::reference as view_model;
use crestline_core::session::Section;
use crestline_core::session::reference::{Figures, LOUDEST_PART_S, Profile, REGIONS, Reference};
use crestline_files::LONGEST_AUDITION_S;

/// Height that the window keeps around the menu, points.
const AROUND: f32 = 24.0;
/// Width of the button that gives up a capture, and the least in which the other says of what it is.
const CANCEL: f32 = 60.0;
const WITH_SOURCE: f32 = 140.0;

/// Draws the button into `rect`: it chooses a file where there is no reference, stops what is being
/// measured, or opens what can be done with the reference.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) -> Option<Ask> {
    let text = |ui: &Ui, words: String| RichText::new(words).font(font(ui.ctx(), SMALL_PT));
    if let Some((name, share)) = scene.reference.loading() {
        let words = format!("{:.0} % of {name} · stop", 100.0 * share);
        let button = Button::new(text(ui, words)).small().truncate();
        let response = ui.put(rect, button).accessible_name("Stop measuring");
        let clicked = control::tip(response, "Gives up measuring this file.").clicked();
        return clicked.then_some(Ask::Stop);
    }
    if let Some(captured_s) = scene.reference.captured_s() {
        let [stop, cancel] = rect.split_left_right_at_x(rect.right() - CANCEL).into();
        let time = clock(Some(captured_s));
        let words = if stop.width() < WITH_SOURCE {
            format!("{time} · stop")
        } else {
            format!("side-chain {time} · stop")
        };
        let button = Button::new(text(ui, words)).small().truncate();
        let response = ui.put(stop.with_max_x(stop.right() - 4.0), button);
        let response = response.accessible_name("Stop capturing");
        let tip = "Takes what has come in by the side-chain as the reference.";
        let stopped = control::tip(response, tip).clicked();
        let button = Button::new(text(ui, "cancel".into())).small().truncate();
        let response = ui.put(cancel, button).accessible_name("Cancel capturing");
        let tip = "Takes nothing of it: the reference stays as it is.";
        let cancelled = control::tip(response, tip).clicked();
        return match (stopped, cancelled) {
            (_, true) => Some(Ask::GiveUp),
            (true, false) => Some(Ask::Stop),
            (false, false) => None,
        };
    }
    let reference = scene.session.reference.as_ref();
    let words = match reference {
        Some(reference) => {
            let words = format!("◆ {} ▾", reference.profile.name);
            text(ui, words).color(scene::colours(ui).reference.text)
        }
        None => text(ui, "reference ▾".into()),
    };
    let button = Button::new(words).small().truncate();
    let response = ui.put(rect, button).accessible_name("Reference");
    let response = control::tip(response, "What this mix is compared with.");
    let mut ask = None;
    Popup::menu(&response)
        .close_behavior(PopupCloseBehavior::CloseOnClickOutside)
        .show(|ui| {
            ui.set_min_width(280.0);
            ui.spacing_mut().item_spacing.y = 3.0;
            let room = ui.ctx().content_rect().height() - AROUND;
            let list = ScrollArea::vertical()
                .max_height(room)
                .min_scrolled_height(room);
            list.show(ui, |ui| {
                ask = match reference {
                    Some(reference) => opened(ui, scene, reference),
                    None => offered(ui),
                };
                ui.separator();
                live(ui, scene);
            });
            if ask.is_some() {
                ui.close();
            }
        });
    ask
}

/// Where a reference comes from.
fn offered(ui: &mut Ui) -> Option<Ask> {
    let mut ask = None;
    for (words, tip, what) in [
        (
            "a file…",
            "Chooses another song, or the profile of one, to compare this mix with.",
            Ask::Choose,
        ),
        (
            "capture the side-chain",
            "Measures what the host sends by the side-chain, until it is stopped.",
            Ask::Capture,
        ),
    ] {
        if ui.button(words).on_hover_text(tip).clicked() {
            ask = Some(what);
        }
    }
    ask
}

/// Whether the side-chain is listened to as the reference while it comes in.
fn live(ui: &mut Ui, scene: &Scene<'_>) {
    let switch = &scene.params.live_reference;
    let mut on = scene.setter.value(switch) > 0.5;
    ui.horizontal(|ui| {
        let tip = "What the host sends by the side-chain is the listen switch's Reference.";
        let words = "listen to the side-chain, live";
        let response = ui.checkbox(&mut on, words).on_hover_text(tip);
        if response.changed() {
            control::set(scene.setter, switch, if on { 1.0 } else { 0.0 });
        }
        if on {
            let tap = scene.setter.value(&scene.params.tap.on) > 0.5;
            let told = scene.snapshot.activity.reference;
            let words = live_in_words(told.map(|of| of.integrated_lufs), tap);
            ui.label(RichText::new(words).size(LABEL_PT));
        }
    });
}

/// What is said of it; `lufs`, its loudness so far; `tap`, whether the side-chain is the before tap
/// too.
fn live_in_words(lufs: Option<f64>, tap: bool) -> String {
    match lufs {
        _ if tap => "but it is the before tap: switch one of them off".into(),
        Some(_) => format!("so far {}", with_unit(lufs, 1, "LUFS")),
        None => "nothing loud enough has come in yet".into(),
    }
}

fn opened(ui: &mut Ui, scene: &Scene<'_>, reference: &Reference) -> Option<Ask> {
    let profile = &*reference.profile.beside(scene.channels());
    ui.label(&profile.name);
    let density = view_model::density(scene.reference.found(), profile);
    let crests = density
        .iter()
        .zip(REGIONS)
        .map(|([ours, theirs], (_, name))| {
            format!("{name}: {} and {}", fixed(*ours, 1), fixed(*theirs, 1))
        });
    let crests = crests.collect::<Vec<_>>().join(" · ");
    // The view has findings and density where there is room for them.
    let density = [
        view_model::density_in_words(
            &density,
            profile,
            scene.reference.found().is_some(),
            scene.forecast.is_possible(),
        ),
        format!("mix and reference, dB, {crests}"),
    ];
    let audition = scene.params.audition.state();
    let live = scene.setter.value(&scene.params.live_reference) > 0.5;
    let mono = (profile.channels != reference.profile.channels)
        .then(|| "mono: told as it is heard from both loudspeakers".to_owned());
    let figures = in_words(profile, reference.file.is_some(), &audition, live);
    for line in figures.into_iter().chain(mono) {
        ui.label(RichText::new(line).size(LABEL_PT));
    }
    let found = scene.reference.found();
    for finding in found.map_or(&[][..], |found| &found.findings) {
        let line = format!("{}: {}", view_model::about(finding), finding.brief);
        ui.label(RichText::new(line).size(LABEL_PT))
            .on_hover_text(&finding.sentence);
    }
    for line in density {
        ui.label(RichText::new(line).size(LABEL_PT));
    }
    ui.separator();
    ui.visuals_mut().widgets.inactive.weak_bg_fill = scene::colours(ui).face;
    let mut ask = None;
    for (section, words) in [
        (
            Section::Loudest,
            format!("its loudest {LOUDEST_PART_S:.0} s"),
        ),
        (Section::Whole, "all of it".into()),
    ] {
        let chosen = profile.section == section;
        let enabled = reference.file.is_some() || chosen;
        let radio = ui.add_enabled(enabled, egui::RadioButton::new(chosen, words));
        let tip = "Which part of it the mix is compared with; the file is measured again.";
        // Where it could not be heard this looks whether it can be now.
        let again = reference.file.is_some() && scene.params.audition.is_missing();
        if radio.on_hover_text(tip).clicked() && (!chosen || again) {
            ask = Some(Ask::Measure(section));
        }
    }
    ui.separator();
    ui.label(RichText::new("another reference:").size(LABEL_PT));
    let another = ui.horizontal(|ui| {
        ui.spacing_mut().button_padding.x = 8.0;
        offered(ui)
    });
    let another = another.inner;
    ui.separator();
    for (words, tip, what) in [
        (
            "save its profile",
            "Writes what was measured as a file, which can be opened as a reference.",
            Ask::Save,
        ),
        ("remove", "Compares with nothing any more.", Ask::Remove),
    ] {
        if ui.button(words).on_hover_text(tip).clicked() {
            ask = Some(what);
        }
    }
    ask.or(another)
}

/// What was measured: which part, how loud, how dynamic; then the whole, and whether it can be
/// listened to; not so while the side-chain is, `live`.
fn in_words(
    profile: &Profile,
    has_file: bool,
    audition: &AuditionState,
    live: bool,
) -> Vec<String> {
    let figures = |name: &str, of: &Figures| {
        format!(
            "{name}: {} LUFS, PLR {} dB, microdynamics {} dB",
            fixed(of.integrated_lufs, 1),
            fixed(of.plr_db, 1),
            fixed(of.ldr_db, 1)
        )
    };
    let mut lines = vec![figures(&part_in_words(profile), &profile.part)];
    if profile.part != profile.whole {
        lines.push(figures("all of it", &profile.whole));
    }
    let range = with_unit(profile.whole.loudness_range_lu, 1, "LU");
    lines.push(format!("loudness range {range}"));
    lines.push(match (has_file, audition) {
        (false, _) => "its audio is not at hand".into(),
        (true, AuditionState::None) => "its audio is not loaded".into(),
        (true, AuditionState::Loading(share)) => {
            format!("loading its audio: {:.0} %", 100.0 * share)
        }
        (true, AuditionState::Ready) if live => {
            "its audio is at hand; the side-chain is listened to instead".into()
        }
        (true, AuditionState::Ready) => {
            let part = profile.part.end_s - profile.part.start_s;
            let cut = if part > LONGEST_AUDITION_S {
                "; of so long a part, its beginning is heard"
            } else {
                ""
            };
            let key = if KEYS { ", or the key 5" } else { "" };
            format!("to listen to it: Reference{key}{cut}")
        }
        (true, AuditionState::NotAvailable(words)) => words.clone(),
    });
    lines
}
