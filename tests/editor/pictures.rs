//! What the editor looks like. The pictures in `tests/snapshots` are compared with what is drawn
//! now; after a change that is meant, look at the new ones and take them over with
//! `UPDATE_SNAPSHOTS=1 cargo test -p crestline-plugin --test editor pictures`.
//!
//! What is shown is measured by the engine from a demo song, not made up.

use std::sync::{LazyLock, OnceLock};

use crestline_core::handover::{Moment, TapState};
use crestline_core::measure::Readings;
use crestline_core::session::forecast::{Forecasted, Stretch, forecast};
use crestline_core::session::{PlaneMode, ThemeChoice, rink_floor};
use crestline_plugin::params::ListenChoice;
use egui_kittest::kittest::Queryable;
use egui_kittest::{Harness, SnapshotOptions};
use rig::editor_stage::{Place, RATE_HZ, SIZE, Stage, lead_to, open};
use songs::{Song, rink_lights};

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

/// The forecast of the song's first `seconds`, or the last minute of them, with the settings of
/// `stage`.
pub fn forecast_of(stage: &Stage, seconds: f64) -> Forecasted {
    #[expect(clippy::cast_sign_loss, reason = "time runs forward")]
    let end = (seconds * RATE_HZ) as usize;
    let planes = SONG.channels.each_ref().map(|channel| {
        let end = end.min(channel.len());
        channel[end.saturating_sub(60 * 48_000)..end].to_vec()
    });
    let stretch = Stretch::new(RATE_HZ, planes.to_vec());
    let music_s = stretch.duration_s();
    let settings = stage.params.chain_settings();
    let points = forecast(stretch, &settings, 18.0, &|| false, &mut |_, _| ()).unwrap();
    Forecasted {
        points,
        done: true,
        music_s,
        ..Forecasted::default()
    }
}

/// The whole song, and its forecast.
fn whole(push_db: f32) -> Stage {
    static FORECAST: LazyLock<Forecasted> = LazyLock::new(|| forecast_of(&playing(0.0, 0.0), 62.0));
    playing(push_db, 62.0).with_forecast(FORECAST.clone())
}

/// The song's first 20 s, and their forecast.
fn begun(push_db: f32) -> Stage {
    static FORECAST: LazyLock<Forecasted> = LazyLock::new(|| forecast_of(&playing(0.0, 0.0), 20.0));
    playing(push_db, 20.0).with_forecast(FORECAST.clone())
}

/// Compares the window with the picture of that name.
fn compare(stage: Stage, size: [f32; 2], pixels_per_point: f32, name: &str) {
    compare_after(open(stage, size, pixels_per_point), name);
}

/// The same of a window in which something has been done.
pub fn compare_after(mut harness: Harness<'_, Stage>, name: &str) {
    // Long enough for every axis to have arrived.
    harness.run_steps(150);
    // Rounding differs a little between processors: a hair's breadth on a curve is not a change.
    harness.snapshot_options(
        name,
        &SnapshotOptions::new()
            .output_path(concat!(
                env!("CARGO_MANIFEST_DIR"),
                "/../../tests/snapshots"
            ))
            .threshold(1.0)
            .max_failed_pixels(60),
    );
}

#[test]
fn a_song_is_pushed_into_its_window() {
    compare(whole(6.5), SIZE, 1.0, "editor");
}

/// The picture of the README: its table says what each number stands for.
#[test]
fn the_parts_are_numbered() {
    let mut stage = whole(6.5);
    stage.numbered = vec![
        [104.0, 12.0],
        [354.0, 9.0],
        [712.0, 58.0],
        [440.0, 91.0],
        [906.0, 91.0],
        [120.0, 452.0],
        [692.0, 271.0],
        [886.0, 465.0],
        [905.0, 596.0],
        [206.0, 742.0],
    ];
    compare(stage, SIZE, 1.0, "editor_numbered");
}

#[test]
fn nothing_has_been_heard() {
    compare(Stage::default(), SIZE, 1.0, "editor_silent");
}

#[test]
fn it_is_opened_for_the_first_time() {
    compare(Stage::first_opened(), SIZE, 1.0, "editor_first");
}

/// Without push the song is outside, and within its first minute the loudness range has not
/// settled.
#[test]
fn a_song_is_outside_its_window() {
    compare(begun(0.0), SIZE, 1.0, "editor_outside");
}

#[test]
fn it_is_light() {
    let stage = whole(6.5);
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

/// Every stage on and at work, one of them opened.
fn with_stage_open(stage: &'static str, theme: ThemeChoice) -> Harness<'static, Stage> {
    with_stage_open_at(stage, theme, SIZE)
}

fn with_stage_open_at(
    stage: &'static str,
    theme: ThemeChoice,
    size: [f32; 2],
) -> Harness<'static, Stage> {
    let mut playing = playing(6.5, 8.0);
    playing.set_plain(|params| &params.bands.on, true);
    playing.set_plain(|params| &params.shelves.low_gain, -3.0);
    playing.set_plain(|params| &params.shelves.high_gain, 2.0);
    playing.set_plain(|params| &params.saturator.lean, 40.0);
    for band in 0..4 {
        playing.set_plain(|params| &params.band[band].threshold, -12.0);
    }
    let more = 384_000..576_000;
    let [left, right] = SONG
        .channels
        .each_ref()
        .map(|channel| &channel[more.clone()]);
    playing.play([left, right]);
    playing
        .params
        .session
        .update(|session| session.theme = theme);
    static FORECAST: OnceLock<Forecasted> = OnceLock::new();
    let found = FORECAST.get_or_init(|| forecast_of(&playing, 12.0));
    let mut harness = open(playing.with_forecast(found.clone()), size, 1.0);
    lead_to(&mut harness, Place::in_stage(stage));
    harness
}

/// In the smallest window.
const LEAST: [f32; 2] = [700.0, 480.0];

#[test]
fn the_bands_are_open_in_the_smallest_window() {
    let harness = with_stage_open_at("bands", ThemeChoice::Dark, LEAST);
    compare_after(harness, "editor_least_bands");
}

#[test]
fn the_shelves_are_open_in_the_smallest_window() {
    let harness = with_stage_open_at("shelves", ThemeChoice::Dark, LEAST);
    compare_after(harness, "editor_least_shelves");
}

#[test]
fn the_shelves_are_open() {
    let harness = with_stage_open("shelves", ThemeChoice::Dark);
    let handle = harness.get_by_label("High shelf on the curve").rect();
    harness.hover_at(handle.center());
    compare_after(harness, "editor_shelves");
}

#[test]
fn the_bands_are_open() {
    compare_after(with_stage_open("bands", ThemeChoice::Dark), "editor_bands");
}

#[test]
fn the_bands_are_open_in_the_light_theme() {
    let harness = with_stage_open("bands", ThemeChoice::Light);
    compare_after(harness, "editor_bands_light");
}

#[test]
fn the_saturator_is_open() {
    let harness = with_stage_open("saturator", ThemeChoice::Dark);
    compare_after(harness, "editor_saturator");
}

#[test]
fn the_limiter_is_open() {
    let harness = with_stage_open("limiter", ThemeChoice::Dark);
    compare_after(harness, "editor_limiter");
}

#[test]
fn it_is_small() {
    let stage = whole(6.5);
    stage.set_plain(|params| &params.listen, ListenChoice::Clean);
    compare(stage, [960.0, 600.0], 1.0, "editor_small");
}

#[test]
fn it_is_as_small_as_it_gets() {
    compare(whole(6.5), [700.0, 480.0], 1.0, "editor_least");
}

#[test]
fn it_is_large() {
    compare(whole(6.5), [1_900.0, 1_200.0], 1.0, "editor_large");
}

#[test]
fn it_is_twice_the_size() {
    compare(whole(6.5), SIZE, 2.0, "editor_200");
}

/// The transport stops for a while, the limiter is off for a while so that peaks pass the ceiling,
/// and a moment is read.
#[test]
fn a_moment_of_the_history_is_read() {
    let mut stage = begun(6.5);
    stage.transport = false;
    let silence = vec![0.0; 288_000];
    stage.play([&silence, &silence]);
    stage.transport = true;
    let part = 1_920_000..2_640_000;
    let [left, right] = SONG
        .channels
        .each_ref()
        .map(|channel| &channel[part.clone()]);
    stage.set_plain(|params| &params.push, 4.0);
    stage.set_plain(|params| &params.saturator.on, false);
    stage.set_plain(|params| &params.limiter.on, false);
    stage.play([left, right]);
    stage.set_plain(|params| &params.limiter.on, true);
    let harness = open(stage, SIZE, 1.0);
    harness.get_by_label_contains("History, ").click();
    compare_after(harness, "editor_read");
}

/// A whole day in the history, much of it outside the window.
#[test]
fn a_day_has_been_recorded() {
    let mut stage = playing(6.5, 10.0);
    for tenth in 0..864_000_u32 {
        let time_s = f64::from(tenth) / 10.0;
        let lufs = -12.0 + 2.5 * (time_s / 2_900.0).sin() + 1.5 * (time_s / 190.0).sin();
        let readings = |by: f64| Readings {
            short_term_lufs: Some(lufs - by),
            momentary_lufs: Some(lufs - by),
            short_term_plr_db: Some(-1.0 - lufs + by / 2.0),
            ldr_10s_db: Some(4.0),
            ..Readings::default()
        };
        let [input, clean, output] = [6.0, 0.5, 0.0].map(readings);
        let moment = Moment {
            input: &input,
            clean: &clean,
            output: &output,
            true_peak_dbtp: Some(if tenth % 90_000 < 600 { 0.4 } else { -1.0 }),
            clean_limiter_db: -1.0,
            output_limiter_db: -(1.0 + (time_s / 77.0).sin()) as f32,
            band_reduction_db: [Some(1.0); 4],
            distortion_db: Some(-30.0),
            song_position_s: Some(time_s),
            playing: tenth % 216_000 > 36_000,
        };
        stage.audio.record(&moment, 4_800, RATE_HZ);
    }
    compare(stage, SIZE, 1.0, "editor_day");
}

/// The side-chain carries the signal from before a device that turns the upper bands down.
#[test]
fn a_device_in_front_is_compared() {
    let mut stage = begun(3.0);
    stage.set_plain(|params| &params.tap.on, true);
    let mut snapshot = stage.snapshot();
    snapshot.tap.state = TapState::Aligned;
    snapshot.tap.delay_frames = 96;
    for (band, reduction) in snapshot
        .tap
        .reduction
        .bands
        .iter_mut()
        .zip([0.4, 1.1, 3.2, 5.6])
    {
        band.reduction.mean_3s_db = Some(reduction);
        band.distortion.mean_3s_db = Some(-40.0 + reduction);
    }
    stage.audio.publish(snapshot);
    compare(stage, SIZE, 1.0, "editor_before_tap");
}

/// The list of windows with the controls of one of the user's own, one side of it open.
#[test]
fn a_window_of_ones_own_is_changed() {
    let stage = begun(6.5);
    let mut own = rink_floor();
    own.plr_db.high = None;
    stage
        .params
        .session
        .update(|session| session.choose_own(own));
    let mut harness = open(stage, SIZE, 1.0);
    harness.get_by_label_contains("▾ ").click();
    harness.run_steps(4);
    compare_after(harness, "editor_windows");
}
