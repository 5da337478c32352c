//! The upper half of the screen: what one more decibel gives, the push, the plane's rails and the
//! target's sides. The forecast is made by hand, in straight lines, so that what must be shown is
//! known in closed form.

use crestline_core::handover::Snapshot;
use crestline_core::session::forecast::{Forecasted, PathFigures, Point};
use crestline_core::session::{Session, rink_floor};
use crestline_plugin::params::ListenChoice;
use egui::{Event, Key, Modifiers, Pos2, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use nice_plug::prelude::Param;
use rig::editor_stage::{SIZE, Stage, assert_gesture, button, open, sent_to_host};

/// Clean gains half an LU a decibel, saturated a whole one.
pub fn forecast() -> Forecasted {
    let figures = |push_db: f64, slope: f64, loss: f64, distortion: f64| PathFigures {
        integrated_lufs: Some(-20.0 + slope * push_db),
        ldr_db: Some(5.0 - loss * push_db),
        plr_db: Some(15.0 - slope * push_db),
        distortion_db: Some(distortion + push_db),
        ..PathFigures::default()
    };
    let point = |push: u8| Point {
        push_db: push.into(),
        clean: figures(push.into(), 0.5, 0.15, -40.0),
        saturated: figures(push.into(), 1.0, 0.1, -30.0),
    };
    Forecasted {
        points: (0..=18).map(point).collect(),
        done: true,
        music_s: 60.0,
        ..Forecasted::default()
    }
}

/// Size of the push's thumb on the rail, points.
const THUMB: f32 = 28.0;

/// A window with that forecast, at 6 dB of push with the saturator on.
pub fn shown(size: [f32; 2]) -> Harness<'static, Stage> {
    let stage = Stage::default().with_forecast(forecast());
    stage.set_plain(|params| &params.push, 6.0);
    stage.set_plain(|params| &params.saturator.on, true);
    stage.set_plain(|params| &params.limiter.on, true);
    stage
        .params
        .session
        .update(|session| session.choose_own(rink_floor()));
    let mut harness = open(stage, size, 1.0);
    harness.run_steps(30);
    let _ = sent_to_host(&harness);
    harness
}

fn drag(harness: &mut Harness<'_, Stage>, from: Pos2, by: Vec2) {
    harness.event(Event::PointerMoved(from));
    harness.event(button(from, true));
    harness.run_steps(1);
    for step in 1..=10_u8 {
        harness.event(Event::PointerMoved(from + by * (f32::from(step) / 10.0)));
        harness.run_steps(1);
    }
    harness.event(button(from + by, false));
    harness.run_steps(2);
}

#[test]
fn the_next_decibel_and_the_fair_comparison_are_told() {
    for size in [SIZE, [960.0, 600.0], [700.0, 480.0]] {
        let harness = shown(size);
        for words in [
            "one more dB of push gives, clean: +0.5 LU, microdynamics −0.1\u{a0}dB, distortion +1\u{a0}dB",
            "one more dB of push gives, saturated: +1.0 LU, microdynamics −0.1\u{a0}dB, distortion +1\u{a0}dB",
            // -14 LUFS: clean at 12 dB has 3.2 dB and -28 dB, saturated at 6 dB 4.4 and -24.
            "saturation is worth +3.0 LU at this push; against clean at one loudness: microdynamics +1.2\u{a0}dB, \
             distortion +4\u{a0}dB, both at −14.0\u{a0}LUFS: clean at 12.0\u{a0}dB of push, saturated at \
             6.0\u{a0}dB. Listening plays both at the push that is set",
        ] {
            assert!(harness.query_by_label(words).is_some(), "{size:?}: {words}");
        }
    }
}

// A forecast limits both paths (`session/forecast`): where that is not what would be heard it is said
// beside every figure of it.
#[test]
fn figures_of_a_limiter_that_is_off_say_so() {
    for limited in [true, false] {
        let mut harness = shown(SIZE);
        harness
            .state()
            .set_plain(|params| &params.limiter.on, limited);
        harness.run_steps(2);
        let told = |harness: &Harness<'_, Stage>, words: &str| {
            harness.query_all_by_label_contains(words).next().is_some()
        };
        assert_eq!(told(&harness, "Potential, limiter on: "), !limited);
        assert_eq!(told(&harness, "one more dB of push, limiter on,"), !limited);
        for (name, words) in [
            (
                "Set the push to 10 dB, saturated",
                ", limiter on. A click sets the push.",
            ),
            ("Push on the rail", "Where the push leads, limiter on."),
        ] {
            let all = harness.query_all_by_label_contains(name);
            let at = all.map(|node| node.rect().center()).next().unwrap();
            harness.hover_at(at);
            harness.run_steps(90);
            assert_eq!(told(&harness, words), !limited, "{words}");
        }
    }
}

/// By construction: saturated at 6 dB is as loud as clean at 12 dB. What is prepared is not heard until
/// it is gone to.
#[test]
fn the_other_path_is_set_up_as_loud_in_the_other_settings() {
    let mut harness = shown(SIZE);
    let params = harness.state().params.clone();
    let set = || (params.push.value(), params.saturator.on.value());
    let press = |harness: &mut Harness<'_, Stage>, name: &str| {
        harness.get_by_label(name).click();
        harness.run_steps(3);
    };
    press(&mut harness, "clean to second, as loud");
    assert_eq!(sent_to_host(&harness), []);
    press(&mut harness, "Use the second");
    assert_eq!(set(), (12.0, false));
    press(&mut harness, "Undo");
    assert_eq!(set(), (6.0, true), "as it was before, a copy");
    press(&mut harness, "Redo");
    assert_eq!(set(), (12.0, false));
    // From there the saturated one, which is as loud as clean at 12 dB at 6.
    harness.state().set_plain(|params| &params.push, 10.0);
    harness.run_steps(30);
    press(&mut harness, "saturated to first, as loud");
    press(&mut harness, "Use the first");
    assert_eq!(set(), (5.0, true));
    press(&mut harness, "Undo");
    assert_eq!(set(), (6.0, true));
    // Nothing is as loud where the limiter is off.
    harness
        .state()
        .set_plain(|params| &params.limiter.on, false);
    harness.run_steps(3);
    let button = harness.get_by_label("clean to second, as loud");
    assert!(button.accesskit_node().is_disabled());
}

// There is no one loudness where a path does not come to it.
#[test]
fn a_loudness_that_one_path_does_not_reach_is_not_told_of_both() {
    let mut harness = shown(SIZE);
    harness.state().set_plain(|params| &params.push, 16.0);
    harness.run_steps(60);
    let words = "clean alone does not come to";
    let mut told = harness.query_all_by_label_contains(words);
    assert!(told.next().is_some());
    let both = "does not come to −4.0\u{a0}LUFS, both at";
    assert!(harness.query_all_by_label_contains(both).next().is_none());
}

#[test]
fn the_thumb_of_the_push_lies_under_the_pointer() {
    let mut harness = shown(SIZE);
    let params = harness.state().params.clone();
    let ruler = harness.get_by_label("Push").rect();
    // The ruler reaches 8 points past its range on either side.
    let at = |push_db: f32| {
        let share = push_db / 18.0;
        Pos2::new(
            ruler.left() + 8.0 + share * (ruler.width() - 16.0),
            ruler.top() + 20.0,
        )
    };
    drag(&mut harness, at(3.0), at(12.0) - at(3.0));
    assert!((params.push.value() - 12.0).abs() < 0.11, "{}", params.push);
    let end = params.push.unmodulated_normalized_value();
    assert_gesture(&sent_to_host(&harness), params.push.as_ptr(), end);
    // Taken by the thumb it does not jump.
    drag(&mut harness, at(12.2), at(10.2) - at(12.2));
    assert!((params.push.value() - 10.0).abs() < 0.11, "{}", params.push);
    let _ = sent_to_host(&harness);
    let place = at(4.0);
    harness.event(Event::PointerMoved(place));
    for pressed in [true, false] {
        harness.event(button(place, pressed));
    }
    harness.run_steps(2);
    assert!((params.push.value() - 4.0).abs() < 0.11, "{}", params.push);
}

#[test]
fn a_click_at_a_tick_sets_the_push_in_one_gesture() {
    let mut harness = shown(SIZE);
    let push = harness.state().params.push.as_ptr();
    for (name, push_db) in [
        ("Set the push to 3 dB, clean", 3.0),
        ("Set the push to 9 dB, saturated", 9.0),
    ] {
        harness.get_by_label(name).click();
        harness.run_steps(2);
        let wanted = harness.state().params.push.preview_normalized(push_db);
        assert_gesture(&sent_to_host(&harness), push, wanted);
    }
}

/// Ticks lie closer together than the squares in which a click means them.
#[test]
fn a_click_means_the_nearest_tick() {
    let mut harness = shown([700.0, 480.0]);
    harness.state().set_plain(|params| &params.push, 12.0);
    harness.run_steps(60);
    let params = harness.state().params.clone();
    for push_db in [1, 2, 3, 4, 5] {
        let name = format!("Set the push to {push_db} dB, clean");
        let at = harness.get_by_label(&name).rect().center();
        harness.event(Event::PointerMoved(at));
        harness.run_steps(1);
        harness.event(button(at, true));
        harness.event(button(at, false));
        harness.run_steps(2);
        assert!(
            (params.push.value() - push_db as f32).abs() < 1e-3,
            "{name}: {}",
            params.push
        );
        harness.state().set_plain(|params| &params.push, 12.0);
        harness.run_steps(60);
    }
}

/// The axes would fit themselves to where the push leads, under the pointer that holds it.
#[test]
fn a_thumb_that_is_held_still_leaves_the_push_as_it_is() {
    let mut harness = shown(SIZE);
    let params = harness.state().params.clone();
    let thumb = harness.get_by_label_contains("Push on the rail").rect();
    // Taken hold of beside its middle it does not jump.
    let from = thumb.center() + Vec2::new(6.0, 4.0);
    harness.event(Event::PointerMoved(from));
    harness.run_steps(1);
    harness.event(button(from, true));
    harness.run_steps(60);
    assert!((params.push.value() - 6.0).abs() < 1e-3, "{}", params.push);
    let to = harness
        .get_by_label("Set the push to 8 dB, saturated")
        .rect();
    let to = from + (to.center() - thumb.center());
    harness.event(Event::PointerMoved(to));
    harness.run_steps(2);
    let there = params.push.value();
    assert!((there - 8.0).abs() < 0.11, "{there}");
    harness.run_steps(120);
    assert_eq!(params.push.value(), there);
    // However far it is drawn, it stays in sight.
    harness.event(Event::PointerMoved(to + Vec2::new(4000.0, 0.0)));
    harness.run_steps(60);
    let end = harness.get_by_label_contains("Push on the rail").rect();
    let plane = harness.get_by_label_contains("Plane: ").rect();
    assert!(plane.expand(THUMB).contains_rect(end), "{end} {plane}");
    harness.event(button(end.center(), false));
    harness.run_steps(2);
    let value = params.push.unmodulated_normalized_value();
    assert_gesture(&sent_to_host(&harness), params.push.as_ptr(), value);
}

#[test]
fn the_push_is_drawn_along_its_rail() {
    let mut harness = shown(SIZE);
    let params = harness.state().params.clone();
    let from = harness
        .get_by_label_contains("Push on the rail")
        .rect()
        .center();
    let to = harness
        .get_by_label("Set the push to 10 dB, saturated")
        .rect()
        .center();
    drag(&mut harness, from, to - from);
    assert!((params.push.value() - 10.0).abs() < 0.15, "{}", params.push);
    let end = params.push.unmodulated_normalized_value();
    assert_gesture(&sent_to_host(&harness), params.push.as_ptr(), end);
}

#[test]
fn a_side_of_ones_own_target_is_moved() {
    let mut harness = shown(SIZE);
    let session =
        |harness: &Harness<'_, Stage>| -> Session { harness.state().params.session.get() };
    let from = harness
        .get_by_label_contains("Target's low side")
        .rect()
        .center();
    drag(&mut harness, from, Vec2::new(-60.0, 0.0));
    let low = session(&harness).target().loudness_lufs.low.unwrap();
    assert!(low < -12.0, "{low}");
    assert!(((10.0 * low).round() - 10.0 * low).abs() < 1e-6, "{low}");
    // A standard's window has nothing to take hold of.
    let standard = open(Stage::default(), SIZE, 1.0);
    assert!(
        standard
            .query_by_label_contains("Target's low side")
            .is_none()
    );
}

#[test]
fn keys_choose_what_is_heard_unless_something_has_the_keyboard() {
    let mut harness = shown(SIZE);
    let params = harness.state().params.clone();
    for (key, choice) in [
        (Key::Num2, ListenChoice::Clean),
        (Key::Num3, ListenChoice::Input),
        (Key::Num4, ListenChoice::Residue),
        (Key::Num1, ListenChoice::Output),
    ] {
        harness.key_press(key);
        harness.run_steps(2);
        assert_eq!(params.listen.value(), choice);
    }
    // Some layouts write digits with shift.
    harness.key_press_modifiers(Modifiers::SHIFT, Key::Num3);
    harness.run_steps(2);
    assert_eq!(params.listen.value(), ListenChoice::Input);
    harness.key_press_modifiers(Modifiers::COMMAND, Key::Num1);
    harness.run_steps(2);
    assert_eq!(params.listen.value(), ListenChoice::Input);
    harness.key_press(Key::Num1);
    harness.key_press(Key::M);
    harness.run_steps(2);
    assert!(params.matched.value());
    harness.get_by_label("Push").focus();
    harness.run_steps(2);
    harness.key_press(Key::Num2);
    harness.run_steps(2);
    assert_eq!(params.listen.value(), ListenChoice::Output);
}

#[test]
fn a_sudden_push_brings_the_caution() {
    let mut harness = shown(SIZE);
    let due = |harness: &Harness<'_, Stage>| {
        harness
            .query_by_label_contains("Loud sound harms")
            .is_some()
    };
    assert!(!due(&harness));
    harness
        .get_by_label("Set the push to 12 dB, saturated")
        .click();
    harness.run_steps(3);
    assert!(due(&harness));
    harness.run_steps(60 * 11);
    assert!(!due(&harness));
}

/// Where numbers and cost share a place each can be chosen; where they do not, the numbers can have
/// both places.
#[test]
fn details_are_chosen() {
    let mut harness = shown([960.0, 600.0]);
    let rows =
        |harness: &Harness<'_, Stage>| harness.query_all_by_label_contains(", change ").count();
    assert_eq!(rows(&harness), 8);
    // The other half, where there is no room for both.
    let clipped = |harness: &Harness<'_, Stage>| {
        let mut told = harness.query_all_by_label_contains("clipped runs:");
        told.next().is_some()
    };
    assert!(!clipped(&harness));
    harness.get_by_label("more").click();
    harness.run_steps(2);
    assert!(clipped(&harness));
    harness.get_by_label("fewer").click();
    harness.run_steps(2);
    assert_eq!((rows(&harness), clipped(&harness)), (8, false));
    for (name, words) in [
        ("Show cost by band", "below 120 Hz, clean: turned down"),
        ("Show balance", "Balance by third octaves"),
    ] {
        harness.get_by_label(name).click();
        harness.run_steps(2);
        assert!(harness.query_by_label_contains(words).is_some(), "{words}");
    }
    let mut harness = shown(SIZE);
    assert_eq!(rows(&harness), 8);
    harness.get_by_label("more").click();
    harness.run_steps(2);
    assert_eq!(rows(&harness), 16);
    harness.get_by_label("fewer").click();
    harness.run_steps(2);
    assert_eq!(rows(&harness), 8);
}

/// What is written changes five times a second at most; what was forgotten goes at once.
#[test]
fn figures_can_be_read_before_they_change() {
    let mut harness = shown(SIZE);
    let tell = |harness: &mut Harness<'_, Stage>, lufs: f64, frames: u64| {
        let mut snapshot = Snapshot {
            sample_rate_hz: 48_000.0,
            ..Snapshot::default()
        };
        snapshot.input.readings.frames = frames;
        snapshot.input.readings.momentary_lufs = Some(lufs);
        snapshot.input.readings.short_term_lufs = Some(lufs);
        harness.state_mut().audio.publish(snapshot);
        harness.run_steps(1);
    };
    let told = |harness: &Harness<'_, Stage>, lufs: &str| {
        let words = format!("short-term: input {lufs},");
        harness.query_by_label_contains(&words).is_some()
    };
    tell(&mut harness, -20.0, 480);
    harness.run_steps(13);
    assert!(told(&harness, "−20.0"));
    let mut changes = 0;
    let mut before = true;
    for step in 0..60_u64 {
        let lufs = if step % 2 == 0 { -10.0 } else { -20.0 };
        tell(&mut harness, lufs, 960 + step);
        let now = told(&harness, "−20.0");
        changes += usize::from(now != before);
        before = now;
    }
    assert!(changes <= 5, "{changes} in a second");
    tell(&mut harness, -30.0, 10);
    assert!(told(&harness, "−30.0"));
}
