//! The ceiling on the demo songs, through the whole engine: what either path lets out, by two
//! measurements that know nothing of the limiter's own detector.
//!
//! Covered: the loudest seconds of both songs at five sample rates; push, release, ceiling and
//! shoulder in sixteen combinations a rate, in which every value of one meets every value of each
//! other once (an orthogonal array from three Latin squares of order four: Bose, Sankhyā 3(4),
//! 1938, from memory). At 44.1 and 48 kHz, where the songs reach up to half the rate, both get all
//! sixteen over their loudest 2 s; above, where they cannot, a song gets eight over its loudest
//! second and the other song the other eight. Every run gives the clean and the saturated path; the
//! lean goes with the push. Not covered: bands and shelves, links below 100 % (`process/limiter.rs`
//! has them), settings that move (`engine/automation.rs` has them).
//!
//! White noise reaches to half the rate itself, where no filter of finite length tells crests from
//! what lies between; the saturator leaves the top of the band straight, so that a push brings it
//! up to the ceiling alone.

#![allow(
    clippy::cast_sign_loss,
    clippy::large_types_passed_by_value,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test fails by panicking and prints its figures, in its helpers too"
)]

use crestline_core::engine::Settings;
use crestline_core::process::{
    ChainSettings, LimiterSettings, PushSettings, Release, SaturatorSettings,
};
use kit::engine_run::{Planes, cut, engine, noise, peak_16x_dbtp, trace, true_peak_8x_dbtp};
use songs::{Song, rink_lights, turnstile};

const RATES_HZ: [u32; 5] = [44_100, 48_000, 88_200, 96_000, 192_000];
/// How much a true peak may pass the ceiling, in dB.
const ALLOWED_DB: f64 = 0.05;

const PUSHES_DB: [f64; 4] = [0.0, 6.0, 12.0, 18.0];
const RELEASES: [Release; 4] = [
    Release::Automatic,
    Release::Manual(20.0),
    Release::Manual(100.0),
    Release::Manual(1000.0),
];
const CEILINGS_DBTP: [f64; 4] = [-12.0, -6.0, -1.0, 0.0];
const SHOULDERS_DB: [f64; 4] = [3.0, 0.5, 6.0, 12.0];

/// The combination of a row and a column, 0…3 each: the squares are `row + k·column` in the field
/// of four elements.
fn combination(row: usize, column: usize) -> Settings {
    // The column times the third element of the field.
    let turned = [0, 2, 3, 1][column];
    let ceiling_dbtp = CEILINGS_DBTP[row ^ column];
    let chain = ChainSettings {
        push: PushSettings {
            push_db: PUSHES_DB[row],
        },
        saturator: SaturatorSettings {
            enabled: true,
            shoulder_db: SHOULDERS_DB[row ^ turned],
            lean_percent: [0.0, 100.0, 0.0, 50.0][row],
            ..SaturatorSettings::default()
        },
        limiter: LimiterSettings {
            enabled: true,
            ceiling_dbtp,
            release: RELEASES[column],
            ..LimiterSettings::default()
        },
        ..ChainSettings::default()
    };
    Settings {
        chain,
        ..Settings::default()
    }
}

/// Whether a song has sound up to half the rate: both are mixed at 48 kHz.
fn reaches_up(rate_hz: u32) -> bool {
    rate_hz <= 48_000
}

/// The excerpt with the most energy, faded in and out over 5 ms so that its ends are no edges, with
/// silence for what the engine holds back.
fn loudest(song: &Song) -> Planes {
    let rate_hz = f64::from(song.sample_rate_hz);
    let (length, hop, fade) = (
        (if reaches_up(song.sample_rate_hz) {
            2.0
        } else {
            1.0
        } * rate_hz) as usize,
        (0.1 * rate_hz) as usize,
        (0.005 * rate_hz) as usize,
    );
    let frames = song.channels[0].len();
    let energy = |start: usize| -> f64 {
        song.channels
            .iter()
            .flat_map(|channel| &channel[start..start + length])
            .map(|sample| f64::from(*sample).powi(2))
            .sum()
    };
    let start = (0..frames - length)
        .step_by(hop)
        .max_by(|one, other| energy(*one).total_cmp(&energy(*other)))
        .unwrap();
    let mut excerpt = cut(&song.channels, start..start + length);
    for channel in &mut excerpt {
        for n in 0..fade {
            let gain = n as f32 / fade as f32;
            channel[n] *= gain;
            channel[length - 1 - n] *= gain;
        }
        channel.resize(length + 6_144, 0.0);
    }
    excerpt
}

/// From this push on the songs are limited, and reach the ceiling within this, dB.
const LEAST_LIMITED_DB: f64 = 12.0;
const LEAST_REACHED_DB: f64 = -0.3;

fn hold_the_ceiling(rate_hz: u32) {
    let mut failed = Vec::new();
    let turn = RATES_HZ.iter().position(|rate| *rate == rate_hz).unwrap();
    for (index, song) in [rink_lights(rate_hz), turnstile(rate_hz)]
        .iter()
        .enumerate()
    {
        let input = loudest(song);
        let mut worst = [[f64::MIN; 2]; 2];
        for (row, column) in (0..16).map(|cell| (cell / 4, cell % 4)) {
            if !reaches_up(rate_hz) && (row % 2 + column / 2 + turn + index) % 2 == 1 {
                continue;
            }
            let settings = combination(row, column);
            let ceiling_dbtp = settings.chain.limiter.ceiling_dbtp;
            let mut engine = engine(f64::from(rate_hz), 2);
            assert!(engine.latency_frames() < 6_000);
            let tracks = trace(&mut engine, &input, |_| settings, |_, _| ());
            let paths = [("clean", &tracks.clean), ("output", &tracks.output)];
            for ((name, path), worst) in paths.into_iter().zip(&mut worst) {
                let over_db = [peak_16x_dbtp(path, 0), true_peak_8x_dbtp(path, 0)]
                    .map(|dbtp| dbtp - ceiling_dbtp);
                for (worst, over_db) in worst.iter_mut().zip(over_db) {
                    *worst = worst.max(over_db);
                }
                // Nor is it turned down any farther than it must.
                let push_db = settings.chain.push.push_db;
                let too_low = push_db >= LEAST_LIMITED_DB && over_db[0] < LEAST_REACHED_DB;
                if too_low || over_db.iter().any(|over_db| *over_db > ALLOWED_DB) {
                    let (push, limiter) = (settings.chain.push, settings.chain.limiter);
                    failed.push(format!(
                        "{}, {name}, {push:?}, {limiter:?}: {over_db:+.3?} dB",
                        song.title
                    ));
                }
            }
        }
        println!(
            "{rate_hz} Hz, {}: clean {:+.4?} dB, output {:+.4?} dB (16 times, ebur128 at 8 times)",
            song.title, worst[0], worst[1]
        );
    }
    assert!(failed.is_empty(), "{rate_hz} Hz: {failed:#?}");
}

#[test]
fn the_songs_stay_under_the_ceiling_at_44_1_khz() {
    hold_the_ceiling(RATES_HZ[0]);
}

#[test]
fn the_songs_stay_under_the_ceiling_at_48_khz() {
    hold_the_ceiling(RATES_HZ[1]);
}

#[test]
fn the_songs_stay_under_the_ceiling_at_88_2_khz() {
    hold_the_ceiling(RATES_HZ[2]);
}

#[test]
fn the_songs_stay_under_the_ceiling_at_96_khz() {
    hold_the_ceiling(RATES_HZ[3]);
}

#[test]
fn the_songs_stay_under_the_ceiling_at_192_khz() {
    hold_the_ceiling(RATES_HZ[4]);
}

// Here and there in a song there is more above 0.45 of the rate than in its loudest seconds. The
// waveform itself stays under the ceiling there; a filter as short as that of a meter of ITU-R
// BS.1770 reads more, and this is what is said of it.
#[test]
fn of_a_whole_bright_song_pushed_hard_a_meter_reads_as_little_over_as_is_said() {
    const SAID_DB: f64 = 0.2;
    let song = rink_lights(48_000);
    let mut settings = combination(3, 1);
    settings.chain.limiter.release = Release::Automatic;
    settings.chain.saturator.shoulder_db = 3.0;
    let ceiling_dbtp = settings.chain.limiter.ceiling_dbtp;
    let mut engine = engine(48_000.0, 2);
    let tracks = trace(&mut engine, &song.channels, |_| settings, |_, _| ());
    let told = engine.snapshot();
    let own = [&told.clean, &told.output].map(|point| point.readings.true_peak_dbtp.unwrap());
    let by_crate = [&tracks.clean, &tracks.output].map(|track| true_peak_8x_dbtp(track, 0));
    let told = own.iter().chain(&by_crate);
    let over_db: Vec<f64> = told.map(|dbtp| dbtp - ceiling_dbtp).collect();
    println!(
        "{}, whole: clean and output, ours and ebur128 {over_db:+.3?} dB",
        song.title
    );
    assert!(over_db.iter().all(|over| *over <= SAID_DB), "{over_db:?}");
}

// What is read after a seam is what is there: the limiter keeps its ceiling from the first sample
// after a reset on, and a measurement that begins in the middle of a signal knows what came before.
#[test]
fn no_stop_and_no_restart_leaves_a_reading_over_the_ceiling() {
    let song = turnstile(48_000);
    let settings = Settings {
        chain: ChainSettings {
            push: PushSettings { push_db: 9.0 },
            limiter: LimiterSettings::default(),
            ..ChainSettings::default()
        },
        ..Settings::default()
    };
    for restart in [false, true] {
        let mut engine = engine(48_000.0, 2);
        let mut worst_dbtp = f64::MIN;
        let mut start = 30 * 48_000;
        for seam in 0..60 {
            let mut part = cut(&song.channels, start..start + 9_000 + 37 * seam);
            start += part[0].len();
            let [left, right] = &mut part[..] else {
                unreachable!("two channels");
            };
            engine.process(&mut [left, right], &[], &settings);
            // From the second on, what has just been read began at a seam.
            let snapshot = engine.snapshot();
            for point in [snapshot.clean, snapshot.output] {
                worst_dbtp = worst_dbtp.max(point.readings.true_peak_dbtp.unwrap());
            }
            if restart {
                engine.restart();
            } else {
                engine.reset();
            }
        }
        println!("restart {restart}: {worst_dbtp:.3} dBTP at most");
        assert!(worst_dbtp <= -1.0 + ALLOWED_DB, "{restart}: {worst_dbtp}");
    }
}

// A normal distribution's peaks stand far above its mean: at this level one in some hundreds is
// limited, each for itself. What lies above 0.45 of the rate between two samples is then in no
// neighbour's gain. This is what is said of it.
#[test]
fn of_noise_that_is_limited_now_and_then_a_meter_reads_as_little_over_as_is_said() {
    const SAID_DB: f64 = 0.4;
    for rate_hz in [44_100_u32, 48_000] {
        // Of twelve even ones of a peak of 0.05, added up: a standard deviation of 0.1.
        let frames = 10 * rate_hz as usize;
        let mut input = vec![vec![0.0_f32; frames]; 2];
        for seed in 0..12 {
            for (sum, one) in input.iter_mut().zip(noise(2, frames, 0.05, 100 + seed)) {
                sum.iter_mut().zip(one).for_each(|(sum, one)| *sum += one);
            }
        }
        let mut settings = Settings::default();
        settings.chain.push.push_db = 12.0;
        settings.chain.limiter.enabled = true;
        let ceiling_dbtp = settings.chain.limiter.ceiling_dbtp;
        let mut engine = engine(f64::from(rate_hz), 2);
        let tracks = trace(&mut engine, &input, |_| settings, |_, _| ());
        let told_dbtp = engine.snapshot().output.readings.true_peak_dbtp.unwrap();
        let dbtp = [
            told_dbtp,
            peak_16x_dbtp(&tracks.output, 0),
            true_peak_8x_dbtp(&tracks.output, 0),
        ];
        let over_db = dbtp.map(|dbtp| dbtp - ceiling_dbtp);
        println!("{rate_hz} Hz: own, 16 times, ebur128 {over_db:+.3?} dB");
        assert!(over_db.iter().all(|over| *over <= SAID_DB), "{over_db:?}");
        assert!(over_db.iter().all(|over| *over >= -0.2), "{over_db:?}");
    }
}

// A master clipped at full scale holds edges whose harmonics reach half the rate; the saturated path
// adds its own. This is what is said of it.
#[test]
fn of_a_clipped_master_a_meter_reads_as_little_over_as_is_said() {
    const SAID_DB: f64 = 0.4;
    const CLIPPED_BY_DB: f32 = 10.0;
    let rate_hz = 48_000;
    let mut input = turnstile(rate_hz).channels;
    let gain = 10.0_f32.powf(CLIPPED_BY_DB / 20.0);
    for sample in input.iter_mut().flatten() {
        *sample = (gain * *sample).clamp(-1.0, 1.0);
    }
    let mut settings = Settings::default();
    settings.chain.push.push_db = 16.5;
    settings.chain.saturator.enabled = true;
    settings.chain.limiter.enabled = true;
    let ceiling_dbtp = settings.chain.limiter.ceiling_dbtp;
    let mut engine = engine(f64::from(rate_hz), 2);
    trace(&mut engine, &input, |_| settings, |_, _| ());
    let snapshot = engine.snapshot();
    let told_dbtp = [snapshot.clean, snapshot.output].map(|point| point.readings.true_peak_dbtp);
    let over_db = told_dbtp.map(|dbtp| dbtp.unwrap() - ceiling_dbtp);
    println!("clipped master: clean, output {over_db:+.3?} dB");
    assert!(over_db.iter().all(|over| *over <= SAID_DB), "{over_db:?}");
}

/// How much white noise up to half the rate may pass the ceiling, in dB.
const ALLOWED_TO_NOISE_DB: f64 = 0.15;

#[test]
fn white_noise_up_to_half_the_rate_stays_under_the_ceiling_on_both_paths() {
    let mut worst = [f64::MIN; 2];
    for rate_hz in [44_100, 48_000] {
        let mut input = noise(2, 2 * rate_hz, 1.0, 7);
        for channel in &mut input {
            channel.resize(2 * rate_hz + 6_144, 0.0);
        }
        for (push_db, release, ceiling_dbtp) in [
            (6.0, Release::Automatic, -1.0),
            (12.0, Release::Automatic, -12.0),
            (12.0, Release::Manual(20.0), -1.0),
            (18.0, Release::Automatic, -1.0),
            (18.0, Release::Automatic, -12.0),
            (18.0, Release::Manual(20.0), -12.0),
        ] {
            let mut settings = Settings::default();
            settings.chain.push.push_db = push_db;
            settings.chain.saturator.enabled = true;
            settings.chain.limiter = LimiterSettings {
                enabled: true,
                ceiling_dbtp,
                release,
                ..LimiterSettings::default()
            };
            let mut engine = engine(rate_hz as f64, 2);
            let tracks = trace(&mut engine, &input, |_| settings, |_, _| ());
            for (worst, path) in worst.iter_mut().zip([&tracks.clean, &tracks.output]) {
                *worst = worst.max(peak_16x_dbtp(path, 0) - ceiling_dbtp);
            }
        }
    }
    println!("white noise: clean, output {worst:+.3?} dB");
    assert!(worst.iter().all(|worst| *worst < ALLOWED_TO_NOISE_DB));
}
