//! Each gesture that the host is told of begins once and ends once, and every value is set within
//! one (`clap/ext/params.h`, `ivsteditcontroller.h`): a host that records touches would otherwise
//! hold on to a parameter for ever.

use crate::decision::shown;
use crate::history::with_a_gap;
use crate::window::asked_size;
use egui::{Event, Key, Modifiers, MouseWheelSource, MouseWheelUnit, Pos2, TouchPhase, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use rig::editor_stage::{
    SIZE, Stage, assert_balanced, button, open, opened, opened_at, sent_to_host,
};

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

/// The harness gives each event that it is told of a frame of its own.
fn in_one_frame<const N: usize>(harness: &mut Harness<'_, Stage>, events: [Event; N]) {
    harness.input_mut().events.extend(events);
    harness.step();
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
    in_one_frame(&mut harness, [button(at, false), button(at, true)]);
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

/// Takes hold of the middle of what bears that label, or of its left end, and draws it in two steps.
/// The second comes in a frame of its own or in the one that lets go.
fn drawn(harness: &mut Harness<'_, Stage>, label: &str, at_end: bool, by: Vec2, at_once: bool) {
    let rect = harness.get_by_label_contains(label).rect();
    let from = if at_end {
        rect.left_top() + Vec2::new(4.0, 6.0)
    } else {
        rect.center()
    };
    harness.hover_at(from);
    harness.run_steps(1);
    sent_to_host(harness);
    harness.event(button(from, true));
    harness.run_steps(1);
    harness.hover_at(from + by * 0.5);
    harness.run_steps(1);
    let ends = [Event::PointerMoved(from + by), button(from + by, false)];
    if at_once {
        in_one_frame(harness, ends);
    } else {
        for event in ends {
            in_one_frame(harness, [event]);
        }
    }
}

/// With a history that is magnified, so that there is where to move.
fn magnified() -> Harness<'static, Stage> {
    let mut harness = open(with_a_gap(), SIZE, 1.0);
    harness.get_by_label_contains("History, ").focus();
    harness.run_steps(2);
    for _ in 0..6 {
        harness.key_press(Key::ArrowUp);
        harness.run_steps(1);
    }
    harness
}

// On a slow screen, or after a fast hand, the last of a drag comes with its end.
#[test]
fn what_moves_in_the_frame_that_lets_go_is_part_of_the_gesture() {
    type Make = fn() -> Harness<'static, Stage>;
    type Read = fn(&Harness<'_, Stage>) -> Vec<f64>;
    type Case = (Make, &'static str, bool, Vec2, Read);
    let down = Vec2::new(0.0, 30.0);
    let across = Vec2::new(-60.0, 0.0);
    let low_shelf: Read = |harness| {
        let shelves = &harness.state().params.shelves;
        vec![
            shelves.low_corner.value().into(),
            shelves.low_gain.value().into(),
        ]
    };
    let low_side: Read = |harness| {
        let session = harness.state().params.session.get();
        vec![session.target().loudness_lufs.low.unwrap()]
    };
    let history: Read = |harness| {
        let strip = harness.get_by_label_contains("History, ");
        let words = strip.accesskit_node().label().unwrap_or_default();
        words.bytes().map(f64::from).collect()
    };
    let cases: [Case; 6] = [
        (
            || opened_at("limiter"),
            "Ceiling",
            true,
            down,
            |harness| vec![harness.state().params.limiter.ceiling.value().into()],
        ),
        (
            || opened_at("shelves"),
            "Low shelf on the curve",
            false,
            Vec2::new(30.0, -20.0),
            low_shelf,
        ),
        (
            || shown(SIZE),
            "Push on the rail",
            false,
            Vec2::new(80.0, 20.0),
            |harness| vec![harness.state().params.push.value().into()],
        ),
        (|| shown(SIZE), "Target's low side", false, across, low_side),
        (
            magnified,
            "History, ",
            false,
            Vec2::new(300.0, 0.0),
            history,
        ),
        (opened, "Window size", false, across, |harness| {
            let size = asked_size(harness).unwrap_or_default();
            vec![size.x.into(), size.y.into()]
        }),
    ];
    for (make, label, at_end, by, read) in cases {
        let [in_turn, at_once] = [false, true].map(|at_once| {
            let mut harness = make();
            harness.run_steps(30);
            let before = read(&harness);
            drawn(&mut harness, label, at_end, by, at_once);
            assert_balanced(&sent_to_host(&harness), 0);
            let after = read(&harness);
            assert!(before != after, "{label} was not moved");
            after
        });
        assert_eq!(in_turn, at_once, "{label}");
    }
}

// The next movement would set what the state has just replaced.
#[test]
fn a_state_that_is_loaded_takes_what_is_held_out_of_the_hand() {
    let (mut harness, at) = held();
    let params = harness.state().params.clone();
    let mut calls = sent_to_host(&harness);
    harness
        .state()
        .set_plain(|params| &params.limiter.ceiling, -6.0);
    params.loaded();
    harness.run_steps(1);
    let at = draw(&mut harness, at);
    harness.event(button(at, false));
    harness.run_steps(2);
    calls.extend(sent_to_host(&harness));
    assert_balanced(&calls, 0);
    assert!((params.limiter.ceiling.value() + 6.0).abs() < 1e-3);
}

#[test]
fn a_drag_goes_on_from_where_the_wheel_has_led_the_value() {
    let mut harness = shown(SIZE);
    let params = harness.state().params.clone();
    harness.state().set_plain(|params| &params.push, 9.0);
    harness.run_steps(2);
    let at = harness.get_by_label("Push").rect().center();
    harness.hover_at(at);
    harness.run_steps(1);
    harness.event(button(at, true));
    harness.run_steps(1);
    let held_db = params.push.value();
    harness.event(Event::MouseWheel {
        unit: MouseWheelUnit::Line,
        delta: Vec2::new(0.0, -6.0),
        phase: TouchPhase::Move,
        source: MouseWheelSource::Unknown,
        modifiers: Modifiers::NONE,
    });
    harness.run_steps(2);
    let turned_db = params.push.value();
    assert!(turned_db < held_db - 2.0, "{held_db} to {turned_db}");
    let to = at + Vec2::new(5.0, 0.0);
    harness.hover_at(to);
    harness.run_steps(1);
    harness.event(button(to, false));
    harness.run_steps(2);
    let moved_db = params.push.value() - turned_db;
    assert!((0.05..0.5).contains(&moved_db), "{moved_db}");
    assert_balanced(&sent_to_host(&harness), 0);
}

// What stands in it was rounded for reading, and may have been moved since.
#[test]
fn a_field_in_which_nothing_is_typed_sets_nothing() {
    let mut harness = shown(SIZE);
    let params = harness.state().params.clone();
    for leaves in [Key::Enter, Key::Tab] {
        harness.state().set_plain(|params| &params.push, 12.0);
        harness.get_by_label("Push").focus();
        harness.run_steps(2);
        harness.key_press(Key::Enter);
        harness.run_steps(2);
        harness.state().set_plain(|params| &params.push, 0.0);
        harness.run_steps(2);
        harness.key_press(leaves);
        harness.run_steps(3);
        assert_eq!(sent_to_host(&harness), []);
        assert_eq!(params.push.value(), 0.0);
    }
    // What is typed counts, also where it is what stood there.
    harness.state().set_plain(|params| &params.push, 12.0);
    harness.get_by_label("Push").focus();
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(2);
    let stood = harness.get_by_label("Push, type a value").value();
    harness.state().set_plain(|params| &params.push, 0.0);
    harness.event(Event::Text(stood.unwrap()));
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    assert_eq!(params.push.value(), 12.0);
}

// A frame that began before the state was loaded ends after it.
#[test]
fn what_is_moved_while_a_state_is_loaded_is_not_set_over_it() {
    let (mut harness, at) = held();
    let params = harness.state().params.clone();
    let mut calls = sent_to_host(&harness);
    let moves = Event::PointerMoved(at + Vec2::new(0.0, 20.0));
    params
        .loading
        .during(|| in_one_frame(&mut harness, [moves]));
    let amid = sent_to_host(&harness);
    assert_eq!(amid, []);
    harness
        .state()
        .set_plain(|params| &params.limiter.ceiling, -6.0);
    params.loaded();
    harness.event(button(at, false));
    harness.run_steps(2);
    calls.extend(sent_to_host(&harness));
    assert_balanced(&calls, 0);
    assert!((params.limiter.ceiling.value() + 6.0).abs() < 1e-3);
}
