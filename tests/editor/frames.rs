//! When frames are drawn, and what one may cost.

use std::time::Duration;

use egui::{Event, Pos2, ViewportId};
use egui_kittest::Harness;
use rig::editor_stage::{RATE_HZ, Stage, open};

/// After how long the window asks for another frame.
fn next_frame(harness: &Harness<'_, Stage>) -> Duration {
    harness.output().viewport_output[&ViewportId::ROOT].repaint_delay
}

fn tone(seconds: f64, amplitude: f32) -> Vec<f32> {
    #[expect(clippy::cast_sign_loss, reason = "time runs forward")]
    let frames = (seconds * RATE_HZ) as usize;
    (0..frames)
        .map(|frame| amplitude * (frame as f32 * 0.1).sin())
        .collect()
}

#[test]
fn at_rest_no_frame_is_asked_for() {
    let mut harness = open(Stage::default(), [1_180.0, 820.0], 1.0);
    harness.run_steps(20);
    assert_eq!(next_frame(&harness), Duration::MAX);
}

#[test]
fn a_new_snapshot_is_drawn_and_then_there_is_rest_again() {
    let mut harness = open(Stage::default(), [1_180.0, 820.0], 1.0);
    let loud = tone(4.0, 0.5);
    harness.state_mut().play([&loud, &loud]);
    harness.run_steps(240);
    assert_eq!(next_frame(&harness), Duration::MAX);
    // A sudden change: axes go to their new range in steps, and no faster than frames are useful.
    let quiet = tone(6.0, 0.001);
    harness.state_mut().play([&quiet, &quiet]);
    harness.run_steps(1);
    let delay = next_frame(&harness);
    assert!(
        delay >= Duration::from_millis(10) && delay < Duration::from_secs(1),
        "{delay:?}"
    );
    // Longer than an axis that has become too wide is kept.
    harness.run_steps(720);
    assert_eq!(next_frame(&harness), Duration::MAX);
}

#[test]
fn after_an_action_the_answer_is_looked_for_once() {
    let mut harness = open(Stage::default(), [1_180.0, 820.0], 1.0);
    harness.run_steps(20);
    harness.event(Event::PointerMoved(Pos2::new(3.0, 815.0)));
    harness.run_steps(1);
    assert!(next_frame(&harness) <= Duration::from_millis(100));
    harness.run_steps(3);
    assert_eq!(next_frame(&harness), Duration::MAX);
}

#[test]
fn hostile_readings_are_drawn_without_harm() {
    let mut stage = Stage::default();
    let wild = [0.0, 1e30, -1e30, f32::MAX, f32::NAN, f32::INFINITY, 1e-40];
    let samples: Vec<f32> = wild.iter().cycle().copied().take(480_000).collect();
    stage.play([&samples, &samples]);
    let mut harness = open(stage, [1_180.0, 820.0], 1.0);
    harness.run_steps(30);
    assert!(
        rig::editor_stage::picture_of(&mut harness)
            .pixels()
            .any(|pixel| pixel.0[3] == 255)
    );
}
