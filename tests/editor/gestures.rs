//! Each gesture that the host is told of begins once and ends once, and every value is set within
//! one (`clap/ext/params.h`, `ivsteditcontroller.h`): a host that records touches would otherwise
//! hold on to a parameter for ever.

use egui::{Event, Key, Modifiers, PointerButton, Pos2, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use rig::editor_stage::{Stage, assert_balanced, opened_at, sent_to_host};

fn button(at: Pos2, pressed: bool) -> Event {
    Event::PointerButton {
        pos: at,
        button: PointerButton::Primary,
        pressed,
        modifiers: Modifiers::NONE,
    }
}

/// Takes hold of the ceiling and draws it down a little. Where the pointer is then.
fn held() -> (Harness<'static, Stage>, Pos2) {
    let mut harness = opened_at("limiter");
    harness.run_steps(30);
    let at = harness.get_by_label("Ceiling").rect().left_top() + Vec2::new(4.0, 6.0);
    harness.hover_at(at);
    harness.run_steps(1);
    sent_to_host(&harness);
    harness.event(button(at, true));
    harness.run_steps(1);
    let at = draw(&mut harness, at);
    (harness, at)
}

/// Draws what is held further down.
fn draw(harness: &mut Harness<'_, Stage>, from: Pos2) -> Pos2 {
    let to = from + Vec2::new(0.0, 15.0);
    for step in 1..=3_u8 {
        harness.hover_at(from + (to - from) * (f32::from(step) / 3.0));
        harness.run_steps(1);
    }
    to
}

#[test]
fn undo_lets_go_of_what_is_held_and_takes_that_back() {
    let (mut harness, at) = held();
    let params = harness.state().params.clone();
    assert!(params.limiter.ceiling.value() < -1.05);
    let mut calls = sent_to_host(&harness);
    assert_balanced(&calls, 1);
    harness.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    harness.run_steps(2);
    calls.extend(sent_to_host(&harness));
    assert_balanced(&calls, 0);
    assert!((params.limiter.ceiling.value() + 1.0).abs() < 1e-3);
    // The hand still moves, but holds nothing.
    let at = draw(&mut harness, at);
    harness.event(button(at, false));
    harness.run_steps(2);
    assert_eq!(sent_to_host(&harness), []);
    assert!((params.limiter.ceiling.value() + 1.0).abs() < 1e-3);
    // And takes hold again.
    harness.event(button(at, true));
    harness.event(button(at, false));
    harness.run_steps(30);
    harness.key_press_modifiers(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    harness.run_steps(2);
    assert!(params.limiter.ceiling.value() < -1.05);
}

#[test]
fn a_key_pressed_while_a_value_is_held_is_part_of_the_same_gesture() {
    let (mut harness, at) = held();
    harness.get_by_label("Ceiling").focus();
    harness.run_steps(2);
    harness.key_press(Key::ArrowLeft);
    harness.run_steps(2);
    let at = draw(&mut harness, at);
    let mut calls = sent_to_host(&harness);
    assert_balanced(&calls, 1);
    harness.event(button(at, false));
    harness.run_steps(2);
    calls.extend(sent_to_host(&harness));
    assert_balanced(&calls, 0);
}

#[test]
fn a_value_let_go_and_taken_hold_of_within_one_frame_is_two_gestures() {
    let (mut harness, at) = held();
    harness.event(button(at, false));
    harness.event(button(at, true));
    harness.run_steps(1);
    let at = draw(&mut harness, at);
    harness.event(button(at, false));
    harness.run_steps(2);
    assert_balanced(&sent_to_host(&harness), 0);
}

// What was held may no longer be drawn when the button is let go.
#[test]
fn a_gesture_ends_with_the_button_also_where_its_control_has_gone() {
    let (mut harness, at) = held();
    harness.get_by_label("Close limiter").click_accesskit();
    harness.run_steps(3);
    assert!(harness.query_by_label("Ceiling").is_none());
    harness.event(button(at, false));
    harness.run_steps(3);
    assert_balanced(&sent_to_host(&harness), 0);
}

// Undo would bring back what stood there before the state was loaded.
#[test]
fn what_is_held_while_a_state_is_loaded_is_no_step_from_the_old_one() {
    let (mut harness, at) = held();
    let params = harness.state().params.clone();
    harness
        .state()
        .set_plain(|params| &params.limiter.ceiling, -6.0);
    params.loaded();
    harness.run_steps(2);
    harness.event(button(at, false));
    harness.run_steps(2);
    sent_to_host(&harness);
    harness.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    harness.run_steps(2);
    assert_eq!(sent_to_host(&harness), []);
    assert!((params.limiter.ceiling.value() + 6.0).abs() < 1e-3);
}
