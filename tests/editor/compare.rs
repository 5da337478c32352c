//! Two settings to compare, undo and redo, and starting points: through the window, told to the
//! host as gestures.

use crestline_plugin::params::{CrestlineParams, ListenChoice};
use egui::{Key, Modifiers};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use nice_plug::prelude::{FloatParam, Param};
use rig::editor_stage::{
    HostCall, Stage, assert_balanced, assert_gesture, open, opened_at, sent_to_host,
};

fn press(harness: &mut Harness<'_, Stage>, name: &str) {
    harness.get_by_label(name).click();
    // Longer than a double click.
    harness.run_steps(24);
}

/// Presses an arrow on a track, and waits until the next one is a step of its own.
fn step(harness: &mut Harness<'_, Stage>, name: &str, key: Key) {
    harness.get_by_label(name).focus();
    harness.run_steps(2);
    harness.key_press(key);
    harness.run_steps(60);
}

fn is(param: &FloatParam, plain: f32) {
    let now = param.value();
    assert!((now - plain).abs() < 1e-3, "{now} for {plain}");
}

#[test]
fn what_the_window_changes_is_undone_and_done_again() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    let ceiling = &params.limiter.ceiling;
    step(&mut harness, "Ceiling", Key::ArrowLeft);
    step(&mut harness, "Ceiling", Key::ArrowLeft);
    press(&mut harness, "Limiter");
    is(ceiling, -2.0);
    assert!(params.limiter.on.value());
    // What the host changes is the host's to undo.
    harness
        .state()
        .set_plain(|params| &params.saturator.shoulder, 6.0);
    sent_to_host(&harness);
    press(&mut harness, "Undo");
    assert!(!params.limiter.on.value());
    assert_gesture(&sent_to_host(&harness), params.limiter.on.as_ptr(), 0.0);
    press(&mut harness, "Undo");
    is(ceiling, -1.5);
    press(&mut harness, "Undo");
    is(ceiling, -1.0);
    sent_to_host(&harness);
    press(&mut harness, "Undo");
    assert_eq!(sent_to_host(&harness), [], "there is nothing left to undo");
    is(&params.saturator.shoulder, 6.0);
    harness.key_press_modifiers(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    harness.run_steps(3);
    is(ceiling, -1.5);
    press(&mut harness, "Redo");
    is(ceiling, -2.0);
    harness.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    harness.run_steps(3);
    is(ceiling, -1.5);
}

#[test]
fn a_drag_is_undone_as_one() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    let rect = harness.get_by_label("Ceiling").rect();
    harness.run_steps(30);
    let at = rect.left_top() + egui::Vec2::new(4.0, 6.0);
    harness.hover_at(at);
    harness.run_steps(1);
    harness.drag_at(at);
    harness.run_steps(1);
    for _ in 0..5 {
        let down = harness
            .ctx
            .input(|input| input.pointer.latest_pos())
            .unwrap();
        harness.hover_at(down + egui::Vec2::new(0.0, 20.0));
        harness.run_steps(20);
    }
    harness.drop_at(at + egui::Vec2::new(0.0, 100.0));
    harness.run_steps(3);
    assert!(params.limiter.ceiling.value() < -2.0);
    press(&mut harness, "Undo");
    is(&params.limiter.ceiling, -1.0);
}

#[test]
fn two_settings_are_kept_side_by_side() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    let ceiling = &params.limiter.ceiling;
    let chosen = |harness: &Harness<'_, Stage>, name: &str| {
        let node = harness.get_by_label(name).accesskit_node();
        node.toggled() == Some(egui::accesskit::Toggled::True)
    };
    step(&mut harness, "Ceiling", Key::ArrowLeft);
    assert!(chosen(&harness, "Use the first") && !chosen(&harness, "Use the second"));
    sent_to_host(&harness);
    press(&mut harness, "Use the second");
    assert!(chosen(&harness, "Use the second"));
    assert_eq!(sent_to_host(&harness), [], "it begins as a copy");
    step(&mut harness, "Ceiling", Key::ArrowLeft);
    is(ceiling, -2.0);
    sent_to_host(&harness);
    press(&mut harness, "Use the first");
    is(ceiling, -1.5);
    assert_gesture(
        &sent_to_host(&harness),
        ceiling.as_ptr(),
        ceiling.unmodulated_normalized_value(),
    );
    press(&mut harness, "Use the second");
    is(ceiling, -2.0);
    press(&mut harness, "Copy over the other");
    press(&mut harness, "Use the first");
    is(ceiling, -2.0);
    // What is listened to is no setting.
    press(&mut harness, "Listen to Clean");
    press(&mut harness, "Use the second");
    sent_to_host(&harness);
    press(&mut harness, "Use the first");
    assert_eq!(sent_to_host(&harness), []);
}

/// The host may bring a block between any two values that it is sent.
#[test]
fn what_holds_a_push_is_sent_before_it_and_taken_back_after_it() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    let stage = harness.state();
    stage.set_plain(|params| &params.push, 0.0);
    stage.set_plain(|params| &params.limiter.on, false);
    stage.set_plain(|params| &params.saturator.on, false);
    press(&mut harness, "Use the second");
    let stage = harness.state();
    stage.set_plain(|params| &params.push, 12.0);
    stage.set_plain(|params| &params.limiter.on, true);
    stage.set_plain(|params| &params.saturator.on, true);
    for (name, push_at) in [("Use the first", 0), ("Use the second", 2)] {
        sent_to_host(&harness);
        press(&mut harness, name);
        let set: Vec<_> = sent_to_host(&harness)
            .into_iter()
            .filter_map(|call| match call {
                HostCall::Set(param, _) => Some(param),
                _ => None,
            })
            .collect();
        assert_eq!(set.len(), 3, "{name}");
        assert_eq!(set[push_at], params.push.as_ptr(), "{name}");
    }
}

// What was made of another state is no part of the one that is loaded.
#[test]
fn a_state_that_is_loaded_resets_both_settings_and_their_steps() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    step(&mut harness, "Ceiling", Key::ArrowLeft);
    press(&mut harness, "Use the second");
    step(&mut harness, "Ceiling", Key::ArrowLeft);
    harness
        .state()
        .set_plain(|params| &params.limiter.ceiling, -6.0);
    params.loaded();
    harness.run_steps(2);
    sent_to_host(&harness);
    press(&mut harness, "Undo");
    press(&mut harness, "Redo");
    press(&mut harness, "Use the first");
    press(&mut harness, "Use the second");
    assert_eq!(sent_to_host(&harness), []);
    is(&params.limiter.ceiling, -6.0);
}

// Solo only serves listening, and offline it stands aside. What the side-chain carries is a matter
// of what stands around the plug-in.
#[test]
fn neither_solo_nor_what_the_side_chain_carries_is_part_of_a_setting() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    step(&mut harness, "Ceiling", Key::ArrowLeft);
    press(&mut harness, "Use the second");
    harness
        .state()
        .set_plain(|params| &params.band[1].solo, true);
    harness
        .state()
        .set_plain(|params| &params.live_reference, true);
    harness.run_steps(2);
    press(&mut harness, "Use the first");
    assert!(params.band[1].solo.value() && params.live_reference.value());
    begin(&mut harness, "nothing done");
    assert!(params.band[1].solo.value() && params.live_reference.value());
}

fn begin(harness: &mut Harness<'_, Stage>, name: &str) {
    press(harness, "Starting points");
    press(harness, name);
}

#[test]
fn a_starting_point_sets_everything_but_push_and_is_undone_as_one() {
    let mut harness = opened_at("limiter");
    let params: std::sync::Arc<CrestlineParams> = harness.state().params.clone();
    harness.state().set_plain(|params| &params.push, 4.0);
    harness
        .state()
        .set_plain(|params| &params.shelves.low_gain, -3.0);
    begin(&mut harness, "open mix, keep the beat");
    assert!(params.saturator.on.value() && params.limiter.on.value());
    is(&params.push, 4.0);
    is(&params.shelves.low_gain, 0.0);
    is(&params.saturator.shoulder, 3.0);
    press(&mut harness, "Undo");
    assert!(!params.saturator.on.value() && !params.limiter.on.value());
    is(&params.shelves.low_gain, -3.0);
    begin(&mut harness, "the kick turns everything down");
    assert!(params.bands.on.value() && !params.band[2].on.value());
    is(&params.band[0].threshold, -16.0);
}

// A host may do so as soon as it is told of anything.
#[test]
fn a_state_that_is_loaded_amid_a_starting_point_is_left_as_it_is() {
    let mut harness = opened_at("limiter");
    let params: std::sync::Arc<CrestlineParams> = harness.state().params.clone();
    let of_host = params.clone();
    press(&mut harness, "Starting points");
    harness.state().host.then(move || {
        of_host.loading.during(|| of_host.loaded());
    });
    press(&mut harness, "open mix, keep the beat");
    let calls = sent_to_host(&harness);
    assert_balanced(&calls, 0);
    assert_eq!(calls.len(), 3, "{calls:?}");
    begin(&mut harness, "open mix, keep the beat");
    assert!(params.saturator.on.value() && params.limiter.on.value());
}

// A limiter switched off behind a push would jump up by what it held down.
#[test]
fn nothing_done_leaves_a_limiter_behind_a_push_as_it_is() {
    for (push_db, stays) in [(0.0, false), (6.0, true)] {
        let mut harness = opened_at("limiter");
        let params = harness.state().params.clone();
        let stage = harness.state();
        stage.set_plain(|params| &params.push, push_db);
        stage.set_plain(|params| &params.limiter.on, true);
        stage.set_plain(|params| &params.limiter.ceiling, -6.0);
        stage.set_plain(|params| &params.saturator.on, true);
        begin(&mut harness, "nothing done");
        assert!(!params.saturator.on.value());
        assert_eq!(params.limiter.on.value(), stays);
        is(&params.limiter.ceiling, if stays { -6.0 } else { -1.0 });
    }
}

/// Two seconds of a steady sound through the chain.
fn play(harness: &mut Harness<'_, Stage>, amplitude: f64) {
    let noise = kit::signals::white_noise(5, amplitude, 96_000);
    harness.state_mut().play([&noise, &noise]);
    harness.run_steps(2);
}

fn is_cautioned(harness: &Harness<'_, Stage>) -> bool {
    harness
        .query_by_label_contains("Loud sound harms")
        .is_some()
}

// Only one of the settings has a limiter; without it the 12 dB of push come through.
#[test]
fn settings_that_play_louder_are_cautioned_of() {
    for (from_limited, cautions) in [(true, true), (false, false)] {
        let mut harness = opened_at("limiter");
        harness.state().set_plain(|params| &params.push, 12.0);
        harness.run_steps(2);
        // The push itself is cautioned of, until that is over.
        harness.run_steps(700);
        if from_limited {
            press(&mut harness, "Use the second");
            press(&mut harness, "Limiter");
        } else {
            press(&mut harness, "Limiter");
            press(&mut harness, "Use the second");
            press(&mut harness, "Limiter");
        }
        play(&mut harness, 0.5);
        assert!(!is_cautioned(&harness), "{from_limited}");
        press(&mut harness, "Use the first");
        play(&mut harness, 0.5);
        assert_eq!(is_cautioned(&harness), cautions, "{from_limited}");
    }
}

// The clean path is what goes out while it is listened to: it rises by 9 dB where the saturator holds
// the output to 1.
#[test]
fn a_limiter_that_is_switched_off_is_cautioned_of_where_the_clean_path_is_heard() {
    for (heard, cautions) in [("Clean", true), ("Input", false)] {
        let mut harness = opened_at("limiter");
        let stage = harness.state();
        stage.set_plain(|params| &params.push, 18.0);
        stage.set_plain(|params| &params.saturator.on, true);
        stage.set_plain(|params| &params.limiter.on, true);
        harness.get_by_label(&format!("Listen to {heard}")).click();
        harness.run_steps(2);
        harness.run_steps(700);
        play(&mut harness, 0.5);
        assert!(!is_cautioned(&harness), "{heard}");
        press(&mut harness, "Limiter");
        play(&mut harness, 0.5);
        assert_eq!(is_cautioned(&harness), cautions, "{heard}");
        if heard == "Clean" {
            let over = harness.get_by_label_contains("over full scale");
            let words = over.accesskit_node().label().unwrap();
            // 18 dB of push on samples of up to -6 dBFS; the output's are held to 1 dB.
            let dbtp = words.split(['+', ' ']).rev().nth(1).unwrap();
            assert!(dbtp.parse::<f64>().unwrap() > 12.0, "{words}");
        }
    }
}

// Matched, more push is not heard as louder.
#[test]
fn a_push_that_is_turned_down_again_is_not_cautioned_of() {
    for (matched, cautions) in [(true, false), (false, true)] {
        let mut harness = opened_at("limiter");
        harness.state().set_plain(|params| &params.matched, matched);
        harness.run_steps(2);
        harness.state().set_plain(|params| &params.push, 12.0);
        harness.run_steps(2);
        assert_eq!(is_cautioned(&harness), cautions);
    }
}

// Wherever there is room for a window there is room for the caution, whatever else has to be said.
#[test]
fn a_window_of_any_width_cautions() {
    for width in [640.0, 700.0, 760.0, 825.0, 900.0, 1_180.0] {
        for source in [ListenChoice::Clean, ListenChoice::Output] {
            let mut harness = open(Stage::default(), [width, 480.0], 1.0);
            let stage = harness.state();
            stage.set_plain(|params| &params.listen, source);
            harness.run_steps(700);
            play(&mut harness, 0.1);
            assert!(!is_cautioned(&harness), "{width} {source:?}");
            harness.state().set_plain(|params| &params.push, 12.0);
            harness.run_steps(2);
            play(&mut harness, 0.1);
            assert!(is_cautioned(&harness), "{width} {source:?}");
        }
    }
}

// What rises just now is told before what is said for a while.
#[test]
fn a_window_of_any_width_tells_a_rise() {
    for width in [640.0, 700.0, 760.0, 825.0, 900.0, 1_180.0] {
        let mut harness = open(Stage::default(), [width, 480.0], 1.0);
        let rises = |harness: &Harness<'_, Stage>| {
            let told = harness.query_all_by_label_contains("Rising");
            told.count() > 0
        };
        let stage = harness.state();
        stage.set_plain(|params| &params.matched, false);
        stage.set_plain(|params| &params.listen, ListenChoice::Output);
        play(&mut harness, 0.01);
        harness.state().set_plain(|params| &params.push, 12.0);
        harness.run_steps(2);
        let stage = harness.state();
        stage.set_plain(|params| &params.listen, ListenChoice::Input);
        play(&mut harness, 0.01);
        assert_eq!(
            [is_cautioned(&harness), rises(&harness)],
            [true, false],
            "{width}"
        );
        let stage = harness.state();
        stage.set_plain(|params| &params.listen, ListenChoice::Output);
        harness.state_mut().play([&[0.01; 480][..]; 2]);
        harness.run_steps(2);
        assert!(rises(&harness), "{width}");
    }
}

// A state that the host brings back may play as much louder as any settings.
#[test]
fn a_state_that_plays_louder_is_cautioned_of() {
    let mut harness = opened_at("limiter");
    let params = harness.state().params.clone();
    let stage = harness.state();
    stage.set_plain(|params| &params.push, 12.0);
    stage.set_plain(|params| &params.limiter.on, true);
    harness.run_steps(2);
    // The push itself is cautioned of, until that is over.
    harness.run_steps(700);
    play(&mut harness, 0.5);
    assert!(!is_cautioned(&harness));
    harness
        .state()
        .set_plain(|params| &params.limiter.on, false);
    params.loaded();
    harness.run_steps(2);
    play(&mut harness, 0.5);
    assert!(is_cautioned(&harness));
}

// Bypass is the switch that is most often thrown back.
#[test]
fn what_waits_behind_bypass_is_told() {
    let mut harness = opened_at("limiter");
    let stage = harness.state();
    stage.set_plain(|params| &params.push, 9.0);
    stage.set_plain(|params| &params.bypass, true);
    harness.run_steps(2);
    play(&mut harness, 0.1);
    harness.get_by_label_contains("Output is 9.0 LU louder.");
}
