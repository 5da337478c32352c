//! What was measured with one set of settings is not told as that of another.

use egui_kittest::kittest::Queryable;
use rig::editor_stage::{SIZE, open, opened};

use crate::history::with_a_gap;

#[test]
fn a_song_measured_with_two_settings_is_said_to_be() {
    let mut harness = open(with_a_gap(), SIZE, 1.0);
    let tone = vec![0.1; 48_000];
    let says = |harness: &mut egui_kittest::Harness<'_, rig::editor_stage::Stage>, words: &str| {
        harness.run_steps(30);
        harness.query_by_label_contains(words).is_some()
    };
    assert!(says(&mut harness, "song so far: "));
    assert!(!says(&mut harness, "settings changed"));
    // Nothing has been measured of it yet.
    harness.state().set_plain(|params| &params.push, 6.0);
    assert!(!says(&mut harness, "settings changed"));
    harness.state_mut().play([&tone, &tone]);
    assert!(says(&mut harness, "; settings changed at 0:10"));
    harness.get_by_label("measure anew").click();
    harness.run_steps(2);
    assert!(harness.state_mut().answer_restart());
    harness.state_mut().play([&tone, &tone]);
    assert!(!says(&mut harness, "settings changed"));
}

#[test]
fn what_is_set_before_the_music_is_no_change() {
    let mut harness = opened();
    harness.run_steps(5);
    harness.state().set_plain(|params| &params.push, 6.0);
    harness.run_steps(30);
    assert!(
        harness
            .query_by_label_contains("settings changed")
            .is_none()
    );
}
