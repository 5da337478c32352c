//! The residue: what no gain explains of what the chain has made.

#![allow(
    clippy::cast_sign_loss,
    clippy::print_stdout,
    reason = "a test prints its figures, in its helpers too"
)]

use std::f64::consts::{PI, TAU};
use std::ops::Range;

use crestline_core::process::{
    ChainSettings, LimiterSettings, PushSettings, SaturatorSettings, ShelvesSettings, Source,
};
use kit::engine_run::{Planes, engine, everything_on, play, trace};

use crate::listen::{FADE, SECOND, level_db, listen, loop_of_four_bars, with};

fn limited(push_db: f64) -> ChainSettings {
    ChainSettings {
        push: PushSettings { push_db },
        limiter: LimiterSettings::default(),
        ..ChainSettings::default()
    }
}

#[test]
fn the_residue_of_a_pure_gain_is_silence() {
    let input = loop_of_four_bars(5 * SECOND);
    for push_db in [0.0, 3.7, 18.0] {
        let pure = ChainSettings {
            push: PushSettings { push_db },
            ..ChainSettings::default()
        };
        let switched_at = 188 * 256;
        for (name, from) in [("from the start", 0), ("switched to", switched_at + FADE)] {
            let source = |start| {
                if from > 0 && start < switched_at {
                    Source::Input
                } else {
                    Source::Residue
                }
            };
            let settings = |start| with(pure, listen(source(start), false));
            let tracks = trace(&mut engine(48_000.0, 2), &input, settings, |_, _| ());
            let range = from..5 * SECOND;
            let relative_db =
                level_db(&tracks.heard, range.clone()) - level_db(&tracks.output, range);
            println!("push {push_db} dB, {name}: {relative_db:.1} dB");
            assert!(relative_db < -80.0, "{relative_db} dB");
        }
    }
}

// A sum of sines bends by `Σ A·ω²` a frame at most; so does the residue, and what crossfades into
// it: nothing that its gain does on the way in may bend more.
#[test]
fn switching_to_the_residue_makes_no_kink() {
    let shelved = ChainSettings {
        shelves: ShelvesSettings {
            low_gain_db: 3.0,
            ..ShelvesSettings::default()
        },
        ..ChainSettings::default()
    };
    let mut everything = everything_on();
    everything.saturator.enabled = false;
    for (name, chain) in [
        ("a shelf", shelved),
        ("shelves, bands, limiter", everything),
    ] {
        let mut worst = 0.0_f32;
        for turn in 0..20 {
            // Of settings that are five seconds old.
            let at = 6 * SECOND + 30 * turn;
            let wave = |n: usize| {
                let sine = |hz: f64| (TAU * hz * n as f64 / 48_000.0).sin();
                (0.21 * sine(55.0) + 0.09 * sine(211.0)) as f32
            };
            let channel: Vec<f32> = (0..at + 6_000).map(wave).collect();
            let source = |start| {
                if start < at {
                    Source::Output
                } else {
                    Source::Residue
                }
            };
            let settings = |start| with(chain, listen(source(start), false));
            let input = vec![channel.clone(), channel];
            let heard = play(&mut engine(48_000.0, 2), &input, || 15, settings);
            for bend in heard[0][at..].windows(3) {
                worst = worst.max((bend[0] - 2.0 * bend[1] + bend[2]).abs());
            }
        }
        println!("{name}: bends by {worst:.5} at most");
        // Of the input by 0.00008, of an output 12 dB higher by 0.0003.
        assert!(worst < 0.001, "{name}: {worst}");
    }
}

/// What was kept of before a change of push fits nothing of what comes: a gain alone leaves nothing,
/// however short after the change the residue is switched to.
#[test]
fn right_after_a_change_of_push_the_residue_is_not_the_music() {
    let input = loop_of_four_bars(8 * SECOND);
    let alone = |push_db: f64| ChainSettings {
        push: PushSettings { push_db },
        limiter: LimiterSettings {
            enabled: false,
            ..LimiterSettings::default()
        },
        ..ChainSettings::default()
    };
    let mut engine = engine(48_000.0, 2);
    // The change is heard once the chain has let it through, over 20 ms.
    let changed_at = 6 * SECOND - SECOND / 10 - engine.latency_frames();
    let settings = |start: usize| {
        let source = if start < 6 * SECOND {
            Source::Output
        } else {
            Source::Residue
        };
        with(
            alone(if start < changed_at { 12.0 } else { 0.0 }),
            listen(source, false),
        )
    };
    let tracks = trace(&mut engine, &input, settings, |_, _| ());
    let range = 6 * SECOND + FADE..7 * SECOND;
    let relative_db = level_db(&tracks.heard, range.clone()) - level_db(&tracks.output, range);
    println!("after a change: {relative_db:.1} dB");
    assert!(relative_db < -80.0, "{relative_db} dB");
}

/// The same while the residue is heard: nothing but a gain is changed, and it does not play the music
/// at anything like its level until what was kept has been forgotten.
#[test]
fn a_jump_of_push_does_not_play_the_music_as_a_residue() {
    let input = loop_of_four_bars(8 * SECOND);
    for (from_db, to_db) in [(2.0, 5.0), (12.0, 0.0), (0.0, 18.0)] {
        let settings = |start: usize| {
            let push_db = if start < 6 * SECOND { from_db } else { to_db };
            let mut chain = ChainSettings {
                push: PushSettings { push_db },
                ..ChainSettings::default()
            };
            chain.limiter.enabled = false;
            with(chain, listen(Source::Residue, false))
        };
        let mut engine = engine(48_000.0, 2);
        let tracks = trace(&mut engine, &input, settings, |_, _| ());
        let relative_db = |from: usize, frames: usize| {
            let range = 6 * SECOND + from..6 * SECOND + from + frames;
            level_db(&tracks.heard, range.clone()) - level_db(&tracks.output, range)
        };
        let (at_once, later) = (relative_db(0, SECOND / 4), relative_db(SECOND / 4, SECOND));
        println!("push {from_db} to {to_db} dB: {at_once:.1} dB, then {later:.1} dB");
        assert!(at_once < -20.0 && later < -80.0, "{at_once} {later}");
    }
}

/// Where the saturator stops bending, at once or by its blend, nothing is left to tell, and nothing is
/// told on the way (it played the music, of dense songs by up to 13 dB over what it had been).
#[test]
fn what_stops_bending_does_not_play_the_music_as_a_residue() {
    let input = loop_of_four_bars(8 * SECOND);
    let bent = |enabled, blend_percent| ChainSettings {
        push: PushSettings { push_db: 12.0 },
        saturator: SaturatorSettings {
            enabled,
            blend_percent,
            ..SaturatorSettings::default()
        },
        limiter: LimiterSettings {
            enabled: false,
            ..LimiterSettings::default()
        },
        ..ChainSettings::default()
    };
    for (what, after) in [("off", bent(false, 100.0)), ("blend", bent(true, 0.0))] {
        let settings = |start: usize| {
            let chain = if start < 6 * SECOND {
                bent(true, 100.0)
            } else {
                after
            };
            with(chain, listen(Source::Residue, false))
        };
        let mut engine = engine(48_000.0, 2);
        let tracks = trace(&mut engine, &input, settings, |_, _| ());
        let highest_db = |from: usize, to: usize| {
            let windows = (from..to).step_by(SECOND / 100);
            let levels = windows.map(|at| level_db(&tracks.heard, at..at + SECOND / 50));
            levels.fold(f64::MIN, f64::max)
        };
        let before_db = highest_db(4 * SECOND, 6 * SECOND);
        let after_db = highest_db(6 * SECOND, 7 * SECOND);
        println!("{what}: residue {before_db:.1} dBFS before, at most {after_db:.1} after");
        assert!(
            after_db < before_db - 25.0,
            "{what}: {before_db} {after_db}"
        );
    }
}

/// A bass note bends by `A·ω²` a frame, a crossfade of 5 ms by little more: there is nothing else to
/// hear of a change but the residue before and the one after.
#[test]
fn no_change_of_a_stage_clicks_in_the_residue() {
    let tone = |n: usize| (0.25 * (TAU * 55.0 * n as f64 / 48_000.0).sin()) as f32;
    let input: Planes = vec![(0..4 * SECOND).map(tone).collect(); 2];
    let chain = |push_db: f64, low_gain_db: f64| {
        let mut chain = limited(push_db);
        chain.limiter.enabled = false;
        chain.shelves.low_gain_db = low_gain_db;
        chain
    };
    for (what, before, after) in [
        ("push up", chain(0.0, 0.0), chain(6.0, 0.0)),
        ("shelf up", chain(0.0, 0.0), chain(0.0, 6.0)),
        ("shelf down", chain(0.0, 6.0), chain(0.0, 0.0)),
        ("shelf to rest", chain(0.0, -9.0), chain(0.0, 0.0)),
        ("push down", chain(12.0, 9.0), chain(0.0, 9.0)),
        ("limiter off", limited(18.0), chain(18.0, 0.0)),
        ("limiter on", chain(18.0, 0.0), limited(18.0)),
        ("all", chain(6.0, 3.0), everything_on()),
    ] {
        for at in [3 * SECOND, 3 * SECOND + 100, 3 * SECOND + 333] {
            let settings = |start: usize| {
                let chain = if start < at { before } else { after };
                with(chain, listen(Source::Residue, false))
            };
            let mut sizes = std::iter::once(at).chain(std::iter::repeat(512));
            let sizes = || sizes.next().unwrap_or(512);
            let heard = play(&mut engine(48_000.0, 2), &input, sizes, settings);
            let bend = heard[0][SECOND..]
                .windows(3)
                .map(|x| (x[0] - 2.0 * x[1] + x[2]).abs())
                .fold(0.0, f32::max);
            println!("{what}: bends by {bend:.5}");
            assert!(bend < 1e-3, "{what}: {bend}");
        }
    }
}

/// After something loud that was limited comes something quiet that was not: once the loud is 0.4 s
/// behind, a gain explains all of the quiet, however much louder the loud was.
#[test]
fn what_was_limited_is_forgotten_after_four_tenths_of_a_second() {
    let chain = limited(12.0);
    let sine = |n: usize| {
        let amplitude = if n < SECOND { 0.8 } else { 0.05 };
        (amplitude * (TAU * 1000.0 * n as f64 / 48_000.0).sin()) as f32
    };
    for rate_hz in [8_000.0, 48_000.0, 192_000.0] {
        let frames = |seconds: f64| (seconds * rate_hz) as usize;
        let length = SECOND + frames(1.0);
        let input: Planes = vec![(0..length).map(sine).collect(); 2];
        let settings = with(chain, listen(Source::Residue, false));
        let tracks = trace(&mut engine(rate_hz, 2), &input, |_| settings, |_, _| ());
        // The limiter is done 0.1 s after the step.
        let step = SECOND + engine(rate_hz, 2).latency_frames();
        let relative_db = |from: f64, to: f64| {
            let range = step + frames(from)..step + frames(to);
            level_db(&tracks.heard, range.clone()) - level_db(&tracks.output, range)
        };
        let [before, after] = [relative_db(0.15, 0.35), relative_db(0.53, 0.73)];
        println!("{rate_hz} Hz: {before:.1} dB, then {after:.1} dB");
        assert!(before > -20.0 && after < -80.0, "{before} {after}");
    }
}

/// A hit after something quiet that was driven far more, and one after a pause in which the output
/// sounds on by itself: the gain from before them must not make of them what is louder than all.
#[test]
fn the_residue_does_not_jump_out_of_what_is_heard() {
    let saturated = ChainSettings {
        push: PushSettings { push_db: 12.0 },
        saturator: SaturatorSettings {
            enabled: true,
            shoulder_db: 12.0,
            lean_percent: 100.0,
            ..SaturatorSettings::default()
        },
        ..ChainSettings::default()
    };
    let sine = |n: usize| (0.9 * (TAU * 100.0 * n as f64 / 48_000.0).sin()) as f32;
    let hit = |n: usize| if n < SECOND { 0.01 * sine(n) } else { sine(n) };
    let pause = |n: usize| {
        let pause = SECOND..SECOND * 8 / 5;
        if pause.contains(&n) { 1e-6 } else { sine(n) }
    };
    let cases: [(_, _, &dyn Fn(usize) -> f32); 2] =
        [("hit", limited(18.0), &hit), ("pause", saturated, &pause)];
    for (name, chain, signal) in cases {
        let input: Planes = vec![(0..2 * SECOND).map(signal).collect(); 2];
        let settings = with(chain, listen(Source::Residue, false));
        let tracks = trace(&mut engine(48_000.0, 2), &input, |_| settings, |_, _| ());
        let peak = |planes: &[Vec<f32>], range: Range<usize>| {
            let samples = planes.iter().flat_map(|plane| &plane[range.clone()]);
            samples.fold(0.0_f32, |peak, sample| peak.max(sample.abs()))
        };
        let mut worst = 0.0_f32;
        for end in (SECOND / 2..2 * SECOND).step_by(48) {
            let [heard, output] = [(&tracks.heard, 48), (&tracks.output, 19_200)]
                .map(|(planes, frames)| peak(planes, end - frames..end));
            worst = worst.max(heard / output);
        }
        println!("{name}: {worst:.3} of the output's peak");
        assert!(worst <= 2.0, "{name}: {worst}");
    }
}

// Hard limiting of a sine, in closed form: the share of its power that is not fundamental, from b1
// = (2/π)(g·a + √(1 − 1/g²)) and rms² = (2/π)(g²(a/2 − sin 2a/4) + π/2 − a), a = asin(1/g), g the
// drive over the clipping level. A shoulder of half a decibel is a little softer. What no gain
// explains is, by the normal equations of least squares, output less (output·input)/(input·input)
// times the input.
#[test]
fn the_residue_of_hard_limiting_is_what_no_gain_explains() {
    for drive_db in [6.0_f64, 12.0] {
        let chain = ChainSettings {
            push: PushSettings { push_db: 12.0 },
            saturator: SaturatorSettings {
                enabled: true,
                shoulder_db: 0.5,
                ..SaturatorSettings::default()
            },
            ..ChainSettings::default()
        };
        let amplitude = 10_f64.powf((drive_db - 12.0 + chain.limiter.ceiling_dbtp) / 20.0);
        let sine = |n: usize| (amplitude * (TAU * 100.0 * n as f64 / 48_000.0).sin()) as f32;
        let input: Planes = vec![(0..4 * SECOND).map(sine).collect(); 2];
        let settings = with(chain, listen(Source::Residue, false));
        let tracks = trace(&mut engine(48_000.0, 2), &input, |_| settings, |_, _| ());
        let range = 3 * SECOND..4 * SECOND;
        let dot = |a: &[Vec<f32>], b: &[Vec<f32>]| -> f64 {
            let pairs = a[0][range.clone()].iter().zip(&b[0][range.clone()]);
            pairs.map(|(a, b)| f64::from(*a) * f64::from(*b)).sum()
        };
        let (output, input) = (&tracks.output, &tracks.input);
        let unexplained =
            1.0 - dot(output, input).powi(2) / dot(input, input) / dot(output, output);
        let share = dot(&tracks.heard, &tracks.heard) / dot(output, output);
        let g = 10_f64.powf(drive_db / 20.0);
        let a = (1.0 / g).asin();
        let fundamental = 2.0 / PI * (g * a + (1.0 - 1.0 / g / g).sqrt());
        let power = 2.0 / PI * (g * g * (a / 2.0 - (2.0 * a).sin() / 4.0) + PI / 2.0 - a);
        let [heard_db, fitted_db, closed_db] = [
            share,
            unexplained,
            1.0 - fundamental * fundamental / 2.0 / power,
        ]
        .map(|share| 10.0 * share.log10());
        println!(
            "drive {drive_db} dB: residue {heard_db:.3} dB, least squares {fitted_db:.3} dB, hard clipping {closed_db:.3} dB"
        );
        assert!((heard_db - fitted_db).abs() < 0.05);
        assert!((heard_db - closed_db).abs() < 0.5);
    }
}
