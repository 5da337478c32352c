//! Switches, menus and what is said in words: each found by its name, by mouse or keyboard.

use crestline_core::session::forecast::Forecasted;
use crestline_core::session::{PlaneMode, TargetChoice, ThemeChoice};
use crestline_plugin::editor::install;
use crestline_plugin::params::CrestlineParams;
use egui::accesskit::Role;
use egui::{Event, Key, Modifiers, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use nice_plug::prelude::{Param, Params};
use rig::editor_stage::{
    BANDS, Place, SIZE, Stage, assert_gesture, lead_to, open, opened, picture_of, sent_to_host,
    tracks,
};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

#[test]
fn every_switch_switches() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    let mut switches = vec![
        (Place::default(), &params.matched),
        (Place::default(), &params.bands.on),
        (Place::default(), &params.saturator.on),
        (Place::default(), &params.limiter.on),
        (
            Place::in_stage("limiter"),
            &params.limiter.automatic_release,
        ),
    ];
    for (band, name) in params.band.iter().zip(BANDS) {
        let place = Place::in_band(name);
        switches.extend([(place, &band.on), (place, &band.solo)]);
    }
    for (place, param) in switches {
        lead_to(&mut harness, place);
        sent_to_host(&harness);
        let before = param.value();
        harness.get_by_label(param.name()).click();
        harness.run_steps(2);
        assert_ne!(param.value(), before, "{}", param.name());
        assert_gesture(
            &sent_to_host(&harness),
            param.as_ptr(),
            if before { 0.0 } else { 1.0 },
        );
        // And by the keyboard.
        harness.get_by_label(param.name()).focus();
        harness.run_steps(1);
        harness.key_press(Key::Space);
        harness.run_steps(2);
        assert_eq!(param.value(), before, "{}", param.name());
    }
}

#[test]
fn restart_reaches_the_audio_thread() {
    let mut harness = opened();
    // A host that lets the plug-in sleep is asked for blocks: it would not be heard of otherwise.
    let woken = Arc::new(AtomicUsize::new(0));
    let counts = Arc::clone(&woken);
    harness.state().params.unsaved.set_active(true);
    harness.state().params.unsaved.wake_with(move || {
        counts.fetch_add(1, Ordering::Relaxed);
    });
    assert!(!harness.state_mut().answer_restart());
    harness.get_by_label("measure anew").click();
    harness.run_steps(2);
    assert!(harness.state_mut().answer_restart());
    assert_eq!(woken.load(Ordering::Relaxed), 1);
}

#[test]
fn the_table_is_copied_as_text() {
    let mut harness = opened();
    harness.get_by_label("copy").click();
    harness.run_steps(1);
    let copied =
        harness
            .output()
            .platform_output
            .commands
            .iter()
            .find_map(|command| match command {
                egui::OutputCommand::CopyText(text) => Some(text.clone()),
                _ => None,
            });
    let copied = copied.unwrap();
    assert!(copied.starts_with("measure\tunit\tinput\tclean\toutput\tchange\n"));
    // The heading and all rows, those without room as well.
    assert_eq!(copied.lines().count(), 17, "{copied}");
}

/// Twelve seconds of a tone that swells twice a second.
fn heard() -> Stage {
    let mut stage = Stage::default();
    let tone: Vec<f32> = (0..576_000_u32)
        .map(|frame| {
            let time_s = f64::from(frame) / 48_000.0;
            let swell = 0.6 + 0.4 * (std::f64::consts::TAU * 2.0 * time_s).sin();
            (0.3 * swell * (std::f64::consts::TAU * 440.0 * time_s).sin()) as f32
        })
        .collect();
    stage.play([&tone, &tone]);
    stage
}

#[test]
fn measuring_anew_can_be_taken_back() {
    let mut harness = open(heard(), SIZE, 1.0);
    let before = harness.state().snapshot();
    assert!(harness.query_by_label_contains("undo").is_none());
    harness.get_by_label("measure anew").click();
    harness.run_steps(3);
    assert!(harness.state_mut().answer_restart());
    harness.run_steps(3);
    assert_eq!(harness.state().snapshot().output.readings.frames, 0);
    harness.get_by_label("Measured anew: undo (10 s)").click();
    harness.run_steps(3);
    assert!(harness.state_mut().answer_undo());
    harness.run_steps(3);
    assert_eq!(harness.state().snapshot().output, before.output);
    assert!(harness.query_by_label_contains("undo").is_none());
}

#[test]
fn peaks_over_full_scale_stand_until_they_are_cleared() {
    let mut stage = Stage::default();
    let tone: Vec<f32> = (0..48_000_u32)
        .map(|frame| 1.5 * (frame as f32 * 0.1).sin())
        .collect();
    stage.play([&tone, &tone]);
    let quiet = vec![0.0; 48_000];
    stage.play([&quiet, &quiet]);
    let mut harness = open(stage, SIZE, 1.0);
    // 20·log10(1.5) dB.
    harness
        .get_by_label("1 peak over full scale, up to +3.5 dBTP")
        .click();
    harness.run_steps(3);
    assert!(harness.state_mut().answer_clear_overs());
    harness.run_steps(3);
    assert!(harness.query_by_label_contains("over full scale").is_none());
}

#[test]
fn samples_that_are_no_audio_are_told_until_they_are_cleared() {
    let mut stage = Stage::default();
    let level = vec![0.1; 48_000];
    let mut faulty = level.clone();
    faulty[1_000..1_003].fill(f32::NAN);
    stage.play([&faulty, &level]);
    let mut harness = open(stage, SIZE, 1.0);
    harness.get_by_label("3 bad samples at the input").click();
    harness.run_steps(3);
    assert!(harness.state_mut().answer_clear_faults());
    harness.run_steps(3);
    assert!(harness.query_by_label_contains("bad sample").is_none());
}

#[test]
fn a_forecast_that_has_failed_is_told_once() {
    const WORDS: &str = "The forecast failed, by a fault of Crestline's own";
    let failed = Forecasted {
        done: true,
        failed: true,
        ..Forecasted::default()
    };
    let stage = Stage::default().with_forecast(failed);
    let mut harness = open(stage, SIZE, 1.0);
    harness.get_by_label_contains(WORDS).click();
    harness.run_steps(5);
    assert!(harness.query_by_label_contains(WORDS).is_none());
}

// Silence after the song, as a host plays it that rolls on: everything on the plane but the hand of
// time stays where it was.
#[test]
fn a_pause_leaves_the_plane_as_it_was() {
    let mut harness = open(heard(), SIZE, 1.0);
    harness.run_steps(120);
    let plane = |harness: &mut Harness<'_, Stage>| {
        let picture = picture_of(harness);
        let area = harness.get_by_label_contains("Plane: input").rect();
        #[expect(clippy::cast_sign_loss, reason = "the plane lies within the window")]
        let [x, y, width, height] = [
            area.left() - 24.0,
            area.top(),
            area.width() + 24.0,
            area.height() + 16.0,
        ]
        .map(|value| value as u32);
        image::imageops::crop_imm(&picture, x, y, width, height).to_image()
    };
    let silence = vec![0.0; 48_000];
    // Until the pause is noticed 400 ms of silence have entered the last place.
    harness.state_mut().play([&silence, &silence]);
    harness.run_steps(30);
    let before = plane(&mut harness);
    for second in 1..40 {
        harness.state_mut().play([&silence, &silence]);
        harness.run_steps(30);
        let now = plane(&mut harness);
        let differing = before.pixels().zip(now.pixels()).filter(|(a, b)| a != b);
        let differing = differing.count();
        assert!(differing < 400, "{differing} pixels after {second} s");
    }
}

#[test]
fn settings_choose_theme_scale_and_restart_with_playback() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.get_by_label("Settings").click();
    harness.run_steps(3);
    harness.get_by_label("light").click();
    harness.run_steps(3);
    assert_eq!(params.session.get().theme, ThemeChoice::Light);
    harness.get_by_label(params.restart_on_play.name()).click();
    harness.run_steps(3);
    assert!(params.restart_on_play.value());
    let level_lufs = params.session.get().playback_lufs;
    harness
        .get_by_role_and_label(Role::SpinButton, "playback levelled to")
        .focus();
    harness.run_steps(2);
    harness.key_press(Key::ArrowUp);
    harness.run_steps(3);
    assert!(params.session.get().playback_lufs > level_lufs);
}

#[test]
fn every_scale_can_be_chosen() {
    for percent in [75, 100, 125, 150, 175, 200] {
        let mut harness = opened();
        harness.get_by_label("Settings").click();
        harness.run_steps(3);
        harness.get_by_label(&format!("{percent} %")).click();
        harness.run_steps(3);
        let zoom = f64::from(percent) / 100.0;
        let kept = harness.state().params.session.get().zoom;
        assert!((f64::from(kept) - zoom).abs() < 1e-6, "{percent}");
        assert!((f64::from(harness.ctx.zoom_factor()) - zoom).abs() < 1e-6);
    }
}

#[test]
fn a_target_window_is_chosen_and_one_of_ones_own_is_made() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    let choose = |harness: &mut Harness<'_, Stage>, item: &str| {
        harness.get_by_label_contains("▾ ").click();
        harness.run_steps(3);
        harness.get_by_label_contains(item).click();
        harness.run_steps(3);
    };
    choose(&mut harness, "EBU R 128 live");
    assert_eq!(
        params.session.get().window,
        TargetChoice::BuiltIn("ebu-r128-live".into())
    );
    choose(&mut harness, "new: my target");
    assert_eq!(
        params.session.get().window,
        TargetChoice::User("my target".into())
    );
}

#[test]
fn the_plane_shows_either_measure() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.get_by_label("Plane shows microdynamics").click();
    harness.run_steps(3);
    assert_eq!(params.session.get().plane, PlaneMode::Microdynamics);
    harness.get_by_label("Plane shows PLR").click();
    harness.run_steps(3);
    assert_eq!(params.session.get().plane, PlaneMode::Plr);
}

#[test]
fn the_before_tap_is_switched_in_its_menu() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.get_by_label_contains("own chain").click();
    harness.run_steps(3);
    for param in [&params.tap.on, &params.tap.automatic_rest] {
        let before = param.value();
        harness.get_by_label(param.name()).click();
        harness.run_steps(3);
        assert_ne!(param.value(), before, "{}", param.name());
    }
    harness
        .get_by_label(params.tap.rest_gain.name())
        .increment_accesskit();
    harness.run_steps(3);
    let rest = &params.tap.rest_gain;
    assert_ne!(rest.value().to_bits(), rest.default_plain_value().to_bits());
}

/// In place, without anything to close: the lines go when audio plays and do not come back, the
/// caution stays.
#[test]
fn the_first_opening_explains_itself_until_audio_plays() {
    let mut harness = open(Stage::first_opened(), SIZE, 1.0);
    let params = harness.state().params.clone();
    let explained = |harness: &Harness<'_, Stage>| {
        harness
            .query_by_label_contains("moves along its rail")
            .is_some()
    };
    let cautioned = |harness: &Harness<'_, Stage>| {
        harness
            .query_by_label_contains("Loud sound harms")
            .is_some()
    };
    let silence = vec![0.0; 4_800];
    harness.state_mut().play([&silence, &silence]);
    harness.run_steps(2);
    assert!(explained(&harness) && cautioned(&harness));
    assert!(!params.session.get().introduced);
    let tone: Vec<f32> = (0..4_800).map(|frame| (frame as f32 * 0.1).sin()).collect();
    harness.state_mut().play([&tone, &tone]);
    harness.run_steps(2);
    assert!(!explained(&harness) && cautioned(&harness));
    assert!(params.session.get().introduced);
    harness.get_by_label("measure anew").click();
    harness.run_steps(2);
    harness.state_mut().answer_restart();
    harness.run_steps(2);
    assert!(!explained(&harness) && cautioned(&harness));
}

/// Presses tab until every name has had the keyboard.
fn tab_through(harness: &mut Harness<'_, Stage>, mut missing: Vec<String>) {
    for _ in 0..90 {
        harness.key_press(Key::Tab);
        harness.run_steps(2);
        missing.retain(|name| !harness.get_by_label(name).is_focused());
    }
    assert_eq!(missing, Vec::<String>::new());
}

/// WCAG 2.2, success criterion 2.1.1: everything can be reached by the keyboard.
#[test]
fn tab_reaches_every_control() {
    let names = [
        "Listen to Output",
        "Listen to Residue",
        "measure anew",
        "copy",
        "export ▾",
        "Window size",
        "Matched listening",
        "Push",
        "Open shelves",
        "Open bands",
        "Open saturator",
        "Open limiter",
        "Limiter",
        "Plane shows microdynamics",
        "History, 0:00 to 0:30",
    ];
    tab_through(&mut opened(), names.map(Into::into).into());
    for stage in ["shelves", "bands", "saturator", "limiter"] {
        let mut harness = opened();
        lead_to(&mut harness, Place::in_stage(stage));
        let params = harness.state().params.clone();
        let shown = tracks(&params).into_iter().filter(|(place, _)| {
            place.stage == Some(stage) && matches!(place.band, None | Some("low"))
        });
        let mut names: Vec<String> = shown.map(|(_, param)| param.name().to_owned()).collect();
        names.push(format!("Close {stage}"));
        if stage == "bands" {
            names.push("Show the high band".into());
        }
        tab_through(&mut harness, names);
    }
}

#[test]
fn everything_a_host_can_set_by_hand_is_in_the_editor() {
    // What is left to the host: its own bypass switch, the restart trigger for automation, and
    // readings that nobody sets.
    const LEFT_TO_THE_HOST: [&str; 8] = [
        "Restart measurement",
        "Before tap reading",
        "Short-term loudness",
        "Integrated loudness",
        "PLR",
        "True peak",
        "Microdynamics",
        "Target",
    ];
    let params = CrestlineParams::default();
    let mut shown: Vec<String> = tracks(&params)
        .into_iter()
        .map(|(_, param)| param.name().to_owned())
        .collect();
    shown.extend(
        [
            &params.bypass,
            &params.matched,
            &params.bands.on,
            &params.saturator.on,
            &params.limiter.on,
            &params.limiter.automatic_release,
        ]
        .map(|param| param.name().to_owned()),
    );
    shown.extend(
        params
            .band
            .iter()
            .flat_map(|band| [band.on.name().to_owned(), band.solo.name().to_owned()]),
    );
    shown.extend(
        [
            &params.restart_on_play,
            &params.tap.on,
            &params.tap.automatic_rest,
        ]
        .map(|param| param.name().to_owned()),
    );
    shown.extend([
        params.listen.name().to_owned(),
        params.reference.name().to_owned(),
        params.live_reference.name().to_owned(),
        params.tap.rest_gain.name().to_owned(),
    ]);
    for (_, param, _) in params.param_map() {
        #[expect(
            unsafe_code,
            reason = "the framework hands parameters out as raw pointers only"
        )]
        // SAFETY: the parameters live until the end of this test.
        let name = unsafe { param.name() };
        assert!(
            shown.iter().any(|shown| shown == name) || LEFT_TO_THE_HOST.contains(&name),
            "{name}"
        );
    }
}

/// The size asked for by the corner, points.
pub fn asked_size(harness: &Harness<'_, Stage>) -> Option<Vec2> {
    let viewport = &harness.output().viewport_output[&egui::ViewportId::ROOT];
    viewport.commands.iter().find_map(|command| match command {
        egui::ViewportCommand::InnerSize(size) => Some(*size),
        _ => None,
    })
}

#[test]
fn the_corner_asks_the_host_for_another_size() {
    let mut harness = opened();
    let corner = harness.get_by_label("Window size").rect().center();
    harness.hover_at(corner);
    harness.run_steps(1);
    harness.drag_at(corner);
    harness.run_steps(1);
    harness.hover_at(corner + Vec2::new(-60.0, 30.0));
    harness.step();
    let size = asked_size(&harness).unwrap();
    assert_eq!(size, Vec2::new(SIZE[0] - 60.0, SIZE[1] + 30.0));
    harness.drop_at(corner);
    harness.run_steps(1);
    harness.get_by_label("Window size").focus();
    harness.run_steps(2);
    // The test's window follows what is asked for, as a host does.
    let size = harness.ctx.content_rect().size();
    // One event, so that its frame is the last one drawn.
    harness.event(Event::Key {
        key: Key::ArrowRight,
        physical_key: None,
        pressed: true,
        repeat: false,
        modifiers: Modifiers::NONE,
    });
    harness.step();
    assert_eq!(asked_size(&harness), Some(size + Vec2::new(20.0, 0.0)));
}

#[test]
fn the_state_of_the_side_chain_is_told_in_words() {
    use crestline_core::handover::TapState;
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.state().set_plain(|params| &params.tap.on, true);
    assert!(params.tap.on.value());
    for (state, words) in [
        (TapState::NoSideChain, "before tap: no side-chain"),
        (TapState::Listening, "before tap: listening"),
        (TapState::Settling, "before tap: settling"),
        (TapState::NotFixed, "before tap: not a fixed device"),
        (TapState::NotRelated, "before tap: not related"),
        (TapState::Aligned, "before tap: 96 samples, 2.0\u{a0}ms"),
    ] {
        let mut snapshot = harness.state().snapshot();
        snapshot.tap.state = state;
        snapshot.tap.delay_frames = 96;
        harness.state_mut().audio.publish(snapshot);
        // What is written follows within a fifth of a second.
        harness.run_steps(15);
        assert!(harness.query_by_label_contains(words).is_some(), "{words}");
    }
}

/// Each window is a new one to egui, whatever the one before was told.
#[test]
fn a_window_opened_again_has_the_theme_of_its_session() {
    let stage = Stage::default();
    stage
        .params
        .session
        .update(|session| session.theme = ThemeChoice::Light);
    let stage = Rc::new(RefCell::new(stage));
    for _ in 0..2 {
        let drawn = Rc::clone(&stage);
        let mut harness = Harness::builder()
            .with_size(SIZE)
            .with_context_setup(install)
            .build_ui(move |ui| drawn.borrow_mut().draw(ui));
        harness.run_steps(3);
        assert_eq!(harness.ctx.theme(), egui::Theme::Light);
        stage.borrow_mut().reopen();
    }
}
