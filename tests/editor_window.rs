//! Switches, listening, menus and what is said in words: each found by its name, by mouse or keyboard.

#[path = "common/editor_stage.rs"]
mod editor_stage;

use crestline::params::{CrestlineParams, ListenChoice};
use crestline::session::{PlaneMode, ThemeChoice, WindowChoice};
use editor_stage::{SIZE, Stage, assert_gesture, open, opened, show_band, told, tracks};
use egui::{Event, Key, Modifiers, MouseWheelSource, MouseWheelUnit, TouchPhase, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use nice_plug::prelude::{Param, Params};

#[test]
fn every_switch_switches() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    let mut switches = vec![
        (None, &params.matched),
        (None, &params.bands.on),
        (None, &params.saturator.on),
        (None, &params.limiter.on),
        (None, &params.limiter.automatic_release),
    ];
    for (band, name) in params
        .band
        .iter()
        .zip(["low", "low-mid", "high-mid", "high"])
    {
        switches.extend([(Some(name), &band.on), (Some(name), &band.solo)]);
    }
    for (band, param) in switches {
        show_band(&mut harness, band);
        told(&harness);
        let before = param.value();
        harness.get_by_label(param.name()).click();
        harness.run_steps(2);
        assert_ne!(param.value(), before, "{}", param.name());
        assert_gesture(
            &told(&harness),
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
fn the_listen_switch_offers_four_signals() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    for (name, choice) in [
        ("Clean", ListenChoice::Clean),
        ("Input", ListenChoice::Input),
        ("Residue", ListenChoice::Residue),
        ("Output", ListenChoice::Output),
    ] {
        harness.get_by_label(&format!("Listen to {name}")).click();
        harness.run_steps(2);
        assert_eq!(params.listen.value(), choice);
        let recorded = harness
            .query_by_label_contains("The host records")
            .is_some();
        assert_eq!(recorded, choice != ListenChoice::Output, "{name}");
    }
    assert_eq!(told(&harness).len(), 4 * 3);
}

#[test]
fn bypass_is_said_plainly() {
    let stage = Stage::default();
    stage.set_plain(|params| &params.bypass, true);
    let harness = open(stage, SIZE, 1.0);
    assert!(harness.query_by_label_contains("Bypassed").is_some());
}

#[test]
fn restart_reaches_the_audio_thread() {
    let mut harness = opened();
    assert!(!harness.state_mut().answer_restart());
    harness.get_by_label("restart").click();
    harness.run_steps(2);
    assert!(harness.state_mut().answer_restart());
}

#[test]
fn the_table_is_copied_as_text() {
    let mut harness = opened();
    let count = harness.query_all_by_label_contains(", clean ").count();
    assert_eq!(count, 13, "one row a measure");
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
    assert!(
        copied
            .unwrap()
            .starts_with("measure\tunit\tinput\tclean\toutput\tchange\n")
    );
}

#[test]
fn settings_choose_theme_scale_and_restart_with_playback() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.get_by_label_contains("settings").click();
    harness.run_steps(3);
    harness.get_by_label("light").click();
    harness.run_steps(3);
    assert_eq!(params.session.get().theme, ThemeChoice::Light);
    harness.get_by_label(params.restart_on_play.name()).click();
    harness.run_steps(3);
    assert!(params.restart_on_play.value());
    harness.get_by_label("150 %").click();
    harness.run_steps(3);
    assert!((params.session.get().zoom - 1.5).abs() < 1e-6);
    assert!((harness.ctx.zoom_factor() - 1.5).abs() < 1e-6);
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
        WindowChoice::BuiltIn("ebu-r128-live".into())
    );
    choose(&mut harness, "new window of your own");
    assert_eq!(
        params.session.get().window,
        WindowChoice::Own("Rink floor".into())
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

#[test]
fn the_first_opening_is_explained_once() {
    let mut harness = open(Stage::first_opened(), SIZE, 1.0);
    let params = harness.state().params.clone();
    assert!(
        harness
            .query_by_label_contains("exposure rules of your place")
            .is_some()
    );
    harness.get_by_label("begin").click();
    harness.run_steps(3);
    assert!(params.session.get().introduced);
    assert!(harness.query_by_label("begin").is_none());
}

/// WCAG 2.2, success criterion 2.1.1: everything can be reached by the keyboard.
#[test]
fn tab_reaches_every_control() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    let shown = tracks(&params)
        .into_iter()
        .filter(|(band, _)| matches!(band, None | Some("low")));
    let mut missing: Vec<String> = shown.map(|(_, param)| param.name().to_owned()).collect();
    missing.extend(
        [
            "Listen to Output",
            "Listen to Residue",
            "restart",
            "copy",
            "Matched listening",
        ]
        .map(Into::into),
    );
    missing.extend(["Show the high band", "Plane shows microdynamics"].map(Into::into));
    for _ in 0..90 {
        harness.key_press(Key::Tab);
        harness.run_steps(2);
        missing.retain(|name| !harness.get_by_label(name).is_focused());
    }
    assert_eq!(missing, Vec::<String>::new());
}

#[test]
fn everything_a_host_can_set_by_hand_is_in_the_editor() {
    // What is left to the host: its own bypass switch, the restart trigger for automation, and a reading that nobody sets.
    const LEFT_TO_THE_HOST: [&str; 3] = ["Bypass", "Restart measurement", "Before tap reading"];
    let params = CrestlineParams::default();
    let mut shown: Vec<String> = tracks(&params)
        .into_iter()
        .map(|(_, param)| param.name().to_owned())
        .collect();
    shown.extend(
        [
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

#[test]
fn the_history_is_magnified_and_moved_by_keys_and_wheel() {
    let mut stage = Stage::default();
    let tone: Vec<f32> = (0..2_880_000_u32)
        .map(|frame| 0.3 * (frame as f32 * 0.1).sin())
        .collect();
    stage.play([&tone, &tone]);
    let mut harness = open(stage, SIZE, 1.0);
    harness.get_by_label("History, 0:00 to 1:00").focus();
    harness.run_steps(2);
    for _ in 0..4 {
        harness.key_press(Key::ArrowUp);
        harness.run_steps(2);
    }
    // Magnified about its middle, 1.25⁴ times.
    assert!(harness.query_by_label("History, 0:17 to 0:42").is_some());
    harness.key_press(Key::ArrowLeft);
    harness.run_steps(2);
    assert!(harness.query_by_label("History, 0:15 to 0:39").is_some());
    harness.key_press(Key::Home);
    harness.run_steps(2);
    harness.get_by_label("History, 0:00 to 1:00").hover();
    harness.run_steps(1);
    harness.event(Event::MouseWheel {
        unit: MouseWheelUnit::Line,
        delta: Vec2::new(0.0, 1.0),
        phase: TouchPhase::Move,
        modifiers: Modifiers::NONE,
        source: MouseWheelSource::Unknown,
    });
    harness.run_steps(2);
    assert!(harness.query_by_label("History, 0:06 to 0:54").is_some());
}
