//! What the editor looks like. The pictures in `tests/snapshots` are compared with what is drawn now; after a change that is meant, look at
//! the new ones and take them over with `UPDATE_SNAPSHOTS=1 cargo test --test editor_pictures`.
//!
//! What is shown is measured by the engine from a demo song, not made up.

#[path = "common/editor_stage.rs"]
mod editor_stage;

use std::sync::LazyLock;

use crestline::offline::demo_song::{Song, rink_lights};
use crestline::params::ListenChoice;
use crestline::session::{PlaneMode, ThemeChoice, rink_floor};
use editor_stage::{RATE_HZ, SIZE, Stage, open};
use egui_kittest::SnapshotOptions;

static SONG: LazyLock<Song> = LazyLock::new(|| rink_lights(48_000));

/// A new instance in front of the song's first `seconds`, pushed by `push_db`.
fn playing(push_db: f32, seconds: f64) -> Stage {
    let mut stage = Stage::default();
    stage.set_plain(|params| &params.push, push_db);
    stage.set_plain(|params| &params.limiter.on, true);
    stage.set_plain(|params| &params.saturator.on, true);
    stage
        .params
        .session
        .update(|session| session.choose_own(rink_floor()));
    #[expect(clippy::cast_sign_loss, reason = "time runs forward")]
    let frames = (seconds * RATE_HZ) as usize;
    let [left, right] = SONG.channels.each_ref().map(|channel| &channel[..frames]);
    stage.play([left, right]);
    stage
}

/// Compares the window with the picture of that name.
fn compare(stage: Stage, size: [f32; 2], pixels_per_point: f32, name: &str) {
    let mut harness = open(stage, size, pixels_per_point);
    // Long enough for every axis to have arrived.
    harness.run_steps(150);
    // Rounding differs a little between processors: a hair's breadth on a curve is not a change.
    harness.snapshot_options(
        name,
        &SnapshotOptions::new().threshold(1.0).max_failed_pixels(60),
    );
}

/// The picture of the README.
#[test]
fn a_song_is_pushed_into_its_window() {
    compare(playing(6.5, 62.0), SIZE, 1.0, "editor");
}

#[test]
fn nothing_has_been_heard() {
    compare(Stage::default(), SIZE, 1.0, "editor_silent");
}

#[test]
fn it_is_opened_for_the_first_time() {
    compare(Stage::first_opened(), SIZE, 1.0, "editor_first");
}

/// Without push the song is outside, and within its first minute the loudness range has not settled.
#[test]
fn a_song_is_outside_its_window() {
    compare(playing(0.0, 20.0), SIZE, 1.0, "editor_outside");
}

#[test]
fn it_is_light() {
    let stage = playing(6.5, 62.0);
    stage
        .params
        .session
        .update(|session| session.theme = ThemeChoice::Light);
    compare(stage, SIZE, 1.0, "editor_light");
}

/// Every stage on, the input listened to, levels matched.
#[test]
fn microdynamics_and_listening_to_the_input() {
    let mut stage = playing(9.0, 30.0);
    stage.set_plain(|params| &params.listen, ListenChoice::Input);
    stage.set_plain(|params| &params.matched, true);
    stage.set_plain(|params| &params.bands.on, true);
    stage.set_plain(|params| &params.shelves.low_gain, -3.0);
    stage.set_plain(|params| &params.shelves.high_gain, 2.0);
    stage.set_plain(|params| &params.saturator.lean, 40.0);
    for band in 0..4 {
        stage.set_plain(|params| &params.band[band].threshold, -24.0);
    }
    stage
        .params
        .session
        .update(|session| session.plane = PlaneMode::Microdynamics);
    let more = 1_440_000..2_400_000;
    let [left, right] = SONG
        .channels
        .each_ref()
        .map(|channel| &channel[more.clone()]);
    stage.play([left, right]);
    compare(stage, SIZE, 1.0, "editor_microdynamics");
}

#[test]
fn it_is_small() {
    let stage = playing(6.5, 62.0);
    stage.set_plain(|params| &params.listen, ListenChoice::Clean);
    compare(stage, [1_120.0, 720.0], 1.0, "editor_small");
}

#[test]
fn it_is_smaller_than_everything_needs() {
    compare(playing(6.5, 20.0), [700.0, 480.0], 1.0, "editor_scrolled");
}

#[test]
fn it_is_large() {
    compare(playing(6.5, 62.0), [1_900.0, 1_200.0], 1.0, "editor_large");
}

#[test]
fn it_is_twice_the_size() {
    compare(playing(6.5, 62.0), SIZE, 2.0, "editor_200");
}
