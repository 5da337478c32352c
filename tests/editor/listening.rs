//! What is listened to: the switch, the reference's place in it, bypass.

use crestline_plugin::params::ListenChoice;
use egui::{Event, Key, Modifiers};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use nice_plug::prelude::Param;
use rig::editor_stage::{SIZE, Stage, assert_gesture, open, opened, sent_to_host};

#[test]
fn the_listen_switch_offers_four_signals() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    for (name, choice) in [
        ("Clean", ListenChoice::Clean),
        ("Input", ListenChoice::Input),
        ("Residue", ListenChoice::Residue),
        ("Output", ListenChoice::Output),
    ] {
        harness.get_by_label(&format!("Listen to {name}")).click();
        harness.run_steps(2);
        assert_eq!(params.listen.value(), choice);
        let words = match choice {
            ListenChoice::Output => "host records: output".to_owned(),
            _ => format!("host records: {}, not the output", name.to_lowercase()),
        };
        let recorded = harness.query_by_label_contains(&words).is_some();
        assert!(recorded, "{words}");
    }
    assert_eq!(sent_to_host(&harness).len(), 4 * 3);
}

#[test]
fn a_reference_is_offered_while_there_is_one() {
    let mut harness = opened();
    let listen_to = |name: &str| format!("Listen to {name}");
    let press = |harness: &mut Harness<'_, Stage>, key| {
        harness.key_press(key);
        harness.run_steps(2);
    };
    // Asked for, but not there.
    press(&mut harness, Key::Num5);
    assert!(!harness.state().params.reference.value());
    assert!(harness.query_by_label(&listen_to("Reference")).is_none());
    let silence = vec![0.0; 4_800];
    let tone = |n: u32| 0.1 * (f64::from(n) * 0.05).sin() as f32;
    let planes = vec![(0..200_000).map(tone).collect(); 2];
    harness.state_mut().refer_to(planes);
    harness.state_mut().play([&silence, &silence]);
    harness.run_steps(2);
    let params = harness.state().params.clone();
    harness.get_by_label(&listen_to("Clean")).click();
    harness.run_steps(2);
    sent_to_host(&harness);
    harness.get_by_label(&listen_to("Reference")).click();
    harness.run_steps(2);
    // The other choice stays, to come back to.
    assert_gesture(&sent_to_host(&harness), params.reference.as_ptr(), 1.0);
    assert_eq!(params.listen.value(), ListenChoice::Clean);
    let says = |harness: &Harness<'_, Stage>, words: &str| {
        harness
            .query_by_label_contains(&format!("host records: {words}, not the output"))
            .is_some()
    };
    assert!(says(&harness, "reference"));
    press(&mut harness, Key::Num5);
    assert!(!params.reference.value() && says(&harness, "clean"));
    press(&mut harness, Key::Num5);
    assert!(params.reference.value() && says(&harness, "reference"));
    press(&mut harness, Key::Num3);
    assert!(!params.reference.value() && says(&harness, "input"));
    press(&mut harness, Key::Num5);
    harness.state_mut().refer_to(Vec::new());
    harness.state_mut().play([&silence, &silence]);
    harness.run_steps(2);
    assert!(harness.query_by_label(&listen_to("Reference")).is_none());
    assert!(params.reference.value() && says(&harness, "input"));
}

#[test]
fn bypass_is_said_plainly() {
    let stage = Stage::default();
    stage.set_plain(|params| &params.bypass, true);
    let harness = open(stage, SIZE, 1.0);
    assert!(
        harness
            .query_by_label_contains("host records: input, bypassed")
            .is_some()
    );
}

// A switch that goes to and fro while its key is held down would be as many jumps in level.
#[test]
fn a_key_held_down_switches_once() {
    let mut harness = opened();
    let params = harness.state().params.clone();
    let matched = params.matched.value();
    for _ in 0..4 {
        harness.event(Event::Key {
            key: Key::M,
            physical_key: None,
            pressed: true,
            repeat: false,
            modifiers: Modifiers::NONE,
        });
        harness.run_steps(2);
    }
    let value = f32::from(u8::from(!matched));
    assert_gesture(&sent_to_host(&harness), params.matched.as_ptr(), value);
}
