//! What comes at once, as from a window whose thread was held up, does what it does in turn.

use crate::decision::shown;
use crestline_plugin::params::{CrestlineParams, ListenChoice};
use egui::{Event, Key, Modifiers, MouseWheelSource, MouseWheelUnit, Pos2, TouchPhase, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use rig::editor_stage::{SIZE, Stage, assert_balanced, button, opened_at, sent_to_host};

/// The harness gives each event that it is told of a frame of its own.
fn at_once(harness: &mut Harness<'_, Stage>, events: impl IntoIterator<Item = Event>) {
    harness.input_mut().events.extend(events);
    // As many as are asked for, and one that shows what has become of it.
    harness.run_steps(12);
}

fn click(at: Pos2) -> [Event; 2] {
    [button(at, true), button(at, false)]
}

/// A key pressed and let go, and what it writes.
fn key(key: Key, modifiers: Modifiers, text: Option<&str>) -> Vec<Event> {
    let event = |pressed| Event::Key {
        key,
        physical_key: None,
        pressed,
        repeat: false,
        modifiers,
    };
    let text = text.map(|text| Event::Text(text.into()));
    [Some(event(true)), text, Some(event(false))]
        .into_iter()
        .flatten()
        .collect()
}

fn plain(pressed: Key) -> Vec<Event> {
    key(pressed, Modifiers::NONE, None)
}

/// "-12" by its keys.
fn typed() -> Vec<Event> {
    let keys = [(Key::Minus, "-"), (Key::Num1, "1"), (Key::Num2, "2")];
    keys.into_iter()
        .flat_map(|(of, text)| key(of, Modifiers::NONE, Some(text)))
        .collect()
}

/// The limiter's panel, its ceiling at -6 dBTP.
fn limiter() -> Harness<'static, Stage> {
    let mut harness = opened_at("limiter");
    harness
        .state()
        .set_plain(|params| &params.limiter.ceiling, -6.0);
    harness.run_steps(30);
    sent_to_host(&harness);
    harness
}

fn ceiling_db(harness: &Harness<'_, Stage>) -> f32 {
    harness.state().params.limiter.ceiling.value()
}

#[test]
fn a_click_means_what_it_was_made_on() {
    let mut harness = shown(SIZE);
    let [clean, residue] = ["Listen to Clean", "Listen to Residue"]
        .map(|name| harness.get_by_label(name).rect().center());
    let moves_on = Event::PointerMoved(residue);
    let events = [Event::PointerMoved(clean)].into_iter().chain(click(clean));
    at_once(&mut harness, events.chain([moves_on]));
    assert_eq!(harness.state().params.listen.value(), ListenChoice::Clean);
}

// Two such clicks, which were seen as no press, were a double click that resets to -1 dBTP.
#[test]
fn a_click_on_a_rail_moves_the_thumb_there_and_another_changes_nothing() {
    let mut harness = limiter();
    let rail = harness.get_by_label("Ceiling").rect();
    let at = rail.left_bottom() + Vec2::new(20.0, -8.0);
    harness.hover_at(at);
    harness.run_steps(1);
    for _ in 0..2 {
        at_once(&mut harness, click(at));
        assert!(
            (ceiling_db(&harness) + 11.6).abs() < 0.25,
            "{}",
            ceiling_db(&harness)
        );
    }
    assert_balanced(&sent_to_host(&harness), 0);
}

#[test]
fn a_whole_drag_at_once_moves_what_it_has_taken_hold_of() {
    let moved = |together: bool| {
        let mut harness = shown(SIZE);
        let from = harness.get_by_label("Push").rect().center();
        let to = from + Vec2::new(140.0, 0.0);
        let events = [
            Event::PointerMoved(from),
            button(from, true),
            Event::PointerMoved(to),
            button(to, false),
        ];
        if together {
            at_once(&mut harness, events);
        } else {
            for event in events {
                at_once(&mut harness, [event]);
            }
        }
        assert_balanced(&sent_to_host(&harness), 0);
        harness.state().params.push.value()
    };
    let [in_turn, together] = [false, true].map(moved);
    assert!(in_turn > 9.0, "{in_turn}");
    assert_eq!(in_turn.to_bits(), together.to_bits());
}

#[test]
fn what_is_typed_at_once_with_its_end_is_taken() {
    for end in [Key::Enter, Key::Tab] {
        let mut harness = limiter();
        harness.get_by_label("Ceiling").focus();
        harness.run_steps(2);
        at_once(&mut harness, typed().into_iter().chain(plain(end)));
        assert_eq!(ceiling_db(&harness), -12.0, "{end:?}");
    }
    // A click elsewhere ends it too.
    let mut harness = limiter();
    harness.get_by_label("Ceiling").focus();
    harness.run_steps(2);
    let elsewhere = harness.get_by_label_contains("Plane: ").rect().center();
    let events = [Event::PointerMoved(elsewhere)].into_iter();
    at_once(
        &mut harness,
        typed().into_iter().chain(events).chain(click(elsewhere)),
    );
    assert_eq!(ceiling_db(&harness), -12.0);
    // Escape drops it, and no digit of it chooses what is heard.
    let mut harness = limiter();
    harness.get_by_label("Ceiling").focus();
    harness.run_steps(2);
    at_once(&mut harness, typed().into_iter().chain(plain(Key::Escape)));
    assert_eq!(ceiling_db(&harness), -6.0);
    assert_eq!(harness.state().params.listen.value(), ListenChoice::Output);
}

#[test]
fn the_wheel_turns_what_it_was_turned_over() {
    let mut harness = limiter();
    let ceiling = harness.get_by_label("Ceiling").rect().center();
    let push = harness.get_by_label("Push").rect().center();
    let push_db = harness.state().params.push.value();
    let wheel = Event::MouseWheel {
        unit: MouseWheelUnit::Line,
        delta: Vec2::new(0.0, 3.0),
        phase: TouchPhase::Move,
        source: MouseWheelSource::Unknown,
        modifiers: Modifiers::NONE,
    };
    harness.hover_at(ceiling);
    harness.run_steps(1);
    at_once(&mut harness, [wheel, Event::PointerMoved(push)]);
    assert!(ceiling_db(&harness) > -6.0, "{}", ceiling_db(&harness));
    assert_eq!(harness.state().params.push.value(), push_db);
}

#[test]
fn each_key_counts_and_the_last_one_stands() {
    let mut harness = shown(SIZE);
    let params = harness.state().params.clone();
    let matched = params.matched.value();
    let keys = [Key::Num3, Key::Num1, Key::M, Key::M];
    at_once(&mut harness, keys.into_iter().flat_map(plain));
    assert_eq!(params.listen.value(), ListenChoice::Output);
    assert_eq!(params.matched.value(), matched);
    // Two steps back at once.
    let push = |params: &CrestlineParams| params.push.value();
    let before_db = push(&params);
    for push_db in [3, 9] {
        let name = format!("Set the push to {push_db} dB, clean");
        harness.get_by_label(&name).click();
        harness.run_steps(90);
    }
    let undo = key(Key::Z, Modifiers::COMMAND, None);
    at_once(&mut harness, undo.iter().chain(&undo).cloned());
    assert_eq!(push(&params), before_db);
}

// The window goes on telling where a pointer is that was pressed in it (X11 and macOS do).
#[test]
fn what_is_held_follows_a_pointer_that_leaves_the_window_and_comes_back() {
    let mut harness = limiter();
    let at = harness.get_by_label("Ceiling").rect().left_top() + Vec2::new(4.0, 6.0);
    harness.hover_at(at);
    at_once(&mut harness, [button(at, true)]);
    at_once(
        &mut harness,
        [Event::PointerMoved(at + Vec2::new(0.0, 20.0))],
    );
    at_once(&mut harness, [Event::PointerGone]);
    let left_db = ceiling_db(&harness);
    let to = at + Vec2::new(0.0, 40.0);
    at_once(&mut harness, [Event::PointerMoved(to)]);
    let back_db = ceiling_db(&harness);
    assert!(back_db < left_db, "{left_db} to {back_db}");
    at_once(&mut harness, [button(to, false)]);
    assert_balanced(&sent_to_host(&harness), 0);
}

// Another window takes the focus, and with it the release of the button.
#[test]
fn what_is_held_ends_where_its_release_is_never_told() {
    let mut harness = shown(SIZE);
    harness.run_steps(30);
    let before_db = harness.state().params.push.value();
    let thumb = harness.get_by_label_contains("Push on the rail").rect();
    let from = thumb.center();
    harness.hover_at(from);
    at_once(&mut harness, [button(from, true)]);
    let to = from + Vec2::new(80.0, 20.0);
    at_once(&mut harness, [Event::PointerMoved(to)]);
    let held_db = harness.state().params.push.value();
    assert!(held_db > before_db, "{before_db} to {held_db}");
    let lost = [Event::PointerGone, Event::WindowFocused(false)];
    at_once(&mut harness, lost);
    harness.run_steps(90);
    assert_balanced(&sent_to_host(&harness), 0);
    // It takes nothing along when it comes back.
    at_once(&mut harness, [Event::PointerMoved(from)]);
    assert_eq!(harness.state().params.push.value(), held_db);
}
