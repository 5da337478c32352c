//! The stages' tiles, what opens from them, and what they tell.

use crate::history::with_a_gap;
use egui::Key;
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use rig::editor_stage::{Place, SIZE, Stage, lead_to, open, opened, sent_to_host};

/// One stage at a time lies over the history; its button, escape and another tile close it.
#[test]
fn a_stage_opens_over_the_history_and_closes() {
    let mut harness = opened();
    let over_history =
        |harness: &Harness<'_, Stage>| harness.query_by_label_contains("History, ").is_none();
    let press = |harness: &mut Harness<'_, Stage>, name: &str| {
        harness.get_by_label(name).click();
        harness.run_steps(3);
    };
    assert!(!over_history(&harness));
    press(&mut harness, "Open saturator");
    assert!(over_history(&harness) && harness.query_by_label("Shoulder").is_some());
    press(&mut harness, "Open limiter");
    assert!(over_history(&harness) && harness.query_by_label("Shoulder").is_none());
    assert!(harness.query_by_label("Ceiling").is_some());
    press(&mut harness, "Close limiter");
    assert!(!over_history(&harness));
    press(&mut harness, "Open shelves");
    harness.key_press(Key::Escape);
    harness.run_steps(3);
    assert!(!over_history(&harness));
    // Escape first drops what is being typed.
    press(&mut harness, "Open limiter");
    harness.get_by_label("Ceiling").focus();
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    harness.key_press(Key::Escape);
    harness.run_steps(3);
    assert!(over_history(&harness));
    assert!(harness.query_by_label("Ceiling, type a value").is_none());
    harness.key_press(Key::Escape);
    harness.run_steps(3);
    assert!(!over_history(&harness));
    assert_eq!(sent_to_host(&harness), []);
}

/// The tiles tell what the stages are set to, and a screen reader hears it.
#[test]
fn a_tile_tells_its_main_values() {
    let stage = Stage::default();
    stage.set_plain(|params| &params.shelves.low_gain, -2.5);
    stage.set_plain(|params| &params.limiter.on, true);
    stage.set_plain(|params| &params.saturator.shoulder, 4.0);
    let harness = open(stage, SIZE, 1.0);
    let said = |name: &str| harness.get_by_label(name).value().unwrap();
    assert_eq!(
        said("Open shelves"),
        "low −2.5 dB at 120\u{a0}Hz, high 0.0 dB at 6.0\u{a0}kHz"
    );
    assert!(said("Open saturator").starts_with("shoulder 4.0\u{a0}dB, off: would bend"));
    assert!(said("Open limiter").starts_with("ceiling −1.0\u{a0}dBTP, reduction"));
    assert!(said("Open bands").contains("off"));
}

/// The picture of the saturator tells how much of the signal bends, whether it is on or not. A sine
/// of amplitude 0.9 is above `s` for `1 − 2·asin(s/0.9)/π` of the time (the arcsine distribution).
#[test]
fn the_saturator_tells_how_much_lies_above_its_shoulder() {
    let stage = with_a_gap();
    stage.set_plain(|params| &params.saturator.shoulder, 6.0);
    let mut harness = open(stage, SIZE, 1.0);
    lead_to(&mut harness, Place::in_stage("saturator"));
    let shoulder = 10.0_f64.powf((-1.0 - 6.0) / 20.0);
    let expected = 100.0 * (1.0 - 2.0 * (shoulder / 0.9).asin() / std::f64::consts::PI);
    let text = harness
        .get_by_label_contains("Saturator's curve and levels, ")
        .accesskit_node()
        .label()
        .unwrap();
    let number = text
        .trim_start_matches("Saturator's curve and levels, off: would bend ")
        .trim_end_matches('%')
        .trim();
    let found: f64 = number.parse().unwrap();
    assert!((found - expected).abs() < 1.0, "{text} for {expected:.1}");
}

/// Each band tells the level that meets its threshold, and what it does about it.
#[test]
fn each_band_tells_level_threshold_and_gain() {
    let mut stage = Stage::default();
    stage.set_plain(|params| &params.bands.on, true);
    stage.set_plain(|params| &params.band[1].threshold, -20.0);
    let tone: Vec<f32> = (0..192_000_u32)
        .map(|frame| 0.5 * (frame as f32 * std::f32::consts::TAU * 350.0 / 48_000.0).sin())
        .collect();
    stage.play([&tone, &tone]);
    let mut harness = open(stage, SIZE, 1.0);
    lead_to(&mut harness, Place::in_stage("bands"));
    let text = harness
        .get_by_label("Show the low-mid band")
        .value()
        .unwrap();
    // A tone in the middle of a band passes its filters nearly whole: 20·log10(0.5) = −6.0 dBFS;
    // ratio 2 turns down half of what is above.
    assert!(text.starts_with("level −6."), "{text}");
    assert!(
        text.contains("threshold −20.0\u{a0}dBFS") && text.contains("gain −6."),
        "{text}"
    );
}
