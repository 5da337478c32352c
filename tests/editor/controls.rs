//! Every value track is found by its name, changes its parameter as one gesture, and can be worked
//! by mouse, wheel and keyboard.

use egui::{Event, Key, Modifiers, MouseWheelUnit, PointerButton, Pos2, TouchPhase, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use nice_plug::prelude::Param;
use rig::editor_stage::{
    SIZE, Stage, assert_gesture, each_track, open, opened, sent_to_host, tracks,
};

#[test]
fn a_screen_reader_raises_and_lowers_every_track() {
    each_track(|harness, param| {
        let before = param.unmodulated_normalized_value();
        let (action, other) = if before > 0.5 {
            ("lower", "raise")
        } else {
            ("raise", "lower")
        };
        for way in [action, other] {
            let node = harness.get_by_label(param.name());
            if way == "raise" {
                node.increment_accesskit();
            } else {
                node.decrement_accesskit();
            }
            harness.run_steps(2);
            let now = param.unmodulated_normalized_value();
            assert_gesture(&sent_to_host(harness), param.as_ptr(), now);
            if way == action {
                assert_ne!(now.to_bits(), before.to_bits(), "{}", param.name());
            }
        }
    });
}

#[test]
fn arrow_keys_step_and_backspace_resets_every_track() {
    each_track(|harness, param| {
        harness.get_by_label(param.name()).focus();
        harness.run_steps(2);
        let key = if param.unmodulated_normalized_value() > 0.5 {
            Key::ArrowDown
        } else {
            Key::ArrowRight
        };
        harness.key_press(key);
        harness.run_steps(2);
        let stepped = param.unmodulated_normalized_value();
        assert_gesture(&sent_to_host(harness), param.as_ptr(), stepped);
        assert!(
            (stepped - param.default_normalized_value()).abs() > 1e-4,
            "{}",
            param.name()
        );
        assert!(
            harness.get_by_label(param.name()).is_focused(),
            "arrows keep the focus"
        );
        harness.key_press(Key::Backspace);
        harness.run_steps(2);
        assert_gesture(
            &sent_to_host(harness),
            param.as_ptr(),
            param.default_normalized_value(),
        );
    });
}

fn drag(harness: &mut Harness<'_, Stage>, from: Pos2, by: Vec2, modifiers: Modifiers) {
    harness.hover_at(from);
    harness.run_steps(1);
    let button = |pos, pressed| Event::PointerButton {
        pos,
        button: PointerButton::Primary,
        pressed,
        modifiers,
    };
    harness.event_modifiers(button(from, true), modifiers);
    harness.run_steps(1);
    for step in 1..=10 {
        harness.event_modifiers(
            Event::PointerMoved(from + by * (step as f32 / 10.0)),
            modifiers,
        );
        harness.run_steps(1);
    }
    harness.event_modifiers(button(from + by, false), modifiers);
    harness.run_steps(2);
}

/// The left end of a control, away from its value.
fn grip(harness: &Harness<'_, Stage>, name: &str) -> Pos2 {
    harness.get_by_label(name).rect().left_bottom() + Vec2::new(8.0, -3.0)
}

#[test]
fn a_drag_is_one_gesture_and_shift_makes_it_fine() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    let from = grip(&harness, "Push");
    drag(&mut harness, from, Vec2::new(110.0, 0.0), Modifiers::NONE);
    let coarse = params.push.value();
    assert_gesture(
        &sent_to_host(&harness),
        params.push.as_ptr(),
        params.push.unmodulated_normalized_value(),
    );
    assert!(
        (7.0..=9.5).contains(&coarse),
        "half of 220 points is half of 18 dB: {coarse}"
    );
    assert!(
        (coarse * 10.0 - (coarse * 10.0).round()).abs() < 1e-3,
        "lands on tenths"
    );
    drag(&mut harness, from, Vec2::new(110.0, 0.0), Modifiers::SHIFT);
    let fine = params.push.value() - coarse;
    assert!((0.6..=1.0).contains(&fine), "a tenth of that: {fine}");
}

#[test]
fn upwards_is_more() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    let from = grip(&harness, "Push");
    drag(&mut harness, from, Vec2::new(0.0, -60.0), Modifiers::NONE);
    assert!(params.push.value() > 3.0);
}

#[test]
fn the_wheel_steps_by_half_a_decibel_or_a_tenth() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.hover_at(grip(&harness, "Push"));
    harness.run_steps(2);
    let turn = |harness: &mut Harness<'_, Stage>, lines: f32, modifiers| {
        let wheel = Event::MouseWheel {
            unit: MouseWheelUnit::Line,
            delta: Vec2::new(0.0, lines),
            phase: TouchPhase::Move,
            modifiers,
            source: egui::MouseWheelSource::Unknown,
        };
        harness.event_modifiers(wheel, modifiers);
        harness.run_steps(2);
    };
    turn(&mut harness, 3.0, Modifiers::NONE);
    assert!((params.push.value() - 1.5).abs() < 1e-3);
    turn(&mut harness, -1.0, Modifiers::SHIFT);
    assert!((params.push.value() - 1.4).abs() < 1e-3);
    turn(&mut harness, 0.4, Modifiers::NONE);
    assert!(
        (params.push.value() - 1.4).abs() < 1e-3,
        "less than a line is kept for later"
    );
    turn(&mut harness, 0.7, Modifiers::NONE);
    assert!((params.push.value() - 1.5).abs() < 1e-3);
}

#[test]
fn a_double_click_or_a_click_with_ctrl_resets() {
    for way in [Modifiers::NONE, Modifiers::COMMAND] {
        let stage = Stage::default();
        stage.set_plain(|params| &params.push, 6.0);
        let mut harness = open(stage, SIZE, 1.0);
        let at = grip(&harness, "Push");
        harness.hover_at(at);
        harness.run_steps(1);
        for _ in 0..if way == Modifiers::NONE { 2 } else { 1 } {
            for pressed in [true, false] {
                let event = Event::PointerButton {
                    pos: at,
                    button: PointerButton::Primary,
                    pressed,
                    modifiers: way,
                };
                harness.event_modifiers(event, way);
                harness.run_steps(1);
            }
        }
        let params = harness.state().params.clone();
        assert_gesture(
            &sent_to_host(&harness),
            params.push.as_ptr(),
            params.push.default_normalized_value(),
        );
    }
}

#[test]
fn a_value_is_typed_with_its_unit() {
    for (name, text, expected) in [
        ("Push", "6.5 dB", 6.5),
        ("Ceiling", "−2 dBTP", -2.0),
        ("High shelf corner", "8k", 8_000.0),
        ("Release", "0.5 s", 500.0),
        ("Blend", "40", 40.0),
    ] {
        let mut harness = opened();
        let params = harness.state().params.clone();
        let rect = harness.get_by_label(name).rect();
        let value = Pos2::new(rect.right() - 6.0, rect.top() + 8.0);
        harness.hover_at(value);
        harness.run_steps(1);
        harness.drag_at(value);
        harness.run_steps(1);
        harness.drop_at(value);
        harness.run_steps(2);
        harness
            .get_by_label(&format!("{name}, type a value"))
            .type_text(text);
        harness.run_steps(2);
        harness.key_press(Key::Enter);
        harness.run_steps(3);
        let (_, param) = tracks(&params)
            .into_iter()
            .find(|(_, param)| param.name() == name)
            .unwrap();
        assert!(
            (param.value() / expected - 1.0).abs() < 1e-3,
            "{name}: {}",
            param.value()
        );
        assert_gesture(
            &sent_to_host(&harness),
            param.as_ptr(),
            param.unmodulated_normalized_value(),
        );
    }
}

#[test]
fn a_digit_begins_a_value_and_escape_drops_it() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    harness.get_by_label("Push").focus();
    harness.run_steps(2);
    harness.event(Event::Text("7".into()));
    harness.run_steps(3);
    harness.event(Event::Text(".5".into()));
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    assert!((params.push.value() - 7.5).abs() < 1e-3);
    harness.event(Event::Text("3".into()));
    harness.run_steps(3);
    harness.key_press(Key::Escape);
    harness.run_steps(3);
    assert!((params.push.value() - 7.5).abs() < 1e-3);
    assert!(harness.query_by_label("Push, type a value").is_none());
}

#[test]
fn nonsense_changes_nothing() {
    let mut harness = opened();
    harness.get_by_label("Push").focus();
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    harness.get_by_label("Push, type a value").type_text("loud");
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    assert_eq!(sent_to_host(&harness), []);
}

/// WCAG 2.2, success criterion 4.1.2: name, role and value of everything that can be worked.
#[test]
fn a_track_tells_its_value_and_range() {
    let stage = Stage::default();
    stage.set_plain(|params| &params.limiter.ceiling, -1.5);
    let harness = open(stage, SIZE, 1.0);
    let ceiling = harness.get_by_label("Ceiling");
    let node = ceiling.accesskit_node();
    assert!((node.numeric_value().unwrap() + 1.5).abs() < 1e-3);
    assert!((node.min_numeric_value().unwrap() + 12.0).abs() < 1e-3);
    assert!((node.max_numeric_value().unwrap()).abs() < 1e-3);
    assert_eq!(ceiling.value().unwrap(), "−1.5\u{a0}dBTP");
}
