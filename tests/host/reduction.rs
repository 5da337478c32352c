//! The before tap as a host drives it: main bus and side-chain in, the reading back through a
//! read-only parameter.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that goes wrong"
)]

use clack_extensions::params::ParamInfoFlags;
use crestline_core::dsp::crossover::Crossover;
use rig::clap_host::{Change, ClapHost, Param, Run};
use songs::rink_lights;
use std::time::{Duration, Instant};
use wide::f64x2;

const RATE_HZ: f64 = 48_000.0;

fn param(host: &mut ClapHost, name: &str) -> Param {
    host.param(name)
        .unwrap_or_else(|_| panic!("no parameter is called {name}"))
}

fn reading(host: &mut ClapHost) -> String {
    let param = param(host, "Before tap reading");
    let value = host.value(param.id).unwrap();
    host.text(param.id, value).unwrap()
}

/// 20 s of the song in step with what a process makes of it: the band from 1 to 6 kHz turned down
/// by 6 dB for a fifth of the time.
fn processed(channels: usize) -> (Vec<Vec<f32>>, Vec<Vec<f32>>) {
    let song = rink_lights(48_000);
    let mut crossover: Crossover = Crossover::new(RATE_HZ);
    let (mut before, mut after) = (vec![Vec::new(); channels], vec![Vec::new(); channels]);
    for frame in 20 * 48_000..40 * 48_000 {
        let samples = song
            .channels
            .each_ref()
            .map(|channel| f64::from(channel[frame]));
        let [a, b, c, d] = crossover.split(f64x2::new(samples)).map(f64x2::to_array);
        let gain = if frame % 240_000 < 48_000 { 0.5 } else { 1.0 };
        for channel in 0..channels {
            let rest = a[channel] + b[channel] + d[channel];
            before[channel].push((rest + c[channel]) as f32);
            after[channel].push((rest + gain * c[channel]) as f32);
        }
    }
    (before, after)
}

/// Energy of the band from 1 to 6 kHz in a stretch of a signal.
fn band_energy(signal: &[Vec<f32>], range: std::ops::Range<usize>) -> f64 {
    let mut crossover: Crossover = Crossover::new(RATE_HZ);
    let samples = signal[0].iter().zip(&signal[1]).enumerate().take(range.end);
    samples
        .map(|(frame, (left, right))| {
            let [_, _, band, _] =
                crossover.split(f64x2::new([f64::from(*left), f64::from(*right)]));
            let [left, right] = band.to_array();
            if range.contains(&frame) {
                left * left + right * right
            } else {
                0.0
            }
        })
        .sum()
}

/// The side-chain first, the main bus `delay` frames later and upside down.
fn staggered(
    before: &[Vec<f32>],
    after: &[Vec<f32>],
    delay: usize,
) -> (Vec<Vec<f32>>, Vec<Vec<f32>>) {
    let frames = before[0].len() - delay;
    let side = before
        .iter()
        .map(|channel| channel[delay..].to_vec())
        .collect();
    let main = after
        .iter()
        .map(|channel| channel[..frames].iter().map(|sample| -sample).collect())
        .collect();
    (main, side)
}

/// Plays over and over, as the thread that looks for the delay goes by the clock, until the reading
/// is as wanted.
fn repeat_until(host: &mut ClapHost, run: Run<'_>, wanted: impl Fn(&str) -> bool) -> String {
    let start = Instant::now();
    loop {
        host.run(run).unwrap();
        let text = reading(host);
        if wanted(&text) {
            return text;
        }
        assert!(start.elapsed() < Duration::from_mins(1), "{text}");
    }
}

fn play_until(
    host: &mut ClapHost,
    main: &[Vec<f32>],
    side: Option<&[Vec<f32>]>,
    wanted: impl Fn(&str) -> bool,
) -> String {
    let run = Run {
        side_chain: side,
        ..Run::new(main, &[512, 64, 333])
    };
    repeat_until(host, run, wanted)
}

fn set(host: &mut ClapHost, channels: usize, name: &str, value: f64) {
    let id = param(host, name).id;
    let silence = vec![vec![0.0; 512]; channels];
    host.run(Run {
        changes: &[Change {
            frame: 0,
            id,
            value,
        }],
        ..Run::new(&silence, &[512])
    })
    .unwrap();
}

/// The numbers between two words of the reading.
fn numbers(text: &str, from: &str, to: &str) -> Vec<f64> {
    let part = text.split_once(from).unwrap().1.split_once(to).unwrap().0;
    part.split_whitespace()
        .map(|number| number.parse().unwrap())
        .collect()
}

#[test]
fn a_tap_is_aligned_and_measured_through_the_host() {
    let (before, after) = processed(2);
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    host.activate(RATE_HZ, 512).unwrap();
    assert_eq!(reading(&mut host), "off");
    set(
        &mut host,
        2,
        "Side-chain carries the signal from before",
        1.0,
    );
    let (main, side) = staggered(&before, &after, 1_234);
    // First without anything connected.
    play_until(&mut host, &main, None, |text| text == "no side-chain");
    play_until(&mut host, &main, Some(&side), |text| {
        text.starts_with("aligned")
    });
    // From here on the reading does not depend on the clock: it is that of the last 3 s. First 11.5
    // s to 14.5 s, at rest.
    let part = |signal: &[Vec<f32>], frames: usize| -> Vec<Vec<f32>> {
        signal
            .iter()
            .map(|channel| channel[..frames].to_vec())
            .collect()
    };
    let text = play_until(
        &mut host,
        &part(&main, 696_000),
        Some(&part(&side, 696_000)),
        |text| text.starts_with("aligned"),
    );
    println!("{text}");
    assert!(
        text.starts_with("aligned, delay 1234 samples, polarity inverted; reduction "),
        "{text}"
    );
    let reduction = numbers(&text, "reduction", "dB;");
    assert!(reduction.iter().all(|band| band.abs() < 0.2), "{text}");
    assert!(numbers(&text, "distortion", "dB")[0] < -60.0, "{text}");
    // Then 12.9 s to 15.9 s, of which the last 0.9 s are at −6 dB.
    let text = play_until(
        &mut host,
        &part(&main, 764_000),
        Some(&part(&side, 764_000)),
        |text| text.starts_with("aligned"),
    );
    println!("{text}");
    let reduction = numbers(&text, "reduction", "dB;");
    // The mean is weighted by the band's energy before.
    let energy = band_energy(&before, 764_000 - 144_000..764_000);
    let turned_down = band_energy(&before, 720_000..764_000);
    let expected = 6.0206 * turned_down / energy;
    assert!(
        (reduction[2] - expected).abs() < 0.3,
        "{text}, not {expected}"
    );
    assert!(
        [0, 1, 3].iter().all(|band| reduction[*band].abs() < 0.3),
        "{text}"
    );
    // A gain at rest by hand moves all of them.
    set(&mut host, 2, "Automatic gain at rest", 0.0);
    // As CLAP sees it, from −24 to 24 dB.
    set(&mut host, 2, "Gain at rest", (10.0 + 24.0) / 48.0);
    let moved = numbers(&reading(&mut host), "reduction", "dB;");
    for (moved, reduction) in moved.iter().zip(&reduction) {
        assert!(
            (moved - reduction - 10.0).abs() < 0.3,
            "{moved} {reduction}"
        );
    }
}

#[test]
fn a_host_that_passes_the_main_port_alone_has_no_side_chain() {
    let (before, after) = processed(2);
    let part = |signal: &[Vec<f32>]| -> Vec<Vec<f32>> {
        signal
            .iter()
            .map(|channel| channel[..96_000].to_vec())
            .collect()
    };
    let (before, after) = (part(&before), part(&after));
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    host.activate(RATE_HZ, 512).unwrap();
    set(
        &mut host,
        2,
        "Side-chain carries the signal from before",
        1.0,
    );
    // What lies behind the port is related: read all the same, it would be listened to.
    let alone = Run {
        side_chain: Some(&before),
        main_port_alone: true,
        ..Run::new(&after, &[512])
    };
    repeat_until(&mut host, alone, |text| text == "no side-chain");
    let both = Run {
        main_port_alone: false,
        ..alone
    };
    repeat_until(&mut host, both, |text| text != "no side-chain");
}

#[test]
fn mono_works_and_what_is_not_related_is_told() {
    let (before, after) = processed(1);
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    let mono = host
        .layouts()
        .unwrap()
        .into_iter()
        .find(|layout| layout.main_input_channels == 1)
        .unwrap();
    host.select_layout(mono.id).unwrap();
    host.activate(RATE_HZ, 512).unwrap();
    set(
        &mut host,
        1,
        "Side-chain carries the signal from before",
        1.0,
    );
    // The other half of the song is another signal.
    let half = before[0].len() / 2;
    let other = [before[0][half..].to_vec()];
    let main = [after[0][..half].to_vec()];
    play_until(&mut host, &main, Some(&other), |text| text == "not related");
    let (main, side) = staggered(&before, &after, 7);
    let text = play_until(&mut host, &main, Some(&side), |text| {
        text.starts_with("aligned")
    });
    assert!(
        text.starts_with("aligned, delay 7 samples, polarity inverted"),
        "{text}"
    );
    set(
        &mut host,
        1,
        "Side-chain carries the signal from before",
        0.0,
    );
    assert_eq!(reading(&mut host), "off");
}

#[test]
fn the_reading_can_only_be_read() {
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    let param = param(&mut host, "Before tap reading");
    assert!(
        param
            .flags
            .contains(ParamInfoFlags::IS_READONLY | ParamInfoFlags::IS_HIDDEN),
        "{:?}",
        param.flags
    );
    assert!(!param.flags.contains(ParamInfoFlags::IS_AUTOMATABLE));
}
