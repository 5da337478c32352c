//! The before tap as a host drives it: main bus and side-chain in, the reading back through a
//! read-only parameter.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that goes wrong"
)]

use clack_extensions::params::ParamInfoFlags;
use kit::before_after::{CORNERS_HZ, split};
use kit::pause::pause;
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
    let frames = 20 * 48_000..40 * 48_000;
    let song = rink_lights(48_000);
    let part = song.channels.each_ref();
    let part = part.map(|channel| &channel[frames.clone()]);
    let bands = split(RATE_HZ, CORNERS_HZ, part);
    let (mut before, mut after) = (vec![Vec::new(); channels], vec![Vec::new(); channels]);
    for (frame, bands) in frames.zip(bands) {
        let [a, b, c, d] = bands.map(f64x2::to_array);
        let gain = if frame % 240_000 < 48_000 { 0.5 } else { 1.0 };
        for channel in 0..channels {
            let rest = a[channel] + b[channel] + d[channel];
            before[channel].push((rest + c[channel]) as f32);
            after[channel].push((rest + gain * c[channel]) as f32);
        }
    }
    (before, after)
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

/// Plays over and over, half a second at a time and then a while for the thread that compares,
/// until the reading is as wanted. The while is a tenth of real time, and longer each time round: a
/// slow machine that has no time for the comparison begins it anew again and again.
fn repeat_until(host: &mut ClapHost, run: Run<'_>, wanted: impl Fn(&str) -> bool) -> String {
    const PIECE: usize = 24_000;
    let start = Instant::now();
    let mut length = Duration::from_millis(50);
    let cut = |signal: &[Vec<f32>], from: usize| -> Vec<Vec<f32>> {
        let to = |channel: &Vec<f32>| channel.len().min(from + PIECE);
        signal
            .iter()
            .map(|channel| channel[from..to(channel)].to_vec())
            .collect()
    };
    loop {
        for from in (0..run.main[0].len()).step_by(PIECE) {
            let main = cut(run.main, from);
            let side = run.side_chain.map(|side| cut(side, from));
            host.run(Run {
                main: &main,
                side_chain: side.as_deref(),
                ..run
            })
            .unwrap();
            let text = reading(host);
            if wanted(&text) {
                return text;
            }
            assert!(start.elapsed() < Duration::from_mins(10), "{text}");
            pause(length);
        }
        length = (2 * length).min(Duration::from_millis(400));
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
    play_until(&mut host, &main, Some(&side), |text| text == "settling");
    // The means of 3 s of which some are at rest altogether and some are in part at −6 dB.
    let reads = |text: &str, wanted: fn([f64; 4], f64) -> bool| {
        let told = text.starts_with("aligned, delay 1234 samples, polarity inverted; reduction ");
        told && !text.contains('—') && {
            let reduction = numbers(text, "reduction", "dB;");
            let distortion = numbers(text, "distortion", "dB")[0];
            wanted([0, 1, 2, 3].map(|band| reduction[band]), distortion)
        }
    };
    let text = play_until(&mut host, &main, Some(&side), |text| {
        reads(text, |bands, distortion| {
            bands.iter().all(|band| band.abs() < 0.3) && distortion < -50.0
        })
    });
    println!("{text}");
    let text = play_until(&mut host, &main, Some(&side), |text| {
        reads(text, |[low, low_mid, high_mid, high], _| {
            let others = [low, low_mid, high];
            (1.0..6.2).contains(&high_mid) && others.iter().all(|band| band.abs() < 0.3)
        })
    });
    println!("{text}");
    // A gain at rest by hand moves all of them.
    set(&mut host, 2, "Automatic gain at rest", 0.0);
    // As CLAP sees it, from −24 to 24 dB.
    set(&mut host, 2, "Gain at rest", (10.0 + 24.0) / 48.0);
    let text = play_until(&mut host, &main, Some(&side), |text| {
        reads(text, |bands, _| {
            bands.iter().all(|band| (9.5..16.5).contains(band))
        })
    });
    println!("{text}");
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
    assert!(param.flags.contains(ParamInfoFlags::IS_READONLY));
    assert!(!param.flags.contains(ParamInfoFlags::IS_AUTOMATABLE));
}
