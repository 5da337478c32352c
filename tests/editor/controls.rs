//! Every value track is found by its name, changes its parameter as one gesture, and can be worked
//! by mouse, wheel and keyboard.

use crestline_plugin::params::ListenChoice;
use egui::{Event, Key, Modifiers, MouseWheelUnit, PointerButton, Pos2, Rect, TouchPhase, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use nice_plug::prelude::Param;
use rig::editor_stage::{
    Place, SIZE, Stage, assert_gesture, each_track, lead_to, open, opened, opened_at, sent_to_host,
    tracks,
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

fn button(pos: Pos2, button: PointerButton, pressed: bool, modifiers: Modifiers) -> Event {
    Event::PointerButton {
        pos,
        button,
        pressed,
        modifiers,
    }
}

fn press(harness: &mut Harness<'_, Stage>, at: Pos2, pressed: bool, modifiers: Modifiers) {
    harness.event_modifiers(
        button(at, PointerButton::Primary, pressed, modifiers),
        modifiers,
    );
    harness.run_steps(1);
}

fn click(harness: &mut Harness<'_, Stage>, at: Pos2, times: usize, modifiers: Modifiers) {
    harness.hover_at(at);
    harness.run_steps(1);
    for _ in 0..times {
        press(harness, at, true, modifiers);
        press(harness, at, false, modifiers);
    }
    harness.run_steps(2);
}

fn drag(harness: &mut Harness<'_, Stage>, from: Pos2, by: Vec2, modifiers: Modifiers) {
    harness.hover_at(from);
    harness.run_steps(1);
    press(harness, from, true, modifiers);
    for step in 1..=10 {
        harness.event_modifiers(
            Event::PointerMoved(from + by * (step as f32 / 10.0)),
            modifiers,
        );
        harness.run_steps(1);
    }
    press(harness, from + by, false, modifiers);
    harness.run_steps(1);
}

/// Width of a thumb, points.
const THUMB: f32 = 7.0;

/// Where the thumb of a track is at a normalized value.
fn thumb_at(rect: Rect, normalized: f32) -> Pos2 {
    let x = rect.left() + THUMB / 2.0 + normalized * (rect.width() - THUMB);
    Pos2::new(x, rect.bottom() - 5.0)
}

/// The panel of the limiter, the place of the ceiling's track, and its parameter.
fn ceiling() -> (Harness<'static, Stage>, Rect) {
    let mut harness = opened_at("limiter");
    // Longer than a double click: what opened it does not count as one half.
    harness.run_steps(30);
    let rect = harness.get_by_label("Ceiling").rect();
    sent_to_host(&harness);
    (harness, rect)
}

#[test]
fn a_drag_is_one_gesture_and_shift_makes_it_fine() {
    let (mut harness, rect) = ceiling();
    let params = harness.state().params.clone();
    let ceiling = &params.limiter.ceiling;
    let half = Vec2::new(-0.5 * (rect.width() - THUMB), 0.0);
    let from = thumb_at(rect, ceiling.unmodulated_normalized_value());
    drag(&mut harness, from, half, Modifiers::NONE);
    let coarse = ceiling.value();
    assert_gesture(
        &sent_to_host(&harness),
        ceiling.as_ptr(),
        ceiling.unmodulated_normalized_value(),
    );
    assert!(
        (coarse + 7.0).abs() < 0.11,
        "half the way is half of 12 dB: {coarse}"
    );
    assert!(
        (coarse * 10.0 - (coarse * 10.0).round()).abs() < 1e-3,
        "lands on tenths"
    );
    let from = thumb_at(rect, ceiling.unmodulated_normalized_value());
    drag(&mut harness, from, -half, Modifiers::SHIFT);
    let fine = ceiling.value() - coarse;
    assert!((0.5..=0.7).contains(&fine), "a tenth of that: {fine}");
}

#[test]
fn the_thumb_goes_under_the_pointer_and_not_from_under_it() {
    let (mut harness, rect) = ceiling();
    let params = harness.state().params.clone();
    let ceiling = &params.limiter.ceiling;
    // Away from it, where the pointer is pressed: a quarter of −12…0 dB.
    let away = thumb_at(rect, 0.25);
    harness.hover_at(away);
    harness.run_steps(1);
    press(&mut harness, away, true, Modifiers::NONE);
    assert!((ceiling.value() + 9.0).abs() < 0.11, "{}", ceiling.value());
    // And along with it, as one gesture.
    harness.hover_at(away + Vec2::new(30.0, -40.0));
    harness.run_steps(1);
    press(
        &mut harness,
        away + Vec2::new(30.0, -40.0),
        false,
        Modifiers::NONE,
    );
    let under = thumb_at(rect, ceiling.unmodulated_normalized_value());
    assert!((under.x - away.x - 30.0).abs() < 0.01 * rect.width());
    let now = ceiling.unmodulated_normalized_value();
    assert_gesture(&sent_to_host(&harness), ceiling.as_ptr(), now);
    // On the thumb itself nothing jumps, and nothing is told.
    click(
        &mut harness,
        under + Vec2::new(2.0, 0.0),
        1,
        Modifiers::NONE,
    );
    assert_eq!(
        ceiling.unmodulated_normalized_value().to_bits(),
        now.to_bits()
    );
    assert_eq!(sent_to_host(&harness), []);
}

#[test]
fn beside_the_rail_upwards_is_more() {
    let (mut harness, rect) = ceiling();
    let params = harness.state().params.clone();
    let name = rect.left_top() + Vec2::new(4.0, 6.0);
    drag(&mut harness, name, Vec2::new(0.0, 60.0), Modifiers::NONE);
    assert!(params.limiter.ceiling.value() < -2.0);
}

#[test]
fn the_wheel_steps_by_half_a_decibel_or_a_tenth() {
    let (mut harness, rect) = ceiling();
    let params = harness.state().params.clone();
    let ceiling = &params.limiter.ceiling;
    harness.hover_at(rect.center());
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
    turn(&mut harness, -3.0, Modifiers::NONE);
    assert!((ceiling.value() + 2.5).abs() < 1e-3);
    turn(&mut harness, 1.0, Modifiers::SHIFT);
    assert!((ceiling.value() + 2.4).abs() < 1e-3);
    turn(&mut harness, -0.4, Modifiers::NONE);
    assert!(
        (ceiling.value() + 2.4).abs() < 1e-3,
        "less than a line is kept for later"
    );
    turn(&mut harness, -0.7, Modifiers::NONE);
    assert!((ceiling.value() + 2.5).abs() < 1e-3);
}

#[test]
fn in_a_window_that_is_scrolled_the_wheel_only_scrolls() {
    let mut harness = open(Stage::default(), [600.0, 760.0], 1.0);
    let params = harness.state().params.clone();
    let left = |harness: &Harness<'_, Stage>| harness.get_by_label("Push").rect().left();
    let before = left(&harness);
    let at = harness.get_by_label("Push").rect().left_center();
    harness.hover_at(at + Vec2::new(30.0, 0.0));
    harness.run_steps(2);
    let wheel = Event::MouseWheel {
        unit: MouseWheelUnit::Line,
        delta: Vec2::new(-3.0, 0.0),
        phase: TouchPhase::Move,
        modifiers: Modifiers::NONE,
        source: egui::MouseWheelSource::Unknown,
    };
    harness.event(wheel);
    harness.run_steps(30);
    assert_eq!(params.push.value(), 0.0);
    assert!(left(&harness) < before - 20.0, "it has not scrolled");
}

/// On the name, on the number and on the thumb; the number's field does not stay open.
#[test]
fn a_double_click_or_a_click_with_ctrl_resets() {
    for (place, times, modifiers) in [
        ("name", 2, Modifiers::NONE),
        ("number", 2, Modifiers::NONE),
        ("thumb", 2, Modifiers::NONE),
        ("name", 1, Modifiers::COMMAND),
        ("rail", 1, Modifiers::COMMAND),
    ] {
        let (mut harness, rect) = ceiling();
        harness
            .state()
            .set_plain(|params| &params.limiter.ceiling, -6.0);
        harness.run_steps(2);
        let at = match place {
            "name" => rect.left_top() + Vec2::new(4.0, 6.0),
            "number" => rect.right_top() + Vec2::new(-6.0, 6.0),
            "rail" => thumb_at(rect, 0.1),
            _ => thumb_at(rect, 0.5),
        };
        click(&mut harness, at, times, modifiers);
        let params = harness.state().params.clone();
        let ceiling = &params.limiter.ceiling;
        assert_gesture(
            &sent_to_host(&harness),
            ceiling.as_ptr(),
            ceiling.default_normalized_value(),
        );
        harness.run_steps(30);
        assert!(
            harness.query_by_label("Ceiling, type a value").is_none(),
            "{place}"
        );
    }
}

/// Twice on the rail beside the thumb, as high up as the bars: the push is set, not set and reset.
#[test]
fn two_clicks_beside_the_thumb_set_what_one_does() {
    let clicked = |times: &[usize]| {
        let mut harness = opened();
        let ruler = harness.get_by_label("Push").rect();
        let at = ruler.left_top() + Vec2::new(0.8 * ruler.width(), 6.0);
        for times in times {
            click(&mut harness, at, *times, Modifiers::NONE);
            harness.run_steps(60);
        }
        harness.state().params.push.value()
    };
    let once = clicked(&[1]);
    assert!(once > 10.0, "{once}");
    assert_eq!(clicked(&[2]).to_bits(), once.to_bits());
    // There the thumb is then.
    assert_eq!(clicked(&[1, 2]).to_bits(), 0.0_f32.to_bits());
}

#[test]
fn a_secondary_click_offers_to_reset_to_type_and_to_copy() {
    let (mut harness, rect) = ceiling();
    let params = harness.state().params.clone();
    harness
        .state()
        .set_plain(|params| &params.limiter.ceiling, -6.0);
    let choose = |harness: &mut Harness<'_, Stage>, item: &str| {
        let at = rect.center();
        harness.hover_at(at);
        harness.run_steps(1);
        for pressed in [true, false] {
            harness.event(button(
                at,
                PointerButton::Secondary,
                pressed,
                Modifiers::NONE,
            ));
            harness.run_steps(2);
        }
        harness.get_by_label(item).click();
        harness.run_steps(1);
    };
    choose(&mut harness, "copy −6.0\u{a0}dBTP");
    let copied = |command: &egui::OutputCommand| {
        *command == egui::OutputCommand::CopyText("−6.0\u{a0}dBTP".into())
    };
    let commands = &harness.output().platform_output.commands;
    assert!(commands.iter().any(copied), "{commands:?}");
    harness.run_steps(3);
    choose(&mut harness, "reset to −1.0\u{a0}dBTP");
    harness.run_steps(3);
    let ceiling = &params.limiter.ceiling;
    assert_gesture(
        &sent_to_host(&harness),
        ceiling.as_ptr(),
        ceiling.default_normalized_value(),
    );
    choose(&mut harness, "type a value");
    harness.run_steps(3);
    harness
        .get_by_label("Ceiling, type a value")
        .type_text("−3");
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    assert!((ceiling.value() + 3.0).abs() < 1e-3);
}

/// What the pointer is told by a tip, tab tells too; a click does not.
#[test]
fn the_keyboard_has_tips_too() {
    let (mut harness, _) = ceiling();
    let tip = |harness: &Harness<'_, Stage>| {
        harness
            .query_by_label_contains("True peak that the output does not pass")
            .is_some()
    };
    harness.get_by_label("Ceiling").focus();
    harness.run_steps(3);
    assert!(!tip(&harness));
    harness.key_press_modifiers(Modifiers::SHIFT, Key::Tab);
    harness.run_steps(3);
    harness.key_press(Key::Tab);
    harness.run_steps(3);
    assert!(harness.get_by_label("Ceiling").is_focused() && tip(&harness));
    harness.key_press(Key::Tab);
    harness.run_steps(3);
    assert!(!tip(&harness));
}

#[test]
fn a_value_is_typed_with_its_unit() {
    for (name, text, expected) in [
        ("Low shelf gain", "6.5 dB", 6.5),
        ("Ceiling", "−2 dBTP", -2.0),
        ("High shelf corner", "8k", 8_000.0),
        ("High shelf corner", "8", 8_000.0),
        ("Release", "0.5 s", 500.0),
        ("Blend", "40", 40.0),
    ] {
        let mut harness = opened();
        let params = harness.state().params.clone();
        let (place, param) = tracks(&params)
            .into_iter()
            .find(|(_, param)| param.name() == name)
            .unwrap();
        lead_to(&mut harness, place);
        sent_to_host(&harness);
        let rect = harness.get_by_label(name).rect();
        let value = Pos2::new(rect.right() - 6.0, rect.top() + 8.0);
        click(&mut harness, value, 1, Modifiers::NONE);
        harness
            .get_by_label(&format!("{name}, type a value"))
            .type_text(text);
        harness.run_steps(2);
        harness.key_press(Key::Enter);
        harness.run_steps(3);
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

/// Opens the value of this name for typing, and types.
fn type_into(harness: &mut Harness<'_, Stage>, name: &str, text: &str) {
    harness.get_by_label(name).focus();
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    harness
        .get_by_label(&format!("{name}, type a value"))
        .type_text(text);
    harness.run_steps(2);
}

#[test]
fn a_digit_begins_a_value_and_escape_drops_it() {
    let mut harness = opened_at("shelves");
    let params = harness.state().params.clone();
    let gain = &params.shelves.low_gain;
    harness.get_by_label(gain.name()).focus();
    harness.run_steps(2);
    harness.event(Event::Text("7".into()));
    harness.run_steps(3);
    harness.event(Event::Text(".5".into()));
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    assert!((gain.value() - 7.5).abs() < 1e-3);
    harness.event(Event::Text("3".into()));
    harness.run_steps(3);
    harness.key_press(Key::Escape);
    harness.run_steps(3);
    assert!((gain.value() - 7.5).abs() < 1e-3);
    assert!(
        harness
            .query_by_label("Low shelf gain, type a value")
            .is_none()
    );
}

// Whoever ends a value by going elsewhere has gone there: the next digit chooses what is heard, and
// is no beginning of another value.
#[test]
fn a_value_that_is_left_by_a_click_does_not_take_the_keyboard_back() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    type_into(&mut harness, "Push", "6.5");
    let elsewhere = harness.get_by_label("Matched listening").rect().center();
    click(&mut harness, elsewhere, 1, Modifiers::NONE);
    harness.run_steps(3);
    assert!((params.push.value() - 6.5).abs() < 1e-3);
    harness.event(Event::Text("1".into()));
    harness.run_steps(3);
    assert!(harness.query_by_label("Push, type a value").is_none());
}

// So has whoever opened it by a click: it is the same hand that chooses what is heard next.
#[test]
fn a_value_that_was_opened_by_a_click_gives_the_keyboard_up() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    let rect = harness.get_by_label("Push").rect();
    let figure = Pos2::new(rect.left() - 150.0, rect.top() + 20.0);
    let choose = |harness: &mut Harness<'_, Stage>, key: Key, text: &str| {
        harness.event(Event::Text(text.into()));
        harness.key_press(key);
        harness.run_steps(3);
        assert!(harness.query_by_label("Push, type a value").is_none());
    };
    click(&mut harness, figure, 1, Modifiers::NONE);
    harness.get_by_label("Push, type a value").type_text("6.5");
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    assert!((params.push.value() - 6.5).abs() < 1e-3);
    choose(&mut harness, Key::Num2, "2");
    assert_eq!(params.listen.value(), ListenChoice::Clean);
    assert!((params.push.value() - 6.5).abs() < 1e-3);
    click(&mut harness, figure, 2, Modifiers::NONE);
    harness.run_steps(3);
    assert_eq!(params.push.value(), 0.0);
    choose(&mut harness, Key::Num3, "3");
    assert_eq!(params.listen.value(), ListenChoice::Input);
    assert_eq!(params.push.value(), 0.0);
}

#[test]
fn nonsense_changes_nothing() {
    let (mut harness, _) = ceiling();
    type_into(&mut harness, "Ceiling", "loud");
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    assert_eq!(sent_to_host(&harness), []);
}

#[test]
fn a_value_past_the_range_is_refused_and_that_is_said() {
    let mut harness = opened();
    type_into(&mut harness, "Push", "19");
    harness.key_press(Key::Enter);
    harness.run_steps(3);
    assert_eq!(sent_to_host(&harness), []);
    let words = "19.0 dB is past the range, 0.0 dB … 18.0 dB";
    assert!(harness.query_by_label_contains(words).is_some());
}

/// WCAG 2.2, success criterion 4.1.2: name, role and value of everything that can be worked.
#[test]
fn a_track_tells_its_value_and_range() {
    let stage = Stage::default();
    stage.set_plain(|params| &params.limiter.ceiling, -1.5);
    let mut harness = open(stage, SIZE, 1.0);
    lead_to(&mut harness, Place::in_stage("limiter"));
    let ceiling = harness.get_by_label("Ceiling");
    let node = ceiling.accesskit_node();
    assert!((node.numeric_value().unwrap() + 1.5).abs() < 1e-3);
    assert!((node.min_numeric_value().unwrap() + 12.0).abs() < 1e-3);
    assert!((node.max_numeric_value().unwrap()).abs() < 1e-3);
    assert_eq!(ceiling.value().unwrap(), "−1.5\u{a0}dBTP");
}
