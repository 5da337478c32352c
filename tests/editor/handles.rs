//! What is drawn is dragged: each handle changes its parameters, each as one gesture, and follows
//! the pointer.

use crestline_plugin::params::CrestlineParams;
use egui::{Event, Modifiers, PointerButton, Pos2, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use nice_plug::prelude::{FloatParam, Param};
use rig::editor_stage::{Stage, assert_gesture, opened_at, sent_to_host};

/// A handle, the stage it is in, and what it changes along and upwards.
struct Handle {
    stage: &'static str,
    name: String,
    across: fn(&CrestlineParams) -> Option<&FloatParam>,
    upright: fn(&CrestlineParams) -> Option<&FloatParam>,
}

fn handles() -> Vec<Handle> {
    let handle = |stage, name: &str, across, upright| Handle {
        stage,
        name: name.into(),
        across,
        upright,
    };
    vec![
        handle(
            "shelves",
            "Low shelf on the curve",
            |params| Some(&params.shelves.low_corner),
            |params| Some(&params.shelves.low_gain),
        ),
        handle(
            "shelves",
            "High shelf on the curve",
            |params| Some(&params.shelves.high_corner),
            |params| Some(&params.shelves.high_gain),
        ),
        handle(
            "saturator",
            "Shoulder on the curve",
            |params| Some(&params.saturator.shoulder),
            |_| None,
        ),
        handle(
            "bands",
            "Threshold of the low band",
            |params| Some(&params.band[0].threshold),
            |_| None,
        ),
        handle(
            "bands",
            "Threshold of the high band",
            |params| Some(&params.band[3].threshold),
            |_| None,
        ),
        handle(
            "bands",
            "Low crossover on the scale",
            |params| Some(&params.bands.low_crossover),
            |_| None,
        ),
        handle(
            "bands",
            "Mid crossover on the scale",
            |params| Some(&params.bands.mid_crossover),
            |_| None,
        ),
        handle(
            "bands",
            "High crossover on the scale",
            |params| Some(&params.bands.high_crossover),
            |_| None,
        ),
    ]
}

fn press(harness: &mut Harness<'_, Stage>, pos: Pos2, pressed: bool, modifiers: Modifiers) {
    let event = Event::PointerButton {
        pos,
        button: PointerButton::Primary,
        pressed,
        modifiers,
    };
    harness.event_modifiers(event, modifiers);
    harness.run_steps(1);
}

fn drag(harness: &mut Harness<'_, Stage>, name: &str, by: Vec2, modifiers: Modifiers) {
    let from = harness.get_by_label(name).rect().center();
    harness.hover_at(from);
    harness.run_steps(2);
    press(harness, from, true, modifiers);
    for step in 1..=10 {
        let at = from + by * (step as f32 / 10.0);
        harness.event_modifiers(Event::PointerMoved(at), modifiers);
        harness.run_steps(1);
    }
    press(harness, from + by, false, modifiers);
    harness.run_steps(2);
}

/// Away from a threshold's end of the range at 0 dBFS.
fn prepared(handle: &Handle) -> Harness<'static, Stage> {
    let mut harness = opened_at(handle.stage);
    for band in 0..4 {
        harness
            .state()
            .set_plain(|params| &params.band[band].threshold, -30.0);
    }
    harness.run_steps(2);
    sent_to_host(&harness);
    harness
}

#[test]
fn every_handle_follows_the_pointer_and_is_one_gesture() {
    for handle in handles() {
        for (by, param) in [
            (Vec2::new(14.0, 0.0), handle.across),
            (Vec2::new(0.0, -14.0), handle.upright),
        ] {
            let mut harness = prepared(&handle);
            let params = harness.state().params.clone();
            let before = harness.get_by_label(&handle.name).rect().center();
            drag(&mut harness, &handle.name, by, Modifiers::NONE);
            let sent = sent_to_host(&harness);
            let Some(param) = param(&params) else {
                assert_eq!(sent, [], "{}", handle.name);
                continue;
            };
            assert_gesture(&sent, param.as_ptr(), param.unmodulated_normalized_value());
            let after = harness.get_by_label(&handle.name).rect().center();
            let off = (after - before - by) * Vec2::new(by.x.signum().abs(), by.y.signum().abs());
            // Values land on what is written, so a handle may lag by half a step.
            let along = if by.x == 0.0 { off.y } else { off.x };
            assert!(along.abs() < 3.0, "{}: {off:?}", handle.name);
        }
    }
}

#[test]
fn shift_drags_a_handle_finely_and_a_double_click_resets_it() {
    for handle in handles() {
        let mut moved = [0.0; 2];
        for (index, modifiers) in [Modifiers::NONE, Modifiers::SHIFT].into_iter().enumerate() {
            let mut harness = prepared(&handle);
            let params = harness.state().params.clone();
            let param = (handle.across)(&params).unwrap();
            let start = param.unmodulated_normalized_value();
            drag(&mut harness, &handle.name, Vec2::new(40.0, 0.0), modifiers);
            moved[index] = (param.unmodulated_normalized_value() - start).abs();
            let at = harness.get_by_label(&handle.name).rect().center();
            harness.hover_at(at);
            harness.run_steps(30);
            for _ in 0..2 {
                press(&mut harness, at, true, Modifiers::NONE);
                press(&mut harness, at, false, Modifiers::NONE);
            }
            let now = param.unmodulated_normalized_value();
            let default = param.default_normalized_value();
            assert!((now - default).abs() < 1e-6, "{}", handle.name);
        }
        let share = moved[1] / moved[0];
        assert!((0.05..0.2).contains(&share), "{}: {moved:?}", handle.name);
    }
}

/// Two values of one handle are two gestures, each whole.
#[test]
fn a_handle_dragged_aslant_changes_both_of_its_values() {
    let handle = &handles()[0];
    let mut harness = prepared(handle);
    let params = harness.state().params.clone();
    drag(
        &mut harness,
        &handle.name,
        Vec2::new(20.0, -20.0),
        Modifiers::NONE,
    );
    let sent = sent_to_host(&harness);
    for param in [&params.shelves.low_corner, &params.shelves.low_gain] {
        use rig::editor_stage::HostCall::{Begin, End, Set};
        let own: Vec<_> = sent
            .iter()
            .copied()
            .filter(|call| {
                let (Begin(of) | Set(of, _) | End(of)) = *call;
                of == param.as_ptr()
            })
            .collect();
        let now = param.unmodulated_normalized_value();
        assert_gesture(&own, param.as_ptr(), now);
        assert!((now - param.default_normalized_value()).abs() > 1e-3);
    }
}

// The host lags behind: the handle still stands at 0 dB when 3 dB have been set. It is as with
// modulation, which moves a handle and not what is set: the drag goes on from what is set. Both meet
// where the range ends, at 9 dB.
#[test]
fn a_handle_drags_what_is_set_not_where_it_stands() {
    let gain = |lagging: bool| {
        let mut harness = opened_at("shelves");
        let params = harness.state().params.clone();
        if lagging {
            harness.state().host.hold_back();
            harness.get_by_label("Low shelf gain").focus();
            harness.run_steps(2);
            for _ in 0..6 {
                harness.key_press(egui::Key::ArrowRight);
                harness.run_steps(2);
            }
        }
        drag(
            &mut harness,
            "Low shelf on the curve",
            Vec2::new(0.0, -20.0),
            Modifiers::NONE,
        );
        while lagging && harness.state().host.bring_one() {
            harness.run_steps(1);
        }
        params.shelves.low_gain.value()
    };
    let (at_once, lagging) = (gain(false), gain(true));
    println!("from 0 dB to {at_once} dB, and {lagging} dB");
    let ahead = 3.0 * (1.0 - at_once / 9.0);
    assert!((lagging - at_once - ahead).abs() < 0.11);
}
