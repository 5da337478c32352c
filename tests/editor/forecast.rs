//! The forecast on the plane comes by itself.

use kit::engine_run::noise;
use kit::pause::pause;
use std::time::{Duration, Instant};

use crestline_core::handover::{RecentWriter, recent};
use crestline_core::session::forecast::{Forecaster, Marks, Path, potential};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use rig::editor_stage::{RATE_HZ, SIZE, Stage, open, opened, picture_of};
use songs::rink_lights;

/// The window of an instance that has heard ten seconds of the song, once it has forecast them.
fn forecast() -> (Harness<'static, Stage>, Forecaster) {
    let (harness, forecaster, _) = forecast_of(10);
    (harness, forecaster)
}

/// The same of so many seconds, and where the music comes from.
fn forecast_of(seconds: usize) -> (Harness<'static, Stage>, Forecaster, RecentWriter) {
    let (mut writer, reader) = recent(RATE_HZ, 2).unwrap();
    let song = rink_lights(RATE_HZ as u32);
    let part = song
        .channels
        .each_ref()
        .map(|channel| &channel[28 * 48_000..(28 + seconds) * 48_000]);
    writer.write(&part);
    let forecaster = Forecaster::default();
    forecaster.set_source(Some(reader));
    let stage = Stage::default().with_forecaster(forecaster.clone());
    let mut harness = open(stage, SIZE, 1.0);
    let mut version = u64::MAX;
    let mut found = forecaster.newer_than(&mut version);
    let start = Instant::now();
    while !found.as_ref().is_some_and(|found| found.done) {
        assert!(start.elapsed() < Duration::from_mins(10), "{found:?}");
        // The editor asks in every frame.
        harness.run_steps(1);
        pause(Duration::from_millis(5));
        found = forecaster.newer_than(&mut version).or(found);
    }
    harness.run_steps(60);
    (harness, forecaster, writer)
}

/// Half of what is held must be new before it is forecast anew: until then it may be of another part
/// of the song.
#[test]
fn what_is_ahead_says_how_long_ago_it_was_heard() {
    let (mut harness, _, mut writer) = forecast_of(14);
    let ahead = |harness: &Harness<'_, Stage>, words: &str| {
        let mut told = harness.query_all_by_label_contains(words);
        told.next().is_some()
    };
    assert!(ahead(&harness, "ahead: the last 14\u{a0}s"));
    let later = noise(2, 6 * 48_000, 0.25, 11);
    writer.write(&[&later[0], &later[1]]);
    harness.run_steps(2);
    assert!(ahead(&harness, "ahead: 14\u{a0}s, 6\u{a0}s ago"));
}

#[test]
fn the_plane_shows_the_forecast_it_was_given() {
    let (mut harness, forecaster) = forecast();
    let mut version = u64::MAX;
    let found = forecaster.newer_than(&mut version).unwrap();
    let bend = potential(&found.points, Path::Clean).unwrap();
    // Every decibel up to the bend is in sight and can be clicked.
    for push_db in (0..18_u8).filter(|push_db| f64::from(*push_db) <= bend.push_db) {
        let name = format!("Set the push to {push_db} dB, clean");
        let _ = harness.get_by_label(&name);
    }
    let with = picture_of(&mut harness);
    let without = picture_of(&mut opened());
    assert_ne!(with, without);
    // The push is no reason to forecast anew.
    harness.get_by_label("Set the push to 3 dB, clean").click();
    harness.run_steps(2);
    assert!(
        forecaster
            .newer_than(&mut version)
            .is_none_or(|found| found.done)
    );
    harness.get_by_label("mark in").click();
    harness.run_steps(2);
    assert_eq!(forecaster.marks().0, Marks::In);
    // Until ten seconds have come since there is no end to mark.
    harness.get_by_label("unmark").click();
    harness.run_steps(2);
    assert_eq!(forecaster.marks().0, Marks::None);
}

/// Until the first figures with a new setting are there, those of the one before are said to be of
/// before, and drawn faintly; push, which every forecast goes through, is no new setting.
#[test]
fn figures_of_the_setting_before_are_said_to_be() {
    let (mut harness, _) = forecast();
    let is = |harness: &Harness<'_, Stage>, words: &str| {
        let mut told = harness.query_all_by_label_contains(words);
        told.next().is_some()
    };
    // How light the rail's tick is.
    let tick = |harness: &mut Harness<'_, Stage>| {
        let picture = picture_of(harness);
        let at = harness.get_by_label("Set the push to 3 dB, clean").rect();
        let at = at.center();
        let pixel = picture.get_pixel(at.x as u32, at.y as u32).0;
        pixel.map(u32::from).into_iter().take(3).sum::<u32>()
    };
    let strong = tick(&mut harness);
    let gives = "one more dB of push, limiter on, gives";
    let gave = "before: one more dB, limiter on, gave";
    assert!(is(&harness, gives) && !is(&harness, gave));
    harness.state().set_plain(|params| &params.push, 5.0);
    harness.run_steps(2);
    assert!(is(&harness, gives) && !is(&harness, gave));
    assert_eq!(tick(&mut harness), strong);
    harness
        .state()
        .set_plain(|params| &params.saturator.shoulder, 6.0);
    harness.run_steps(2);
    assert!(is(&harness, gave) && !is(&harness, gives));
    let faint = tick(&mut harness);
    assert!(4 * faint < 3 * strong, "{faint} and {strong}");
    let start = Instant::now();
    while !is(&harness, gives) {
        assert!(start.elapsed() < Duration::from_mins(10));
        harness.run_steps(1);
        pause(Duration::from_millis(5));
    }
}
