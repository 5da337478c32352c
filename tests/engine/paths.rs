//! The two paths side by side: what the saturator buys at equal push and at equal loudness, and the
//! ceiling that both keep.

#![allow(
    clippy::cast_sign_loss,
    clippy::large_types_passed_by_value,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test fails by panicking and prints its figures, in its helpers too"
)]

use std::f64::consts::TAU;
use std::sync::LazyLock;

use crestline_core::engine::{CHUNK, Settings};
use crestline_core::process::{ChainSettings, LimiterSettings, PushSettings, SaturatorSettings};
use kit::engine_run::{
    Planes, cut, engine, largest_step, loudness_lufs, low_passed, peak_16x_dbtp, play, trace,
    true_peak_8x_dbtp, true_peak_dbtp,
};
use songs::{Song, rink_lights};

static SONG: LazyLock<Song> = LazyLock::new(|| rink_lights(48_000));

const CEILING_DBTP: f64 = -1.0;

fn settings(push_db: f64, saturate: bool) -> Settings {
    let chain = ChainSettings {
        push: PushSettings { push_db },
        saturator: SaturatorSettings {
            enabled: saturate,
            ..SaturatorSettings::default()
        },
        limiter: LimiterSettings {
            ceiling_dbtp: CEILING_DBTP,
            ..LimiterSettings::default()
        },
        ..ChainSettings::default()
    };
    Settings {
        chain,
        ..Settings::default()
    }
}

/// What one path costs.
struct Price {
    loudness_lufs: f64,
    plr_db: f64,
    ldr_db: f64,
    mean_limiter_db: f64,
    lowest_limiter_db: f64,
    signal: Planes,
}

/// The whole song at this push: the clean path and the saturated one.
fn pushed(push_db: f64) -> [Price; 2] {
    let mut engine = engine(48_000.0, 2);
    let mut gains: [Vec<f64>; 2] = Default::default();
    let tracks = trace(
        &mut engine,
        &SONG.channels,
        |_| settings(push_db, true),
        |_, engine| {
            for (gains, gain_db) in gains.iter_mut().zip(engine.limiters_db()) {
                gains.push(gain_db.into());
            }
        },
    );
    let snapshot = engine.snapshot();
    let mut ldr = [
        snapshot.clean.readings.ldr_db,
        snapshot.output.readings.ldr_db,
    ]
    .into_iter();
    let mut gains = gains.into_iter();
    [tracks.clean, tracks.output].map(|signal| {
        let (gains, ldr_db) = (gains.next().unwrap(), ldr.next().unwrap().unwrap());
        let loudness_lufs = loudness_lufs(&signal, 48_000);
        Price {
            loudness_lufs,
            plr_db: true_peak_dbtp(&signal, 48_000) - loudness_lufs,
            ldr_db,
            mean_limiter_db: gains.iter().sum::<f64>() / gains.len() as f64,
            lowest_limiter_db: gains.iter().copied().fold(0.0, f64::min),
            signal,
        }
    })
}

fn print(name: &str, push_db: f64, price: &Price) {
    println!(
        "{name:9} push {push_db:5.2} dB: {:7.2} LUFS, PLR {:5.2} dB, LDR {:.3} dB, limiter {:.2} dB on average, {:.2} dB at most",
        price.loudness_lufs,
        price.plr_db,
        price.ldr_db,
        price.mean_limiter_db,
        price.lowest_limiter_db
    );
}

// The order is the one that engineers describe and that the sketch of the algorithm showed on other
// music: common practice says to bend the highest peaks so that the limiter has less to do.
// Loudness and true peak by the `ebur128` crate.
#[test]
fn at_equal_loudness_the_saturated_path_limits_less_and_keeps_more_of_the_beat() {
    let push_db = 9.0;
    let [clean, saturated] = pushed(push_db);
    let mut saturated_push_db = push_db;
    let mut matched = None;
    for _ in 0..8 {
        let found: &Price = matched.as_ref().unwrap_or(&saturated);
        let missing_lu = clean.loudness_lufs - found.loudness_lufs;
        if missing_lu.abs() < 0.05 {
            break;
        }
        saturated_push_db += missing_lu * 1.1;
        let [_, next] = pushed(saturated_push_db);
        matched = Some(next);
    }
    let matched = matched.unwrap();
    print("clean", push_db, &clean);
    print("saturated", push_db, &saturated);
    print("as loud", saturated_push_db, &matched);

    assert!(
        saturated.mean_limiter_db > clean.mean_limiter_db
            && saturated.lowest_limiter_db > clean.lowest_limiter_db
    );
    assert!((matched.loudness_lufs - clean.loudness_lufs).abs() < 0.05);
    assert!(
        matched.mean_limiter_db > clean.mean_limiter_db
            && matched.lowest_limiter_db > clean.lowest_limiter_db
    );
    assert!(
        matched.ldr_db > clean.ldr_db,
        "{} {}",
        matched.ldr_db,
        clean.ldr_db
    );
    for price in [&clean, &saturated] {
        // At one ceiling PLR says nothing that loudness does not: true peak less loudness
        // (definition).
        let [by_crate, interpolated] = [
            true_peak_8x_dbtp(&price.signal, 0),
            peak_16x_dbtp(&price.signal, 0),
        ];
        let plain = true_peak_dbtp(&price.signal, 48_000);
        println!(
            "true peak {by_crate:.3} dBTP by ebur128 at 8 times, {interpolated:.3} dBTP at 16 times, {plain:.3} dBTP by ebur128 alone"
        );
        assert!(by_crate <= CEILING_DBTP + 0.05 && interpolated <= CEILING_DBTP + 0.05);
    }
}

// The `ebur128` crate at eight times the rate, and interpolation through the spectrum at sixteen
// times.
#[test]
fn both_paths_keep_any_ceiling_on_a_programme_that_reaches_to_0_45_of_the_rate() {
    let mut song = cut(&SONG.channels, 28 * 48_000..36 * 48_000);
    for channel in &mut song {
        *channel = low_passed(channel);
        // Cut off, its end would be a peak of its own.
        channel[8 * 48_000 - 4_800..].fill(0.0);
        let end = 8 * 48_000 - 9_600..8 * 48_000 - 4_800;
        channel[end]
            .iter_mut()
            .rev()
            .enumerate()
            .for_each(|(n, sample)| *sample *= n as f32 / 4_800.0);
    }
    for ceiling_dbtp in [-1.0, -6.0, -12.0] {
        let mut settings = settings(12.0, true);
        settings.chain.limiter.ceiling_dbtp = ceiling_dbtp;
        let tracks = trace(&mut engine(48_000.0, 2), &song, |_| settings, |_, _| ());
        for (name, path) in [("clean", &tracks.clean), ("output", &tracks.output)] {
            let peaks_dbtp = [true_peak_8x_dbtp(path, 0), peak_16x_dbtp(path, 0)];
            println!("ceiling {ceiling_dbtp} dBTP, {name}: {peaks_dbtp:.3?} dBTP");
            assert!(peaks_dbtp.iter().all(|peak| *peak <= ceiling_dbtp + 0.05));
        }
    }
}

/// Two low tones: their own steps are so small that any other would stand out.
fn low_tones(seconds: f64) -> Planes {
    let tone = |hz: f64| {
        (0..(seconds * 48_000.0) as usize)
            .map(move |n| (0.35 * (TAU * hz * n as f64 / 48_000.0).sin()) as f32)
    };
    vec![
        tone(41.0).zip(tone(67.0)).map(|(a, b)| a + b).collect(),
        tone(53.0).collect(),
    ]
}

#[test]
fn switching_the_saturator_makes_no_step_of_its_own() {
    let song = cut(&SONG.channels, 20 * 48_000..30 * 48_000);
    // In a song the steps of both lie anywhere, and fading between them adds a trace (0.002 %).
    for (name, input, more) in [
        ("low tones", low_tones(4.0), 1.000_001),
        ("song", song, 1.000_03),
    ] {
        let run = |saturate: &dyn Fn(usize) -> bool| {
            play(
                &mut engine(48_000.0, 2),
                &input,
                || 160,
                |start| settings(9.0, saturate(start)),
            )
        };
        let own = largest_step(&run(&|_| false)).max(largest_step(&run(&|_| true)));
        // Every 100 ms, and in the middle of fades and warm-ups.
        let slow = largest_step(&run(&|start| start / 4_800 % 2 == 1));
        let fast = largest_step(&run(&|start| start / 160 % 7 < 3));
        println!(
            "{name}: largest step {own:.6}, with the saturator switched {slow:.6} and {fast:.6}"
        );
        assert!(slow <= own * more && fast <= own * more);
    }
}

/// How a limiter lets go follows 1.4 s of its past. The one behind the saturator has none of its
/// own when it is woken, and goes on with that of the clean path.
#[test]
fn a_saturator_switched_on_is_limited_as_if_it_had_always_been_on() {
    let song = cut(&SONG.channels, 20 * 48_000..26 * 48_000);
    let gains_db = |from: usize| {
        let mut gains_db = Vec::new();
        trace(
            &mut engine(48_000.0, 2),
            &song,
            |start| settings(12.0, start >= from),
            |_, engine| gains_db.push(engine.limiters_db()[1]),
        );
        gains_db
    };
    let (always, later) = (gains_db(0), gains_db(3 * 48_000));
    // It is heard after latency, warm-up and fade: 0.1 s.
    let heard = (3.1_f64 * 48_000.0 / CHUNK as f64).ceil() as usize;
    let second = 48_000 / CHUNK;
    let differences = |range: std::ops::Range<usize>| {
        let pairs = always[range.clone()].iter().zip(&later[range]);
        pairs.map(|(a, b)| (a - b).abs()).collect::<Vec<f32>>()
    };
    let first = differences(heard..heard + second);
    let worst_db = first.iter().copied().fold(0.0, f32::max);
    let mean_db = first.iter().sum::<f32>() / first.len() as f32;
    println!(
        "first second of saturation: gains differ by {mean_db:.3} dB, at most {worst_db:.3} dB"
    );
    assert!(mean_db < 0.03 && worst_db < 0.33);
    let settled = differences(heard + 2 * second..always.len());
    assert!(settled.iter().all(|difference| *difference < 1e-3));
}

/// Without a link each channel is limited by itself: what it adds is what it would add alone.
#[test]
fn a_limiter_that_is_not_linked_distorts_no_more_than_its_channels_alone() {
    let song = cut(&SONG.channels, 20 * 48_000..32 * 48_000);
    let mut unlinked = settings(8.0, false);
    unlinked.chain.limiter.link_percent = 0.0;
    let distortion_db = |planes: &Planes| {
        let mut engine = engine(48_000.0, planes.len());
        play(&mut engine, planes, || 480, |_| unlinked);
        let told = engine.snapshot().clean_reduction.distortion.mean_db;
        f64::from(told.unwrap())
    };
    let alone = song
        .iter()
        .map(|channel| distortion_db(&vec![channel.clone()]));
    let alone: Vec<f64> = alone.collect();
    let both = distortion_db(&song);
    println!("both {both:.1} dB, alone {alone:.1?} dB");
    let (least, most) = (alone[0].min(alone[1]), alone[0].max(alone[1]));
    assert!((least - 1.0..most + 1.0).contains(&both));
}
