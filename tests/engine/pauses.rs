//! What is heard right after a pause: matched from its first moment on, and no rise is lost in it.
//!
//! Levels are plain ones of noise that does not change, over 10 ms; a level that does not rise at
//! once is the design's own promise.

#![allow(
    clippy::large_types_passed_by_value,
    reason = "settings are made anew for every block"
)]

use crate::listen::with;
use crestline_core::engine::Engine;
use crestline_core::handover::{AuditionLoop, audition};
use crestline_core::process::{
    ChainSettings, LimiterSettings, ListenSettings, PushSettings, Source,
};
use kit::engine_run::{Planes, cut, engine, noise, play};

/// Slow rates are quick to work through.
const RATE_HZ: u32 = 16_000;
const SECOND: usize = 16_000;
const PUSH_DB: f64 = 18.0;

fn chain(push_db: f64) -> ChainSettings {
    ChainSettings {
        push: PushSettings { push_db },
        limiter: LimiterSettings::default(),
        ..ChainSettings::default()
    }
}

const OUTPUT: ListenSettings = ListenSettings {
    source: Source::Output,
    reference: false,
    side_chain: false,
    matched: false,
    solo: [false; 4],
    bypass: false,
    written: false,
};
const INPUT: ListenSettings = ListenSettings {
    source: Source::Input,
    ..OUTPUT
};
const MATCHED: ListenSettings = ListenSettings {
    matched: true,
    ..OUTPUT
};
const BYPASSED: ListenSettings = ListenSettings {
    bypass: true,
    ..MATCHED
};

fn music(seconds: usize) -> Planes {
    noise(2, seconds * SECOND, 0.1, 3)
}

fn silence(seconds: usize) -> Planes {
    vec![vec![0.0; seconds * SECOND]; 2]
}

fn heard(engine: &mut Engine, input: &[Vec<f32>], push_db: f64, listen: ListenSettings) -> Planes {
    play(engine, input, || 480, |_| with(chain(push_db), listen))
}

/// dB of each 10 ms, without what comes before the latency is over.
fn levels_db(engine: &Engine, planes: &[Vec<f32>]) -> Vec<f64> {
    let signal = cut(planes, engine.latency_frames()..planes[0].len());
    let starts = (0..signal[0].len() - SECOND / 100).step_by(SECOND / 100);
    starts
        .map(|start| {
            let samples = signal
                .iter()
                .flat_map(|channel| &channel[start..start + SECOND / 100]);
            let energy: f64 = samples.map(|sample| f64::from(*sample).powi(2)).sum();
            10.0 * (energy / (SECOND / 50) as f64 + 1e-12).log10()
        })
        .collect()
}

fn highest(levels_db: &[f64]) -> f64 {
    levels_db.iter().copied().fold(f64::MIN, f64::max)
}

// Whatever is set while nothing plays is in effect when something does.
#[test]
fn what_follows_a_silence_is_matched_from_the_first_moment_on() {
    for (what, (push_before, before), (push_between, between)) in [
        ("bypass left", (PUSH_DB, MATCHED), (PUSH_DB, BYPASSED)),
        ("matched", (PUSH_DB, OUTPUT), (PUSH_DB, OUTPUT)),
        ("pushed", (6.0, MATCHED), (6.0, MATCHED)),
    ] {
        let mut engine = engine(f64::from(RATE_HZ), 2);
        heard(&mut engine, &music(12), push_before, before);
        heard(&mut engine, &silence(2), push_between, between);
        heard(&mut engine, &silence(2), PUSH_DB, MATCHED);
        let after = heard(&mut engine, &music(12), PUSH_DB, MATCHED);
        let after_db = levels_db(&engine, &after);
        let (first, rest) = after_db.split_at(50);
        let over = highest(first) - highest(rest);
        println!("{what} in silence: {over:.2} dB louder than later on");
        assert!(over < 1.0, "{what}: {over:.2} dB");
    }
}

// A switch made in a pause is held back when there is something to hear.
#[test]
fn a_rise_waits_for_sound() {
    let mut engine = engine(f64::from(RATE_HZ), 2);
    heard(&mut engine, &music(12), 12.0, INPUT);
    heard(&mut engine, &silence(1), 12.0, INPUT);
    heard(&mut engine, &silence(2), 12.0, OUTPUT);
    assert!(
        engine.snapshot().activity.rising_db > 9.0,
        "it is announced"
    );
    let after = heard(&mut engine, &music(4), 12.0, OUTPUT);
    let after_db = levels_db(&engine, &after);
    let begins = highest(&after_db[..10]) - highest(&after_db[200..]);
    println!("begins {begins:.1} dB below");
    assert!(begins < -9.0, "{begins:.1} dB");
    assert_eq!(engine.snapshot().activity.rising_db, 0.0);
}

// A host that moves its cursor resets what it plays through.
#[test]
fn a_reset_does_not_cut_a_rise_short() {
    let mut engine = engine(f64::from(RATE_HZ), 2);
    heard(&mut engine, &music(12), 12.0, INPUT);
    heard(&mut engine, &cut(&music(1), 0..SECOND / 10), 12.0, OUTPUT);
    engine.reset();
    let after = heard(&mut engine, &music(4), 12.0, OUTPUT);
    let after_db = levels_db(&engine, &after);
    let begins = highest(&after_db[..5]) - highest(&after_db[200..]);
    println!("goes on {begins:.1} dB below");
    assert!(begins < -8.0, "{begins:.1} dB");
}

// How far the mix is turned down to a quieter reference holds until matching is switched off.
#[test]
fn bypass_does_not_bring_the_mix_back_up() {
    let (mut sender, receiver) = audition();
    let mut engine = engine(f64::from(RATE_HZ), 2).with_audition(receiver);
    let quieter = music(10).into_iter().map(|channel| {
        let quieter = channel.into_iter().map(|sample| 0.2 * sample);
        quieter.collect()
    });
    let reference = AuditionLoop::new(f64::from(RATE_HZ), 2, quieter.collect()).unwrap();
    sender.send(reference).unwrap();
    let reference = ListenSettings {
        reference: true,
        ..MATCHED
    };
    let mut level = |listen: ListenSettings, seconds: usize| {
        let played = heard(&mut engine, &music(seconds), 0.0, listen);
        highest(&levels_db(&engine, &played)[200..])
    };
    let alone = level(MATCHED, 12);
    level(reference, 4);
    let before = level(MATCHED, 4);
    level(BYPASSED, 3);
    let after = level(MATCHED, 4);
    println!("alone {alone:.1}, beside the reference {before:.1}, after bypass {after:.1} dB");
    assert!(before < alone - 12.0, "it is turned down by 14 dB");
    assert!((after - before).abs() < 0.1, "{before:.2} {after:.2}");
}
