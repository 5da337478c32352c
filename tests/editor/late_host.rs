//! A host brings what is set with a later block, and often frames later. What the window does goes
//! by what was last set, not by what has come back: no step is lost, and no setting.

use egui::{Event, Key, Modifiers, MouseWheelUnit, TouchPhase, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use nice_plug::prelude::{FloatParam, Param};
use rig::editor_stage::{HostCall, Stage, opened, opened_at, sent_to_host};

fn press(harness: &mut Harness<'_, Stage>, name: &str) {
    harness.get_by_label(name).click();
    // Longer than a double click.
    harness.run_steps(24);
}

/// Presses a key on a track, and lets so many frames pass.
fn key(harness: &mut Harness<'_, Stage>, name: &str, key: Key, frames: usize) {
    harness.get_by_label(name).focus();
    harness.run_steps(2);
    harness.key_press(key);
    harness.run_steps(frames);
}

/// The host brings everything, a value a frame.
fn bring(harness: &mut Harness<'_, Stage>) {
    while harness.state().host.bring_one() {
        harness.run_steps(1);
    }
    harness.run_steps(2);
}

fn is(param: &FloatParam, plain: f32) {
    let now = param.value();
    assert!((now - plain).abs() < 1e-3, "{now} for {plain}");
}

#[test]
fn steps_of_keys_and_wheel_add_up() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.state().host.hold_back();
    for _ in 0..2 {
        key(&mut harness, "Push", Key::ArrowRight, 3);
    }
    harness.hover_at(harness.get_by_label("Push").rect().center());
    harness.run_steps(1);
    for _ in 0..2 {
        harness.event(Event::MouseWheel {
            unit: MouseWheelUnit::Line,
            delta: Vec2::new(0.0, 1.0),
            phase: TouchPhase::Move,
            modifiers: Modifiers::NONE,
            source: egui::MouseWheelSource::Unknown,
        });
        harness.run_steps(3);
    }
    bring(&mut harness);
    is(&params.push, 2.0);
}

// One is brought while the next waits: that must not make the next one be forgotten.
#[test]
fn steps_add_up_while_the_host_lags_behind() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.state().host.hold_back();
    key(&mut harness, "Push", Key::ArrowRight, 1);
    for _ in 0..6 {
        key(&mut harness, "Push", Key::ArrowRight, 1);
        assert!(harness.state().host.bring_one());
        harness.run_steps(1);
    }
    bring(&mut harness);
    is(&params.push, 3.5);
}

#[test]
fn a_value_put_back_before_it_has_come_is_put_back() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.state().host.hold_back();
    key(&mut harness, "Push", Key::ArrowRight, 3);
    key(&mut harness, "Push", Key::Backspace, 3);
    bring(&mut harness);
    is(&params.push, 0.0);
}

#[test]
fn a_switch_goes_on_and_off_again() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    harness.state().host.hold_back();
    sent_to_host(&harness);
    press(&mut harness, "Limiter");
    press(&mut harness, "Limiter");
    let on = params.limiter.on.as_ptr();
    let sets: Vec<_> = sent_to_host(&harness)
        .into_iter()
        .filter(|call| matches!(call, HostCall::Set(..)))
        .collect();
    assert_eq!(sets, [HostCall::Set(on, 1.0), HostCall::Set(on, 0.0)]);
}

#[test]
fn what_has_not_come_yet_is_undone_and_done_again() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    let ceiling = &params.limiter.ceiling;
    harness.state().host.hold_back();
    // Each a step of its own.
    for _ in 0..2 {
        key(&mut harness, "Ceiling", Key::ArrowLeft, 60);
    }
    press(&mut harness, "Undo");
    bring(&mut harness);
    is(ceiling, -1.5);
    press(&mut harness, "Undo");
    press(&mut harness, "Redo");
    bring(&mut harness);
    is(ceiling, -1.5);
    press(&mut harness, "Undo");
    bring(&mut harness);
    is(ceiling, -1.0);
}

#[test]
fn both_settings_keep_what_has_not_come_yet() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    let ceiling = &params.limiter.ceiling;
    harness.state().host.hold_back();
    key(&mut harness, "Ceiling", Key::ArrowLeft, 3);
    press(&mut harness, "Use the second");
    key(&mut harness, "Ceiling", Key::ArrowLeft, 3);
    press(&mut harness, "Use the first");
    bring(&mut harness);
    is(ceiling, -1.5);
    press(&mut harness, "Use the second");
    bring(&mut harness);
    is(ceiling, -2.0);
    key(&mut harness, "Ceiling", Key::ArrowLeft, 3);
    press(&mut harness, "Copy over the other");
    press(&mut harness, "Use the first");
    bring(&mut harness);
    is(ceiling, -2.5);
}
