//! Some bands alone: of whatever is heard, and of nothing that is measured.
//!
//! Linkwitz-Riley of fourth order: with `r` the warped `f/fc` its low-pass has the magnitude
//! `1/(1 + r⁴)`, its high-pass `r⁴/(1 + r⁴)`.

use crate::listen::with;
use crate::rises::level_db;
use crestline_core::engine::{CHUNK, Settings};
use crestline_core::handover::{AuditionLoop, audition};
use crestline_core::process::{ChainSettings, ListenSettings, Source};
use kit::engine_run::{Planes, engine, everything_on, largest_step, noise, play};
use kit::spectrum::above_2_khz_dbfs;
use std::f64::consts::{PI, TAU};

const RATE_HZ: f64 = 48_000.0;
const SECOND: usize = 48_000;
const LOW: [bool; 4] = [true, false, false, false];
const LOW_MID: [bool; 4] = [false, true, false, false];
const ALL: [bool; 4] = [false; 4];

fn soloed(solo: [bool; 4]) -> ListenSettings {
    ListenSettings {
        solo,
        ..ListenSettings::default()
    }
}

fn tone(freq_hz: f64, peak: f64, frames: usize) -> Planes {
    let sample = |n: usize| (peak * (TAU * freq_hz * n as f64 / RATE_HZ).sin()) as f32;
    vec![(0..frames).map(sample).collect(); 2]
}

fn through_db(freq_hz: f64) -> f64 {
    let warped = |hz: f64| (PI * hz / RATE_HZ).tan();
    let r4 = |corner_hz: f64| (warped(freq_hz) / warped(corner_hz)).powi(4);
    20.0 * (r4(120.0) / (1.0 + r4(120.0)) / (1.0 + r4(1_000.0))).log10()
}

/// Amplitude of a tone of whole periods: its Fourier coefficient.
fn amplitude(samples: &[f32], freq_hz: f64) -> f64 {
    let turned = samples.iter().enumerate().map(|(n, sample)| {
        let (sin, cos) = (TAU * freq_hz * n as f64 / RATE_HZ).sin_cos();
        [f64::from(*sample) * cos, f64::from(*sample) * sin]
    });
    let [re, im] = turned.fold([0.0; 2], |sum, [re, im]| [sum[0] + re, sum[1] + im]);
    2.0 * re.hypot(im) / samples.len() as f64
}

fn peak_of(planes: &[Vec<f32>], from: usize, to: usize) -> f32 {
    let samples = planes.iter().flat_map(|channel| &channel[from..to]);
    samples.fold(0.0, |peak, sample| peak.max(sample.abs()))
}

#[test]
fn a_band_alone_is_that_of_whatever_is_heard() {
    for (freq_hz, name) in [
        (50.0, "below"),
        (120.0, "corner"),
        (400.0, "in"),
        (2_000.0, "above"),
    ] {
        let input = tone(freq_hz, 0.1, 2 * SECOND);
        for source in [
            Some(Source::Output),
            Some(Source::Clean),
            Some(Source::Input),
            None,
        ] {
            let (mut sender, receiver) = audition();
            let mut engine = engine(RATE_HZ, 2).with_audition(receiver);
            let reference = tone(freq_hz, 0.1, 10 * SECOND);
            let looped = AuditionLoop::new(RATE_HZ, 2, reference).unwrap();
            sender.send(looped).unwrap();
            let listen = ListenSettings {
                source: source.unwrap_or_default(),
                reference: source.is_none(),
                ..soloed(LOW_MID)
            };
            let heard = play(
                &mut engine,
                &input,
                || 500,
                |_| with(ChainSettings::default(), listen),
            );
            let found = amplitude(&heard[0][SECOND..], freq_hz);
            let found_db = 20.0 * (found / 0.1).log10();
            let expected_db = through_db(freq_hz);
            assert!(
                (found_db - expected_db).abs() < 0.02,
                "{name} of {source:?}: {found_db:.3} dB, {expected_db:.3} expected"
            );
        }
    }
}

// What is listened to is heard behind everything that is measured.
#[test]
fn no_reading_knows_of_it() {
    let input = noise(2, 6 * SECOND, 0.3, 5);
    let told = [ALL, LOW].map(|solo| {
        let mut engine = engine(RATE_HZ, 2);
        let settings = |_| with(everything_on(), soloed(solo));
        play(&mut engine, &input, || 480, settings);
        let told = engine.snapshot();
        assert!(told.output.readings.integrated_lufs.is_some());
        let points = [told.input, told.clean, told.output];
        (points, told.clean_reduction, told.output_reduction)
    });
    assert_eq!(told[0], told[1]);
}

#[test]
fn without_it_every_sample_passes_as_it_did() {
    let input = noise(2, 5 * SECOND, 0.3, 6);
    let settings = |solo| move |_| with(everything_on(), soloed(solo));
    let plain = play(&mut engine(RATE_HZ, 2), &input, || 333, settings(ALL));
    // For half a second in between.
    let between = |start: usize| {
        let on = (SECOND..SECOND * 3 / 2).contains(&start);
        with(everything_on(), soloed(if on { LOW } else { ALL }))
    };
    let heard = play(&mut engine(RATE_HZ, 2), &input, || 333, between);
    for (plain, heard) in plain.iter().zip(&heard) {
        assert_eq!(plain[..SECOND], heard[..SECOND]);
        // The rise takes a second, and its end is found within a quantum.
        let from = SECOND * 5 / 2 + 2 * CHUNK;
        assert_eq!(plain[from..], heard[from..]);
        assert_ne!(plain[2 * SECOND..from], heard[2 * SECOND..from]);
    }
}

// A sine of 400 Hz beside one of 50 Hz that is 30 dB lower.
#[test]
fn what_is_quieter_comes_at_once_and_what_is_louder_rises() {
    let mut input = tone(400.0, 0.3, 4 * SECOND);
    for (channel, low) in input.iter_mut().zip(tone(50.0, 0.3 / 31.6, 4 * SECOND)) {
        for (sample, low) in channel.iter_mut().zip(low) {
            *sample += low;
        }
    }
    let settings = |start: usize| -> Settings {
        let on = (SECOND..2 * SECOND).contains(&start);
        with(ChainSettings::default(), soloed(if on { LOW } else { ALL }))
    };
    let mut engine = engine(RATE_HZ, 2);
    let heard = play(&mut engine, &input, || 480, settings);
    let level_db = |at: usize| 20.0 * peak_of(&heard, at, at + SECOND / 50).log10();
    let (before, alone) = (level_db(SECOND / 2), level_db(2 * SECOND - SECOND / 50));
    // A second-order all-pass's worth of ringing after the fade of 20 ms.
    let fallen = level_db(SECOND + SECOND / 20);
    let back = level_db(2 * SECOND + SECOND / 50);
    let half = level_db(2 * SECOND + SECOND / 2);
    let after = level_db(3 * SECOND + SECOND / 10);
    println!("{before:.1}, {fallen:.1} {alone:.1}, {back:.1} {half:.1} {after:.1} dB");
    assert!(fallen < alone + 1.0, "{fallen} {alone}");
    assert!(before - alone > 25.0, "{before} {alone}");
    assert!(back < alone + 4.0, "{back} {alone}");
    // Half-way in decibels.
    let middle = f32::midpoint(alone, before);
    assert!((half - middle).abs() < 4.0, "{half} {middle}");
    assert!((after - before).abs() < 0.01, "{after} {before}");
}

// The split begins amid the signal: the step that it hears then is none of the band's.
#[test]
fn a_band_tried_for_a_moment_is_taken_for_no_louder_than_it_is() {
    const MS: usize = 48;
    for (solo, quiet_hz) in [(LOW, 50.0), ([false, false, false, true], 12_000.0)] {
        for tried in [152, 240, 400] {
            for phase in [0, 20, 40, 60] {
                let on = SECOND + phase..SECOND + phase + tried * MS;
                let mut input = tone(400.0, 0.3, 2 * SECOND);
                for (channel, quiet) in input.iter_mut().zip(tone(quiet_hz, 0.001, 2 * SECOND)) {
                    for (sample, quiet) in channel.iter_mut().zip(quiet) {
                        *sample += quiet;
                    }
                }
                let settings = |start: usize| -> Settings {
                    let now = if on.contains(&start) { solo } else { ALL };
                    with(ChainSettings::default(), soloed(now))
                };
                let heard = play(&mut engine(RATE_HZ, 2), &input, || 20, settings);
                let before = level_db(&heard, on.end - 60 * MS..on.end);
                let after = level_db(&heard, on.end..on.end + 60 * MS);
                println!("{quiet_hz} Hz for {tried} ms, phase {phase}: {before:.1}, {after:.1} dB");
                assert!(after - before < 1.0, "{before} {after}");
            }
        }
    }
}

#[test]
fn it_says_while_it_rises_and_a_cut_ends_that() {
    let input = tone(400.0, 0.3, SECOND);
    let mut engine = engine(RATE_HZ, 2);
    let mut heard = |solo| {
        play(
            &mut engine,
            &input,
            || 480,
            |_| with(ChainSettings::default(), soloed(solo)),
        );
        let rising_db = engine.snapshot().activity.rising_db;
        engine.cut_listening();
        rising_db
    };
    assert_eq!(heard(LOW), 0.0);
    assert_eq!(heard(ALL), 0.0, "cut");
    let mut heard = |solo, frames: usize| {
        let input = [&input[0][..frames], &input[1][..frames]].map(<[f32]>::to_vec);
        play(
            &mut engine,
            &input,
            || 480,
            |_| with(ChainSettings::default(), soloed(solo)),
        );
        engine.snapshot().activity.rising_db
    };
    heard(LOW, SECOND);
    let rising_db = heard(ALL, SECOND / 10);
    assert!(rising_db > 30.0, "{rising_db}");
    assert_eq!(heard(ALL, SECOND), 0.0);
}

// Played, paused, and played on: what the pause hides is told by what was heard before it. Tried
// before anything was played, it leaves no trace.
#[test]
fn a_pause_hides_no_jump_and_makes_none() {
    let low_on = |until: usize| {
        move |start: usize| {
            let solo = if start < until { LOW } else { ALL };
            with(ChainSettings::default(), soloed(solo))
        }
    };
    let sound = tone(400.0, 0.3, SECOND);
    let silence = vec![vec![0.0; 2 * SECOND]; 2];
    for (before, rises) in [(&sound, true), (&silence, false)] {
        let mut engine = engine(RATE_HZ, 2);
        play(&mut engine, before, || 480, low_on(usize::MAX));
        play(&mut engine, &silence, || 480, low_on(SECOND));
        let heard = play(&mut engine, &sound, || 480, low_on(0));
        let late = engine.latency_frames();
        let first = peak_of(&heard, late, late + SECOND / 10);
        println!("rises {rises}: begins at {first:.4}");
        assert_eq!(first < 0.03, rises, "{first}");
        if !rises {
            assert_eq!(sound[0][..SECOND - late], heard[0][late..]);
        }
    }
}

// Every change is a fade whose weights move by 1/N a frame, N the frames of 20 ms: a step is never
// larger than those of the signals and the span between them over N.
#[test]
fn no_change_of_it_makes_a_step() {
    let input = tone(60.0, 0.5, 6 * SECOND);
    let order = [
        ALL,
        LOW,
        LOW_MID,
        [true; 4],
        LOW_MID,
        ALL,
        [false, false, true, true],
    ];
    let own = TAU * 60.0 / RATE_HZ * 0.5;
    for every in [6_000, 480] {
        let settings = |start: usize| {
            with(
                ChainSettings::default(),
                soloed(order[start / every % order.len()]),
            )
        };
        let heard = play(&mut engine(RATE_HZ, 2), &input, || 240, settings);
        let step = largest_step(&heard);
        println!("every {every}: {step:.5}, own {own:.5}");
        assert!(f64::from(step) < own + 1.0 / 960.0, "{step} {own}");
    }
}

// 50 and 200 Hz hold nothing above 2 kHz, and what is left of them above 1 kHz masks nothing: 80 dB
// below full scale is below what is heard (common practice).
#[test]
fn bands_with_next_to_nothing_in_them_come_without_a_tick() {
    let frames = 4 * SECOND;
    for solo in [
        [false, false, true, false],
        [false, false, false, true],
        LOW,
    ] {
        let worst = [0, 67, 240, 533, 900].map(|moment| {
            let (low, high) = (tone(50.0, 0.63, frames), tone(200.0, 0.27, frames));
            let input: Planes = low
                .iter()
                .zip(&high)
                .map(|(low, high)| low.iter().zip(high).map(|(a, b)| a + b).collect())
                .collect();
            let at = 2 * SECOND + moment;
            let settings = |start: usize| {
                let solo = if start < at { ALL } else { solo };
                with(ChainSettings::default(), soloed(solo))
            };
            let block = || if moment % 2 == 0 { 1 } else { 67 };
            let heard = play(&mut engine(RATE_HZ, 2), &input, block, settings);
            above_2_khz_dbfs(RATE_HZ, &heard[0], at - 10..at + SECOND)
        });
        let worst = worst.into_iter().fold(f64::MIN, f64::max);
        println!("{solo:?}: {worst:.1} dBFS");
        assert!(worst < -80.0, "{solo:?}: {worst:.1} dBFS");
    }
}

// The fundamental of a square wave is 4/π of it.
#[test]
fn a_band_that_peaks_above_the_whole_is_held_within_full_scale() {
    let square = |n: usize| {
        if (n / 400).is_multiple_of(2) {
            0.999
        } else {
            -0.999
        }
    };
    let input = vec![(0..3 * SECOND).map(square).collect::<Vec<f32>>(); 2];
    let heard = play(
        &mut engine(RATE_HZ, 2),
        &input,
        || 480,
        |_| with(ChainSettings::default(), soloed([true, true, false, false])),
    );
    let peak = peak_of(&heard, 0, 3 * SECOND);
    assert!(peak <= 1.0, "{peak}");
    assert!(peak > 0.99, "{peak}");
}

#[test]
fn bypass_is_all_of_the_input() {
    let input = noise(2, 3 * SECOND, 0.3, 8);
    let listen = ListenSettings {
        bypass: true,
        ..soloed(LOW)
    };
    let mut engine = engine(RATE_HZ, 2);
    let heard = play(
        &mut engine,
        &input,
        || 480,
        |_| with(everything_on(), listen),
    );
    let late = engine.latency_frames();
    for (input, heard) in input.iter().zip(&heard) {
        assert_eq!(input[..SECOND], heard[late..SECOND + late]);
    }
}

/// A second solo rises as the first one did, wherever the host's blocks ended while that was over.
#[test]
fn blocks_of_any_length_are_soloed_alike_again_and_again() {
    let input = noise(1, 5 * SECOND, 0.3, 11);
    let heard = |frames: usize| {
        let settings = |start: usize| {
            let solo = match start {
                start if start < SECOND => LOW,
                start if start < 3 * SECOND => ALL,
                start if start < 3 * SECOND + SECOND / 2 => LOW,
                _ => ALL,
            };
            with(ChainSettings::default(), soloed(solo))
        };
        let sizes = || frames;
        play(&mut engine(RATE_HZ, 1), &input, sizes, settings)
    };
    // Blocks that end where the settings change.
    let expected = heard(32);
    for frames in [1, 96, 250, 480, 6_000] {
        assert!(heard(frames) == expected, "{frames}");
    }
}
