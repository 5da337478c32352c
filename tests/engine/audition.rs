//! Listening to a reference: it loops without a seam, is as loud as the mix, and comes and goes
//! like every other source.
//!
//! Loudness is that of the `ebur128` crate; what a crossfade may do follows from its definition.

#![allow(
    clippy::large_types_passed_by_value,
    reason = "settings are made anew for every block"
)]

use crate::listen::with;
use crate::rises::{assert_no_jump, level_db};
use crestline_core::engine::{CHUNK, Engine};
use crestline_core::handover::{AuditionError, AuditionLoop, AuditionSender, audition};
use crestline_core::process::{
    ChainSettings, LimiterSettings, ListenSettings, PushSettings, SaturatorSettings,
    ShelvesSettings, Source,
};
use kit::engine_run::{
    Planes, cut, engine, everything_on, in_blocks, largest_step, loudness_lufs, noise, play,
};
use songs::{rink_lights, turnstile};
use std::f64::consts::{PI, TAU};

const RATE_HZ: u32 = 48_000;
const SECOND: usize = 48_000;
/// The crossfade of every switch and of the seam, 20 ms.
const FADE: usize = 960;
/// Four bars of four at 108 beats a minute.
const FOUR_BARS: usize = 426_667;

fn looped(planes: &[Vec<f32>]) -> AuditionLoop {
    AuditionLoop::new(f64::from(RATE_HZ), 2, planes.to_vec()).unwrap()
}

fn scaled(planes: &[Vec<f32>], db: f64) -> Planes {
    let gain = 10_f64.powf(db / 20.0) as f32;
    let channel = |channel: &Vec<f32>| channel.iter().map(|sample| sample * gain).collect();
    planes.iter().map(channel).collect()
}

fn tones(hz: [f64; 2], peak: f64, frames: usize) -> Planes {
    let of = |hz: f64| {
        let sample = |n: usize| (peak * (TAU * hz * n as f64 / f64::from(RATE_HZ)).sin()) as f32;
        (0..frames).map(sample).collect()
    };
    hz.map(of).to_vec()
}

/// `frames` of a loop from its beginning, in portions of odd sizes.
fn played(of: &AuditionLoop, frames: usize) -> Planes {
    let mut planes = vec![vec![0.0; frames]; 2];
    let [left, right] = &mut planes[..] else {
        unreachable!()
    };
    let (mut position, mut start) = (0, 0);
    while start < frames {
        let end = frames.min(start + 1 + (start * 7_919) % 611);
        position = of.play(position, [&mut left[start..end], &mut right[start..end]]);
        start = end;
    }
    planes
}

fn auditioning(channels: usize) -> (AuditionSender, Engine) {
    let (sender, receiver) = audition();
    let engine = engine(f64::from(RATE_HZ), channels).with_audition(receiver);
    (sender, engine)
}

fn heard(reference: bool, matched: bool) -> ListenSettings {
    ListenSettings {
        reference,
        matched,
        ..ListenSettings::default()
    }
}

fn pushed() -> ChainSettings {
    ChainSettings {
        push: PushSettings { push_db: 9.0 },
        saturator: SaturatorSettings {
            enabled: true,
            ..SaturatorSettings::default()
        },
        limiter: LimiterSettings::default(),
        ..ChainSettings::default()
    }
}

fn darker() -> ChainSettings {
    ChainSettings {
        shelves: ShelvesSettings {
            high_gain_db: -6.0,
            low_gain_db: -3.0,
            ..ShelvesSettings::default()
        },
        ..ChainSettings::default()
    }
}

/// Four bars in which the whole band plays, again and again.
fn mix(frames: usize) -> Planes {
    let song = rink_lights(RATE_HZ);
    let once = cut(&song.channels, 3 * FOUR_BARS..4 * FOUR_BARS);
    let again = |channel: &Vec<f32>| channel.iter().copied().cycle().take(frames).collect();
    once.iter().map(again).collect()
}

// In the seam two signals of peak A are weighted by the sine and the cosine of a quarter turn in N
// frames: neither the sum of the weights (at most √2) nor their change a frame (π/2N each, √2 of
// that together) allows for more.
#[test]
fn the_seam_has_no_step_of_its_own() {
    for seconds in [3.037, 4.211, 5.5] {
        let frames = (seconds * f64::from(RATE_HZ)) as usize;
        let material = tones([47.0, 61.3], 0.5, frames);
        let of = looped(&material);
        assert_eq!(of.frames(), frames - FADE);
        let heard = played(&of, 3 * frames);
        let root = 2_f64.sqrt();
        let allowed =
            root * f64::from(largest_step(&material)) + root * 0.5 * PI / (2.0 * FADE as f64);
        let found = f64::from(largest_step(&heard));
        println!("{seconds} s: step {found:.6} of {allowed:.6}");
        assert!(found <= allowed);
        // Past the seam it is the material itself.
        let (inside, from) = (FADE..frames - FADE, of.frames());
        for channel in 0..2 {
            let again = &heard[channel][from + inside.start..from + inside.end];
            assert_eq!(again, &material[channel][inside.clone()]);
        }
    }
}

#[test]
fn a_loop_is_as_loud_as_it_is_heard_to_be() {
    let song = turnstile(RATE_HZ);
    let stereo = cut(&song.channels, 0..SECOND * 20);
    for (planes, channels) in [(2, 2), (2, 1), (1, 2), (1, 1)] {
        let of =
            AuditionLoop::new(f64::from(RATE_HZ), channels, stereo[..planes].to_vec()).unwrap();
        let mut heard = played(&of, 5 * of.frames());
        heard.truncate(channels);
        let by_library = loudness_lufs(&heard, RATE_HZ);
        println!(
            "{planes} on {channels}: {:.3} of {by_library:.3} LUFS",
            of.integrated_lufs()
        );
        assert!((of.integrated_lufs() - by_library).abs() < 0.05);
    }
}

// The bound is that of the input, +80 dBFS.
#[test]
fn what_is_no_audio_is_not_played() {
    let mut planes = tones([220.0, 330.0], 0.5, 200_000);
    let faults = [f32::NAN, f32::INFINITY, 1e30, f32::MAX, -2e4];
    for (index, fault) in faults.into_iter().enumerate() {
        planes[index % 2][index] = fault;
        planes[index % 2][199_999 - index] = fault;
    }
    for channels in [1, 2] {
        let reference = AuditionLoop::new(48_000.0, channels, planes.clone()).unwrap();
        let played = played(&reference, 200_000);
        let samples = played.iter().flatten();
        let peak = samples.fold(0.0_f32, |peak, sample| {
            assert!(sample.is_finite());
            peak.max(sample.abs())
        });
        println!("{channels} channels: a peak of {peak}");
        assert!(peak < 1.0, "{peak}");
    }
}

#[test]
fn what_cannot_be_compared_is_refused() {
    let make = |planes: Planes| AuditionLoop::new(f64::from(RATE_HZ), 2, planes).map(|_| ());
    let short = tones([100.0; 2], 0.5, 3 * SECOND - 1);
    assert_eq!(make(short), Err(AuditionError::TooShort));
    assert_eq!(make(Vec::new()), Err(AuditionError::TooShort));
    let silent = vec![vec![0.0; 4 * SECOND]; 2];
    assert_eq!(make(silent), Err(AuditionError::Silent));
    assert_eq!(
        make(vec![vec![f32::NAN; 4 * SECOND]]),
        Err(AuditionError::Silent)
    );
}

#[test]
fn without_a_reference_the_switch_changes_nothing() {
    let input = mix(2 * SECOND);
    let all = everything_on();
    for source in [Source::Output, Source::Clean, Source::Residue] {
        let listen = |reference| ListenSettings {
            source,
            reference,
            ..ListenSettings::default()
        };
        let (_sender, mut engine) = auditioning(2);
        let on = play(&mut engine, &input, || 512, |_| with(all, listen(true)));
        let (_sender, mut engine) = auditioning(2);
        let off = play(&mut engine, &input, || 512, |_| with(all, listen(false)));
        assert!(on == off, "{source:?}");
    }
}

#[test]
fn unmatched_it_is_heard_as_it_is() {
    for channels in [2, 1] {
        for planes in [1, 2] {
            let reference = noise(planes, 4 * SECOND, 0.3, 5);
            let of = AuditionLoop::new(f64::from(RATE_HZ), channels, reference).unwrap();
            let expected = played(&of, 3 * of.frames());
            let input = noise(channels, 6 * SECOND, 0.5, 6);
            let (mut sender, mut engine) = auditioning(channels);
            sender.send(of).unwrap();
            let settings = with(ChainSettings::default(), heard(true, false));
            let found = play(&mut engine, &input, || 512, |_| settings);
            // Taken at once: nothing was heard before.
            for (found, expected) in found.iter().zip(&expected) {
                assert!(
                    found[..] == expected[..found.len()],
                    "{planes} on {channels}"
                );
            }
        }
    }
}

// Loudness of what the host receives: the mix over whole rounds of its four bars, the reference
// over whole rounds of its loop.
#[test]
fn a_matched_reference_is_as_loud_as_the_output() {
    let song = turnstile(RATE_HZ);
    let reference = cut(&song.channels, SECOND * 10..SECOND * 22);
    let mut worst = 0.0_f64;
    for (name, chain, references_db) in [
        ("neutral", ChainSettings::default(), &[0.0, -16.0][..]),
        ("pushed", pushed(), &[6.0, -16.0]),
        ("darker", darker(), &[-6.0]),
    ] {
        for db in references_db {
            let of = looped(&scaled(&reference, *db));
            let round = of.frames();
            // Output, reference, output, reference, each from a second on.
            let (first, second) = (12 * SECOND, 12 * SECOND + round + SECOND);
            let third = second + SECOND + FOUR_BARS;
            let input = mix(third + SECOND + round);
            let (mut sender, mut engine) = auditioning(2);
            sender.send(of).unwrap();
            let on = |start: usize| start >= third || (first..second).contains(&start);
            let settings = |start| with(chain, heard(on(start), true));
            let found = play(&mut engine, &input, || CHUNK, settings);
            let lufs = |from: usize, frames: usize| {
                loudness_lufs(&cut(&found, from + SECOND..from + SECOND + frames), RATE_HZ)
            };
            let (before, once) = (lufs(2 * SECOND, FOUR_BARS), lufs(first, round));
            let (output, again) = (lufs(second, FOUR_BARS), lufs(third, round));
            println!(
                "{name}, {db} dB: output {before:.2}, reference {once:.2}, output {output:.2}, reference {again:.2} LUFS"
            );
            worst = worst.max((output - once).abs()).max((output - again).abs());
            assert!((output - once).abs() < 0.2 && (output - again).abs() < 0.2);
            // A reference that is the louder one changes nothing of how the mix is heard.
            let turned_down = before - output;
            assert!(turned_down > -0.2, "{name}, {db} dB: {turned_down:.2}");
            assert!(turned_down < 0.2 || (once - again).abs() < 0.2);
        }
    }
    println!("at most {worst:.3} LU apart");
}

// What a mix does by itself must stay: its quiet part is as much quieter than its loud one as it
// was.
#[test]
fn a_quieter_reference_does_not_level_the_mix() {
    let mut input = mix(60 * SECOND);
    for channel in &mut input {
        channel[36 * SECOND..]
            .iter_mut()
            .for_each(|sample| *sample *= 0.4);
    }
    let reference = noise(2, 5 * SECOND, 0.02, 8);
    let (mut sender, mut engine) = auditioning(2);
    sender.send(looped(&reference)).unwrap();
    let on = |start: usize| (12 * SECOND..14 * SECOND).contains(&start);
    let settings = |start| with(ChainSettings::default(), heard(on(start), true));
    let found = play(&mut engine, &input, || CHUNK, settings);
    let gain_db = |frame: usize| {
        let level = |planes: &Planes| {
            let part = &planes[0][frame..frame + SECOND];
            part.iter()
                .map(|sample| f64::from(*sample).powi(2))
                .sum::<f64>()
        };
        let before = cut(&input, 0..input[0].len() - engine.latency_frames());
        let delayed: Planes = before
            .iter()
            .map(|channel| [vec![0.0; engine.latency_frames()], channel.clone()].concat())
            .collect();
        10.0 * (level(&found) / level(&delayed)).log10()
    };
    let gains = [10, 15, 34, 38, 58].map(|second| gain_db(second * SECOND));
    println!("gain before, after, later, and of the quiet part: {gains:.2?} dB");
    assert!(gains[0].abs() < 0.01 && gains[1] < -6.0);
    assert!(gains[2..].iter().all(|gain| (gain - gains[1]).abs() < 0.01));
}

/// What happens at the switch.
#[derive(Clone, Copy, Debug)]
enum Switch {
    Listen(ListenSettings),
    Send(f32),
    Clear,
}

// The rule of every switch of what is heard: 3 dB in 100 ms at the most unless it is announced,
// there within a second and a tenth, and downwards at once.
#[test]
fn whatever_is_louder_rises_over_a_second() {
    use Switch::{Clear, Listen, Send};
    const AT: usize = 5 * SECOND;
    const TENTH: usize = SECOND / 10;
    let input = noise(2, 8 * SECOND, 0.1, 3);
    let (mix, reference) = (heard(false, false), heard(true, false));
    let (mix_matched, matched) = (heard(false, true), heard(true, true));
    let cases = [
        (mix, 0.5, Listen(reference)),
        (reference, 0.01, Listen(mix)),
        (reference, 0.01, Send(0.3)),
        (reference, 0.3, Send(0.01)),
        (reference, 0.01, Clear),
        (reference, 0.5, Clear),
        (matched, 0.5, Listen(reference)),
        (matched, 0.01, Listen(mix)),
        (matched, 0.01, Clear),
        (mix_matched, 0.01, Listen(matched)),
        (mix_matched, 0.5, Listen(reference)),
    ];
    for (from, peak, switch) in cases {
        let (mut sender, mut engine) = auditioning(2);
        sender.send(looped(&noise(2, 4 * SECOND, peak, 4))).unwrap();
        let mut announced = 0.0_f32;
        let mut done = false;
        let found = in_blocks(
            &input,
            || CHUNK,
            |block, start| {
                let mut listen = from;
                if start >= AT {
                    match switch {
                        Listen(to) => listen = to,
                        Send(peak) if !done => {
                            sender.send(looped(&noise(2, 4 * SECOND, peak, 5))).unwrap();
                        }
                        Clear if !done => sender.clear(),
                        Send(_) | Clear => {}
                    }
                    done = true;
                }
                engine.process(block, &[], &with(ChainSettings::default(), listen));
                announced = announced.max(engine.snapshot().activity.rising_db);
            },
        );
        let end = AT + CHUNK;
        let before = level_db(&found, AT - SECOND..AT);
        let soon = level_db(&found, end + TENTH - FADE..end + TENTH);
        let after = level_db(&found, 7 * SECOND..8 * SECOND);
        let arrived = level_db(&found, end + 11 * TENTH..end + 14 * TENTH);
        println!(
            "{switch:?}, {peak}: {before:.1} dB, {soon:.1} soon, {after:.1} in the end, {announced:.1} told"
        );
        assert!(soon - before < 3.1, "{soon:.2} after {before:.2}");
        assert_no_jump(&found, AT, after - before);
        assert!((arrived - after).abs() < 0.3, "{arrived:.2} of {after:.2}");
        if after - before > 3.5 {
            assert!((f64::from(announced) - (after - before)).abs() < 1.0);
        } else {
            assert!(announced == 0.0 && (soon - after).abs() < 1.0);
        }
    }
}

// By construction: noises, whose levels differ by their peaks. What has been turned down to a quiet
// reference rises to what the next one asks for, by a rise that is announced.
#[test]
fn a_reference_that_takes_a_quieter_one_s_place_gives_the_mix_back() {
    const AT: usize = 5 * SECOND;
    let input = noise(2, 10 * SECOND, 0.3, 3);
    let unmatched = level_db(&input, 0..SECOND);
    for (peak, down_db) in [(0.5, 0.0), (0.1, 20.0 * 3.0_f64.log10())] {
        for first in [false, true] {
            let (mut sender, mut engine) = auditioning(2);
            sender.send(looped(&noise(2, 4 * SECOND, 0.01, 4))).unwrap();
            let mut announced = 0.0_f32;
            let found = in_blocks(
                &input,
                || CHUNK,
                |block, start| {
                    if (AT..AT + CHUNK).contains(&start) {
                        sender.send(looped(&noise(2, 4 * SECOND, peak, 5))).unwrap();
                    }
                    let reference = start < 3 * SECOND || first != (start >= 8 * SECOND);
                    let settings = with(ChainSettings::default(), heard(reference, true));
                    engine.process(block, &[], &settings);
                    announced = announced.max(engine.snapshot().activity.rising_db);
                },
            );
            let level = |second: usize| level_db(&found, second * SECOND..(second + 1) * SECOND);
            let (before, then, other) = (level(4), level(7), level(9));
            println!(
                "{peak}, {first}: {before:.2} dB, {then:.2}, beside it {other:.2}, {announced:.1} told"
            );
            assert!((then - (unmatched - down_db)).abs() < 0.3, "{unmatched:.2}");
            assert!((other - then).abs() < 0.3);
            assert_no_jump(&found, AT, then - before);
            assert!((f64::from(announced) - (then - before)).abs() < 1.0);
        }
    }
}

// A weighted mean of signals whose weights move by 1/N a frame steps by no more than the largest of
// the signals' own steps and the span between them over N; gains in motion add their slope, less
// than 300 dB/s, which is 7.2e-4 a frame.
#[test]
fn no_switch_and_no_replacement_makes_a_step_of_its_own() {
    let frames = 8 * SECOND;
    let input = tones([47.0, 61.0], 0.4, frames);
    let loops = [
        tones([53.0, 71.0], 0.3, 3 * SECOND + 517),
        tones([59.0, 67.0], 0.6, 3 * SECOND + 91),
    ];
    for chain in [ChainSettings::default(), pushed()] {
        let (mut sender, mut engine) = auditioning(2);
        let mut own = 0.0_f32;
        let found = in_blocks(
            &input,
            || 192,
            |block, start| {
                // Some fall into the fade of the one before.
                if start % 24_000 < 192 {
                    match start / 24_000 % 5 {
                        4 => sender.clear(),
                        index => sender.send(looped(&loops[index % 2])).unwrap(),
                    }
                }
                let step = start / if start < 5 * SECOND { 9_984 } else { 576 };
                let listen = ListenSettings {
                    reference: step % 3 > 0,
                    matched: step / 5 % 2 == 1,
                    bypass: step % 11 == 3,
                    ..ListenSettings::default()
                };
                engine.process(block, &[], &with(chain, listen));
                let signals = engine.signals();
                let tracks = [signals.output, signals.input];
                for channel in tracks.as_flattened() {
                    let steps = channel.windows(2).map(|pair| (pair[1] - pair[0]).abs());
                    own = steps.fold(own, f32::max);
                }
            },
        );
        let own = loops
            .iter()
            .map(|planes| 1.415 * largest_step(planes))
            .fold(own, f32::max);
        let peak = 1.0;
        let allowed = own + 2.0 * peak / FADE as f32 + 7.2e-4 * peak;
        let step = largest_step(&found);
        println!("largest step {step:.5}, the signals' own {own:.5}, allowed {allowed:.5}");
        assert!(step <= allowed);
    }
}

#[test]
fn results_do_not_depend_on_how_blocks_are_cut() {
    let input = mix(6 * SECOND);
    let all = everything_on();
    let run = |sizes: &[usize]| {
        let (mut sender, mut engine) = auditioning(2);
        sender
            .send(looped(&noise(2, 3 * SECOND + 11, 0.1, 1)))
            .unwrap();
        let mut sent = false;
        let mut sizes = sizes.iter().cycle();
        let mut until = 0;
        let mut start = 0;
        let mut found: Planes = vec![Vec::new(); 2];
        while start < input[0].len() {
            // As the framework does, blocks are cut where settings change.
            if start == until {
                until += 14_001;
            }
            let end = (start + sizes.next().unwrap())
                .min(until)
                .min(input[0].len());
            let step = start / 14_001;
            if step >= 9 && !sent {
                sender
                    .send(looped(&noise(2, 3 * SECOND + 77, 0.2, 2)))
                    .unwrap();
                sent = true;
            }
            let listen = ListenSettings {
                reference: step % 4 > 1 || step % 7 == 0,
                matched: step / 3 % 2 == 1,
                source: [Source::Output, Source::Residue, Source::Input][step % 3],
                ..ListenSettings::default()
            };
            let block = cut(&input, start..end);
            let heard = play(&mut engine, &block, || end - start, |_| with(all, listen));
            for (found, heard) in found.iter_mut().zip(heard) {
                found.extend(heard);
            }
            start = end;
        }
        found
    };
    let whole = run(&[256]);
    for sizes in [&[1, 7, 300, 64][..], &[4_096], &[31]] {
        assert!(run(sizes) == whole, "{sizes:?}");
    }
}

#[test]
fn it_goes_on_from_where_it_was_left_and_begins_anew_after_a_stop() {
    let input = noise(2, 400 * CHUNK, 0.1, 9);
    let of = looped(&noise(2, 4 * SECOND, 0.1, 10));
    let expected = played(&of, 30 * CHUNK);
    let (mut sender, mut engine) = auditioning(2);
    sender.send(of).unwrap();
    let run = |engine: &mut Engine, reference, chunks: usize| {
        let input = cut(&input, 0..chunks * CHUNK);
        let settings = with(ChainSettings::default(), heard(reference, false));
        play(engine, &input, || CHUNK, |_| settings)
    };
    // Until it is known how loud the mix is, all that is switched to rises.
    run(&mut engine, false, 400);
    engine.reset();
    run(&mut engine, true, 10);
    // Its fade is over within the fourth chunk, which it is played to the end of.
    run(&mut engine, false, 20);
    let again = run(&mut engine, true, 10);
    let (inside, from) = (5 * CHUNK..10 * CHUNK, 14 * CHUNK);
    let at_the_time = &expected[0][from + inside.start..from + inside.end];
    assert!(again[0][inside] == *at_the_time);
    engine.reset();
    let anew = run(&mut engine, true, 10);
    assert!(anew[0] == expected[0][..10 * CHUNK]);
}

#[test]
fn of_what_is_sent_the_last_is_played_and_all_the_rest_comes_back() {
    let (mut sender, mut engine) = auditioning(2);
    let loops: Vec<Planes> = (0..6).map(|seed| noise(2, 3 * SECOND, 0.1, seed)).collect();
    let input = vec![vec![0.0; 8 * CHUNK]; 2];
    let settings = with(ChainSettings::default(), heard(true, false));
    for of in &loops {
        sender.send(looped(of)).unwrap();
        sender.send(looped(of)).unwrap();
        play(&mut engine, &input, || CHUNK, |_| settings);
    }
    let told = engine.snapshot().activity.reference.unwrap();
    assert_eq!(told.integrated_lufs, looped(&loops[5]).integrated_lufs());
    sender.clear();
    play(&mut engine, &input, || CHUNK, |_| settings);
    assert_eq!(engine.snapshot().activity.reference, None);
}

// Loops that are told apart by their loudness, from another thread, faster than they are taken.
#[test]
fn another_thread_may_send_at_any_time() {
    let (mut sender, receiver) = audition();
    let mut engine = engine(8_000.0, 2).with_audition(receiver);
    let made = |number: usize| {
        let peak = 0.001 * (1 + number) as f32;
        AuditionLoop::new(8_000.0, 2, noise(2, 24_000, peak, 1)).unwrap()
    };
    let last = made(99).integrated_lufs();
    let sends = move || {
        for number in 0..100 {
            sender.send(made(number)).unwrap();
        }
        sender
    };
    let thread = std::thread::Builder::new().spawn(sends).unwrap();
    let settings = with(ChainSettings::default(), heard(true, true));
    let input = vec![vec![0.1; 512]; 2];
    let mut lufs = f64::NEG_INFINITY;
    while lufs < last {
        play(&mut engine, &input, || 100, |_| settings);
        if let Some(told) = engine.snapshot().activity.reference {
            assert!(told.integrated_lufs >= lufs);
            lufs = told.integrated_lufs;
        }
    }
    let sender = thread.join().unwrap();
    sender.clear();
    for _ in 0..10 {
        play(&mut engine, &input, || 100, |_| settings);
    }
    assert_eq!(engine.snapshot().activity.reference, None);
}
