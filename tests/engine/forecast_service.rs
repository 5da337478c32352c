//! Forecasts beside the music: what is found is what the music and the settings call for, and
//! nothing is left behind whatever changes meanwhile.

#![allow(
    clippy::unwrap_used,
    reason = "a test fails by panicking, in its helpers too"
)]

use std::time::{Duration, Instant};

use crestline_core::engine::{CHUNK, Engine, EngineSpec, Settings};
use crestline_core::handover::{RecentReader, RecentWriter, recent};
use crestline_core::process::{ChainSettings, LimiterSettings, PushSettings};
use crestline_core::session::forecast::{Forecasted, Forecaster, Marks, Point, Stretch, forecast};
use kit::engine_run::noise;
use kit::pause::pause;

use crate::memory::alone;

/// Slow rates are quick to work through.
const RATE_HZ: f64 = 8_000.0;
/// Longer than the settings need to come to rest.
const REST: Duration = Duration::from_secs(1);
/// What has not been found by then never will be.
const LONGEST_WAIT: Duration = Duration::from_mins(10);

fn play(writer: &mut RecentWriter, rate_hz: f64, seconds: usize, seed: u64) {
    let planes = noise(2, seconds * rate_hz as usize, 0.3, seed);
    writer.write(&[&planes[0], &planes[1]]);
}

fn played(rate_hz: f64, seconds: usize, seed: u64) -> RecentReader {
    let (mut writer, reader) = recent(rate_hz, 2).unwrap();
    play(&mut writer, rate_hz, seconds, seed);
    reader
}

fn ceiling(ceiling_dbtp: f64) -> ChainSettings {
    ChainSettings {
        limiter: LimiterSettings {
            ceiling_dbtp,
            ..LimiterSettings::default()
        },
        ..ChainSettings::default()
    }
}

/// Lets the thread work until what it has found is as `wanted`.
fn wait(forecaster: &Forecaster, wanted: impl Fn(&Forecasted) -> bool) -> Forecasted {
    let start = Instant::now();
    let mut version = u64::MAX;
    while start.elapsed() < LONGEST_WAIT {
        let newer = forecaster.newer_than(&mut version);
        if let Some(found) = newer.filter(&wanted) {
            return found;
        }
        pause(Duration::from_millis(1));
    }
    panic!("nothing such was found in {LONGEST_WAIT:?}");
}

/// What a forecast of the same music gives without a thread.
fn directly(reader: &RecentReader, settings: &ChainSettings) -> Vec<Point> {
    let music = reader.read_since(0).unwrap();
    let stretch = Stretch::new(music.sample_rate_hz, music.planes);
    forecast(stretch, settings, 18.0, &|| false, &mut |_, _| ()).unwrap()
}

/// A part between two marks is what a forecast of that part alone gives, whatever plays before and
/// after it; without marks it is the last minute again.
#[test]
fn a_marked_part_is_forecast_and_stays() {
    let _memory = alone();
    let forecaster = Forecaster::default();
    let (mut writer, reader) = recent(RATE_HZ, 2).unwrap();
    forecaster.set_source(Some(reader.clone()));
    play(&mut writer, RATE_HZ, 12, 1);
    forecaster.mark();
    assert_eq!(forecaster.marks(), (Marks::In, 0.0));
    play(&mut writer, RATE_HZ, 9, 2);
    // Less than 10 s are no part: what was played before counts again.
    forecaster.mark();
    assert_eq!(forecaster.marks(), (Marks::None, 21.0));
    forecaster.mark();
    assert_eq!(forecaster.marks(), (Marks::In, 0.0));
    play(&mut writer, RATE_HZ, 9, 2);
    play(&mut writer, RATE_HZ, 1, 3);
    // What has come so far is forecast before the end is known, and is not all of the part.
    let settings = ceiling(-2.0);
    let start = Instant::now();
    forecaster.ask(&settings, start);
    let early = wait(&forecaster, |found| found.done && found.music_s < 10.5);
    assert!((early.music_s - 10.0).abs() < 1e-9);
    play(&mut writer, RATE_HZ, 1, 6);
    forecaster.mark();
    let (marks, seconds) = forecaster.marks();
    assert_eq!(marks, Marks::Between);
    assert!((seconds - 11.0).abs() < 1e-9);
    play(&mut writer, RATE_HZ, 90, 4);
    forecaster.ask(&settings, start + REST);
    let found = wait(&forecaster, |found| found.done && found.music_s > 10.5);
    let (mut part, alone) = recent(RATE_HZ, 2).unwrap();
    play(&mut part, RATE_HZ, 9, 2);
    play(&mut part, RATE_HZ, 1, 3);
    play(&mut part, RATE_HZ, 1, 6);
    assert_eq!(found.points, directly(&alone, &settings));
    forecaster.mark();
    assert_eq!(forecaster.marks(), (Marks::None, 0.0));
    // What was marked is not the last minute.
    let cleared = wait(&forecaster, |found| !found.done);
    assert_eq!(cleared, Forecasted::default());
    play(&mut writer, RATE_HZ, 10, 5);
    assert!((forecaster.marks().1 - 10.0).abs() < 1e-9);
}

#[test]
fn it_finds_what_a_forecast_of_the_music_gives() {
    let _memory = alone();
    let forecaster = Forecaster::default();
    let reader = played(RATE_HZ, 11, 1);
    forecaster.set_source(Some(reader.clone()));
    // The push makes no difference: a forecast goes through all of them.
    let mut settings = ceiling(-2.0);
    settings.push = PushSettings { push_db: 7.0 };
    forecaster.ask(&settings, Instant::now());
    let found = wait(&forecaster, |found| found.done);
    assert_eq!(found.points, directly(&reader, &settings));
    assert_eq!(found.music_s, 11.0);
    assert_eq!(found.progress.unwrap().done, found.points.len());
}

#[test]
fn it_is_made_again_when_settings_have_come_to_rest_or_the_music_has_moved_on() {
    let _memory = alone();
    let forecaster = Forecaster::default();
    let (mut writer, reader) = recent(RATE_HZ, 2).unwrap();
    forecaster.set_source(Some(reader.clone()));
    let start = Instant::now();
    let mut version = u64::MAX;
    // Too little music.
    play(&mut writer, RATE_HZ, 9, 2);
    forecaster.ask(&ceiling(-1.0), start);
    assert_eq!(
        forecaster.newer_than(&mut version).unwrap(),
        Forecasted::default()
    );
    play(&mut writer, RATE_HZ, 2, 3);
    forecaster.ask(&ceiling(-1.0), start + REST);
    let first = wait(&forecaster, |found| found.done);
    assert_eq!(first.music_s, 11.0);
    // Nothing new: every forecast goes through all pushes, with the saturator and without.
    let _ = forecaster.newer_than(&mut version);
    let mut switched = ceiling(-1.0);
    switched.saturator.enabled = true;
    switched.push = PushSettings { push_db: 3.0 };
    forecaster.ask(&switched, start + 2 * REST);
    play(&mut writer, RATE_HZ, 2, 4);
    forecaster.ask(&ceiling(-1.0), start + 3 * REST);
    assert_eq!(forecaster.newer_than(&mut version), None);
    // Settings on the move.
    forecaster.ask(&ceiling(-1.5), start + 4 * REST);
    forecaster.ask(&ceiling(-2.0), start + 4 * REST + REST / 4);
    assert_eq!(forecaster.newer_than(&mut version), None);
    // At rest.
    forecaster.ask(&ceiling(-2.0), start + 5 * REST + REST / 4);
    let second = wait(&forecaster, |found| found.done);
    assert_eq!(second.points, directly(&reader, &ceiling(-2.0)));
    // Half of it is new: what is known stays until all of the new forecast is there.
    play(&mut writer, RATE_HZ, 7, 5);
    forecaster.ask(&ceiling(-2.0), start + 6 * REST);
    let third = wait(&forecaster, |found| {
        assert!(found.done && (found.points == second.points || found.points.len() >= 13));
        found.points != second.points
    });
    assert_eq!((second.music_s, third.music_s), (13.0, 20.0));
    assert_eq!(third.points, directly(&reader, &ceiling(-2.0)));
}

#[test]
fn settings_that_change_midway_leave_nothing_of_the_old_ones() {
    let _memory = alone();
    let forecaster = Forecaster::default();
    let reader = played(RATE_HZ, 30, 6);
    forecaster.set_source(Some(reader.clone()));
    let start = Instant::now();
    forecaster.ask(&ceiling(-1.0), start);
    wait(&forecaster, |found| found.points.len() >= 2);
    forecaster.ask(&ceiling(-6.0), start + REST);
    forecaster.ask(&ceiling(-6.0), start + 2 * REST);
    let found = wait(&forecaster, |found| found.done);
    assert_eq!(found.points, directly(&reader, &ceiling(-6.0)));
}

#[test]
fn a_new_sample_rate_midway_forgets_the_old_music() {
    let _memory = alone();
    let forecaster = Forecaster::default();
    forecaster.set_source(Some(played(RATE_HZ, 30, 7)));
    let start = Instant::now();
    forecaster.ask(&ceiling(-1.0), start);
    wait(&forecaster, |found| !found.points.is_empty());
    let other = played(11_025.0, 11, 8);
    forecaster.set_source(Some(other.clone()));
    let mut version = u64::MAX;
    assert_eq!(
        forecaster.newer_than(&mut version).unwrap(),
        Forecasted::default()
    );
    forecaster.ask(&ceiling(-1.0), start + REST);
    let found = wait(&forecaster, |found| found.done);
    assert_eq!(found.points, directly(&other, &ceiling(-1.0)));
    // Without a source there is nothing to forecast.
    forecaster.set_source(None);
    forecaster.ask(&ceiling(-3.0), start + 2 * REST);
    assert_eq!(
        forecaster.newer_than(&mut version).unwrap(),
        Forecasted::default()
    );
}

#[test]
fn what_is_cancelled_stays_as_far_as_it_came() {
    let _memory = alone();
    let forecaster = Forecaster::default();
    forecaster.set_source(Some(played(RATE_HZ, 30, 9)));
    forecaster.ask(&ceiling(-1.0), Instant::now());
    wait(&forecaster, |found| !found.points.is_empty());
    forecaster.cancel();
    let mut version = u64::MAX;
    let found = forecaster.newer_than(&mut version).unwrap();
    assert!(!found.done && !found.points.is_empty());
    // The thread is free for the next: another instance's is finished, and this one's has not
    // moved.
    let other = Forecaster::default();
    other.set_source(Some(played(RATE_HZ, 11, 10)));
    other.ask(&ceiling(-1.0), Instant::now());
    wait(&other, |found| found.done);
    assert_eq!(forecaster.newer_than(&mut version), None);
}

#[test]
fn an_instance_that_goes_midway_takes_its_forecast_and_its_memory_along() {
    let _memory = alone();
    let staying = Forecaster::default();
    let reader = played(RATE_HZ, 11, 11);
    staying.set_source(Some(reader.clone()));
    for seed in 0..8 {
        let going = Forecaster::default();
        going.set_source(Some(played(48_000.0, 12, 20 + seed)));
        going.ask(&ceiling(-1.0), Instant::now());
        if seed % 2 == 0 {
            wait(&going, |found| !found.points.is_empty());
        }
        // With so much memory each, a few that stayed would leave none for the next.
        drop(going);
    }
    staying.ask(&ceiling(-1.0), Instant::now());
    let found = wait(&staying, |found| found.done);
    assert_eq!(found.points, directly(&reader, &ceiling(-1.0)));
    // If the thread still runs, this waits for its end.
    drop(staying);
}

#[test]
fn twenty_instances_get_what_there_is_one_after_the_other() {
    let _memory = alone();
    let instances: Vec<_> = (0..20)
        .map(|seed| {
            let forecaster = Forecaster::default();
            let ring = recent(48_000.0, 2);
            let source = ring.map(|(mut writer, reader)| {
                play(&mut writer, 48_000.0, 11, 40 + seed);
                reader
            });
            forecaster.set_source(source.clone());
            forecaster.ask(&ceiling(-1.0), Instant::now());
            (forecaster, source)
        })
        .collect();
    let with_memory = instances.iter().filter(|(_, source)| source.is_some());
    assert!((3..20).contains(&with_memory.clone().count()));
    let (first, source) = &instances[0];
    let found = wait(first, |found| found.done);
    assert_eq!(
        found.points,
        directly(source.as_ref().unwrap(), &ceiling(-1.0))
    );
    // All of them go while others still run or wait.
    drop(instances);
    let (_, again) = recent(48_000.0, 2).unwrap();
    assert!(again.bytes() > 60 * 48_000 * 4);
}

// What an instance hears is written down as it comes in, whatever the stages do to it.
#[test]
fn the_engine_writes_its_input_down() {
    let _memory = alone();
    let (writer, reader) = recent(RATE_HZ, 2).unwrap();
    let mut engine = Engine::new(EngineSpec {
        sample_rate_hz: RATE_HZ,
        channels: 2,
    });
    engine.keep_input(writer);
    let input = noise(2, 10 * CHUNK + 77, 0.25, 12);
    let mut heard = input.clone();
    let settings = Settings {
        chain: ChainSettings {
            push: PushSettings { push_db: 12.0 },
            ..ceiling(-6.0)
        },
        ..Settings::default()
    };
    let [left, right] = &mut heard[..] else {
        unreachable!("two channels");
    };
    for (left, right) in left.chunks_mut(333).zip(right.chunks_mut(333)) {
        engine.process(&mut [left, right], &[], &settings);
    }
    let written = reader.read_since(0).unwrap();
    for (written, input) in written.planes.iter().zip(&input) {
        assert_eq!(written.len(), input.len());
        let near = |(written, input): (&f32, &f32)| {
            (written - input).abs() <= input.abs() / 2_048.0 + 1e-7
        };
        assert!(written.iter().zip(input).all(near));
    }
}
