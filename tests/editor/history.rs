//! The history: magnified, moved and read.

use egui::{Event, Key, Modifiers, MouseWheelSource, MouseWheelUnit, TouchPhase, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use rig::editor_stage::{SIZE, Stage, open};

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

/// Ten seconds of a tone; for two of them the transport stands still.
pub fn with_a_gap() -> Stage {
    let mut stage = Stage::default();
    let tone: Vec<f32> = (0..192_000_u32)
        .map(|frame| 0.9 * (frame as f32 * 0.1).sin())
        .collect();
    stage.play([&tone, &tone]);
    stage.transport = false;
    stage.play([&tone[..96_000], &tone[..96_000]]);
    stage.transport = true;
    stage.play([&tone, &tone]);
    stage
}

/// What the history says of the moment that is read.
fn read_out(harness: &Harness<'_, Stage>) -> Option<String> {
    harness.get_by_label_contains("History, ").value()
}

#[test]
fn hovering_or_clicking_the_history_reads_every_value() {
    let mut harness = open(with_a_gap(), SIZE, 1.0);
    assert_eq!(read_out(&harness), None);
    let strip = harness.get_by_label_contains("History, ").rect();
    // The strip shows half a minute until more has been recorded.
    let at = |time_s: f32| strip.left_center() + Vec2::new(time_s / 30.0 * strip.width(), 0.0);
    harness.hover_at(at(3.55));
    harness.run_steps(2);
    let text = read_out(&harness).unwrap();
    for part in [
        "0:03   song 0:03;",
        "loudness  input ",
        "momentary ",
        "PLR  input ",
        "microdynamics  input ",
        "true peak ",
        "limiter  clean ",
        "bands ",
        "distortion ",
    ] {
        assert!(text.contains(part), "{part} in {text}");
    }
    harness.hover_at(at(5.05));
    harness.run_steps(2);
    assert!(read_out(&harness).unwrap().contains("stopped"));
    // What was clicked stays when the pointer has gone, and goes by escape.
    harness.hover_at(at(8.05));
    harness.run_steps(1);
    harness.drag_at(at(8.05));
    harness.run_steps(1);
    harness.drop_at(at(8.05));
    harness.run_steps(1);
    harness.hover_at(egui::Pos2::new(3.0, 3.0));
    harness.run_steps(2);
    assert!(read_out(&harness).unwrap().starts_with("0:08   song 0:08;"));
    harness.get_by_label_contains("History, ").focus();
    harness.run_steps(2);
    harness.key_press_modifiers(Modifiers::SHIFT, Key::ArrowLeft);
    harness.run_steps(2);
    assert!(read_out(&harness).unwrap().starts_with("0:07   song 0:07;"));
    harness.key_press(Key::Escape);
    harness.run_steps(2);
    assert_eq!(read_out(&harness), None);
}

// Beyond what is recorded there is nothing to be read, and the mouse alone puts away what it read.
#[test]
fn a_second_click_puts_the_values_away() {
    let mut harness = open(with_a_gap(), SIZE, 1.0);
    let strip = harness.get_by_label_contains("History, ").rect();
    let click = |harness: &mut Harness<'_, Stage>, time_s: f32| {
        let at = strip.left_center() + Vec2::new(time_s / 30.0 * strip.width(), 0.0);
        harness.hover_at(at);
        harness.run_steps(1);
        harness.drag_at(at);
        harness.run_steps(1);
        harness.drop_at(at);
        // Longer than a double click.
        harness.run_steps(24);
        harness.hover_at(egui::Pos2::new(3.0, 3.0));
        harness.run_steps(2);
        read_out(harness)
    };
    assert!(click(&mut harness, 8.05).unwrap().starts_with("0:08 "));
    assert_eq!(click(&mut harness, 8.05), None);
    assert!(click(&mut harness, 20.0).unwrap().starts_with("0:10 "));
    assert!(click(&mut harness, 3.05).unwrap().starts_with("0:03 "));
    assert_eq!(click(&mut harness, 3.05), None);
}
