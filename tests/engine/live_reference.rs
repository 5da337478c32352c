//! Listening to a reference while it comes in by the side-chain: it is heard as it is or as loud as
//! the mix, and nothing that it does brings a jump.
//!
//! Loudness is that of the `ebur128` crate; what a crossfade may do follows from its definition.

use crate::listen::with;
use crate::rises::{assert_no_jump, level_db};
use crestline_core::engine::{CHUNK, Engine, Settings};
use crestline_core::handover::{AuditionLoop, audition};
use crestline_core::process::{ChainSettings, ListenSettings, PushSettings};
use kit::engine_run::{Planes, cut, engine, in_blocks, loudness_lufs, noise};
use songs::{rink_lights, turnstile};

const RATE_HZ: u32 = 48_000;
const SECOND: usize = 48_000;
/// The crossfade of every switch, 20 ms.
const FADE: usize = 960;

fn listening(channels: usize) -> Engine {
    let (_sender, receiver) = audition();
    engine(f64::from(RATE_HZ), channels).with_audition(receiver)
}

fn heard(reference: bool, side_chain: bool, matched: bool) -> ListenSettings {
    ListenSettings {
        reference,
        side_chain,
        matched,
        ..ListenSettings::default()
    }
}

/// Plays both, in blocks of the sizes that `sizes` gives.
fn play(
    engine: &mut Engine,
    [main, side]: [&Planes; 2],
    sizes: impl FnMut() -> usize,
    settings: impl Fn(usize) -> Settings,
) -> Planes {
    in_blocks(main, sizes, |block, start| {
        let frames = block[0].len();
        let part = |channel: &Vec<f32>| channel[start..start + frames].to_vec();
        let side: Planes = side.iter().map(part).collect();
        let side: Vec<&[f32]> = side.iter().map(Vec::as_slice).collect();
        engine.process(block, &side, &settings(start));
    })
}

fn scaled(planes: &[Vec<f32>], gain: f32) -> Planes {
    let channel = |channel: &Vec<f32>| channel.iter().map(|sample| sample * gain).collect();
    planes.iter().map(channel).collect()
}

// Loudness is told every 100 ms (EBU Tech 3341), and has to have been there for a second; then the
// crossfade takes 20 ms, which leaves a tenth of a second either way.
#[test]
fn it_is_heard_as_it_is_once_there_is_something() {
    for channels in [2, 1] {
        let main = noise(channels, 6 * SECOND, 0.3, 1);
        let mut side = noise(channels, 6 * SECOND, 0.2, 2);
        let begins = 2 * SECOND + 77;
        for channel in &mut side {
            channel[..begins].fill(0.0);
        }
        let on = |listen| move |_| with(ChainSettings::default(), listen);
        let planes = [&main, &side];
        let alone = play(
            &mut listening(channels),
            planes,
            || 512,
            on(heard(false, true, false)),
        );
        let found = play(
            &mut listening(channels),
            planes,
            || 512,
            on(heard(true, true, false)),
        );
        let known = begins + SECOND;
        assert!(cut(&found, 0..known) == cut(&alone, 0..known));
        let there = begins + SECOND + SECOND / 5;
        assert!(cut(&found, there..6 * SECOND) == cut(&side, there..6 * SECOND));
        let mut sizes = [1, 333, 256, 1_000, 31].into_iter().cycle();
        let cut_otherwise = play(
            &mut listening(channels),
            planes,
            || sizes.next().unwrap_or(1),
            on(heard(true, true, false)),
        );
        assert!(found == cut_otherwise, "{channels}");
    }
}

#[test]
fn what_is_missing_of_the_side_chain_is_silence_and_so_is_what_is_no_audio() {
    let main = noise(2, 3 * SECOND, 0.3, 1);
    let mut side = noise(2, 3 * SECOND, 0.2, 2);
    side[1] = vec![f32::NAN; 3 * SECOND];
    let settings = with(ChainSettings::default(), heard(true, true, false));
    let nan = play(&mut listening(2), [&main, &side], || 512, |_| settings);
    side.truncate(1);
    let short = play(&mut listening(2), [&main, &side], || 512, |_| settings);
    assert!(nan == short);
    assert!(nan[0][2 * SECOND..] == side[0][2 * SECOND..]);
    assert!(nan[1][2 * SECOND..].iter().all(|sample| *sample == 0.0));
}

// Loudness of what the host receives: eight bars of the mix, then the dense song, then the mix.
#[test]
fn matched_it_is_as_loud_as_the_output() {
    let (mix, dense) = (rink_lights(RATE_HZ), turnstile(RATE_HZ));
    let bars = 12 * SECOND;
    let again = |channel: &Vec<f32>| -> Vec<f32> {
        let part = &channel[27 * SECOND..27 * SECOND + bars];
        part.iter().copied().cycle().take(4 * bars).collect()
    };
    let main: Planes = mix.channels.iter().map(again).collect();
    let mut worst = 0.0_f64;
    for (db, push_db) in [(0.0, 0.0), (-16.0, 0.0), (0.0, 9.0)] {
        let gain = 10_f64.powf(db / 20.0) as f32;
        let loop_of = |channel: &Vec<f32>| -> Vec<f32> {
            let part = &channel[10 * SECOND..10 * SECOND + bars];
            part.iter().copied().cycle().take(4 * bars).collect()
        };
        let side: Planes = dense.channels.iter().map(loop_of).collect();
        let side = scaled(&side, gain);
        let chain = ChainSettings {
            push: PushSettings { push_db },
            ..ChainSettings::default()
        };
        // Listened to from the second round to the end of the third.
        let on = |start: usize| (bars..3 * bars).contains(&start);
        let settings = |start| with(chain, heard(on(start), true, true));
        let found = play(&mut listening(2), [&main, &side], || CHUNK, settings);
        let lufs = |round: usize| {
            loudness_lufs(
                &cut(&found, round * bars + SECOND..(round + 1) * bars),
                RATE_HZ,
            )
        };
        let (reference, output) = (lufs(2), lufs(3));
        println!("{db} dB, push {push_db}: reference {reference:.2}, output {output:.2} LUFS");
        worst = worst.max((output - reference).abs());
    }
    println!("at most {worst:.3} LU apart");
    assert!(worst < 0.2);
}

// The rule of every switch of what is heard: 3 dB in 100 ms at the most unless it is announced.
#[test]
fn neither_its_coming_nor_its_going_jumps() {
    const AT: usize = 5 * SECOND;
    const TENTH: usize = SECOND / 10;
    let main = noise(2, 8 * SECOND, 0.05, 3);
    let (mix, live) = (heard(false, true, false), heard(true, true, false));
    let (off, matched) = (heard(true, false, false), heard(true, true, true));
    for (from, to, peak) in [
        (mix, live, 0.5),
        (live, mix, 0.005),
        (live, off, 0.005),
        (live, off, 0.5),
        (off, live, 0.5),
        (matched, live, 0.5),
        (live, matched, 0.5),
        (matched, off, 0.005),
    ] {
        let side = noise(2, 8 * SECOND, peak, 4);
        let mut engine = listening(2);
        let mut announced = 0.0_f32;
        let found = in_blocks(
            &main,
            || CHUNK,
            |block, start| {
                let frames = block[0].len();
                let side: Vec<&[f32]> = side.iter().map(|of| &of[start..start + frames]).collect();
                let listen = if start < AT { from } else { to };
                engine.process(block, &side, &with(ChainSettings::default(), listen));
                if start >= AT {
                    announced = announced.max(engine.snapshot().activity.rising_db);
                }
            },
        );
        // From off to on nothing is known for a second.
        let wait = if from == off { 10 * TENTH + CHUNK } else { 0 };
        let end = AT + CHUNK + wait;
        let before = level_db(&found, AT - SECOND..AT);
        let soon = level_db(&found, end + TENTH - FADE..end + TENTH);
        let after = level_db(&found, 7 * SECOND..8 * SECOND);
        println!(
            "{from:?} to {to:?}, {peak}: {before:.1} dB, {soon:.1} soon, {after:.1} in the end, {announced:.1} told"
        );
        assert!(soon - before < 3.1, "{soon:.2} after {before:.2}");
        assert_no_jump(&found, AT, after - before);
        if after - before > 3.5 {
            assert!((f64::from(announced) - (after - before)).abs() < 1.5);
        } else {
            assert!(announced == 0.0);
        }
    }
}

// After three seconds of silence the mix is heard again, to the bit once it has risen for one; and
// what comes in then waits for its second, as at the beginning.
#[test]
fn a_pause_gives_the_mix_back() {
    let main = noise(2, 12 * SECOND, 0.1, 5);
    let mut side = noise(2, 12 * SECOND, 0.3, 6);
    for channel in &mut side {
        channel[3 * SECOND..9 * SECOND].fill(0.0);
    }
    let mut engine = listening(2);
    let latency = engine.latency_frames();
    let settings = with(ChainSettings::default(), heard(true, true, false));
    let found = play(&mut engine, [&main, &side], || 512, |_| settings);
    let silent = 4 * SECOND..6 * SECOND;
    assert!(
        cut(&found, silent)
            .iter()
            .flatten()
            .all(|sample| *sample == 0.0)
    );
    for mix in [15 * SECOND / 2..9 * SECOND, 9 * SECOND..10 * SECOND] {
        let delayed = mix.start - latency..mix.end - latency;
        assert!(cut(&found, mix) == cut(&main, delayed));
    }
    let again = 23 * SECOND / 2..12 * SECOND;
    assert!(cut(&found, again.clone()) == cut(&side, again));
}

// One song after another, without a gap: 12 dB louder, as loud as the mix once half of the last 10
// s are its own, within the 3 dB that this half may miss of all of them; the whole of them 0.2 LU.
#[test]
fn a_louder_song_after_another_is_turned_down_like_it() {
    let main = noise(2, 45 * SECOND, 0.1, 7);
    let mut side = noise(2, 45 * SECOND, 0.1, 8);
    for channel in &mut side {
        channel[20 * SECOND..]
            .iter_mut()
            .for_each(|sample| *sample *= 4.0);
    }
    let settings = with(ChainSettings::default(), heard(true, true, true));
    let found = play(&mut listening(2), [&main, &side], || CHUNK, |_| settings);
    let mix = loudness_lufs(&cut(&main, 0..5 * SECOND), RATE_HZ);
    let over = |second: usize| {
        let part = second * SECOND..(second + 1) * SECOND;
        loudness_lufs(&cut(&found, part), RATE_HZ) - mix
    };
    let [before, soon, after] = [over(19), over(25), over(32)];
    println!("over the mix: {before:.2} before, {soon:.2} after 5 s, {after:.2} LU after 12");
    assert!(before.abs() < 0.2 && soon.abs() < 3.0 && after.abs() < 0.2);
}

/// Which reference is heard is settled where a chunk of the engine begins, whatever the settings do
/// within one: where the side-chain is taken for one and not, a host begins anew, or a fade is shorter
/// than a chunk, there is always something to be heard.
#[test]
fn what_is_heard_is_there_whenever_the_side_chain_comes_and_goes() {
    for rate_hz in [8_000.0, 48_000.0] {
        let frames = rate_hz as usize;
        let (mut sender, receiver) = audition();
        let mut engine = engine(rate_hz, 2).with_audition(receiver);
        let planes = noise(2, 4 * frames, 0.3, 7);
        sender
            .send(AuditionLoop::new(rate_hz, 2, planes).unwrap())
            .unwrap();
        let [main, side] = [3, 4].map(|seed| noise(2, CHUNK, 0.2, seed));
        let mut run = |count: usize, reset: bool, listen: ListenSettings| -> f64 {
            if reset {
                engine.reset();
            }
            let mut block = cut(&main, 0..count);
            let [left, right] = &mut block[..] else {
                unreachable!()
            };
            let side = [&side[0][..count], &side[1][..count]];
            engine.process(
                &mut [left, right],
                &side,
                &with(ChainSettings::default(), listen),
            );
            level_db(&block, 0..count)
        };
        let [live, sent] = [true, false].map(|side_chain| heard(true, side_chain, false));
        for _ in 0..3 * frames / CHUNK {
            run(CHUNK, false, live);
        }
        let loud = |level_db: f64| assert!(level_db > -30.0, "{rate_hz} Hz: {level_db} dB");
        for (first, second, reset) in [(128, 64, true), (21, 43, true), (128, 128, false)] {
            loud(run(first, false, live));
            loud(run(second, false, sent));
            for _ in 0..40 {
                loud(run(CHUNK, reset, live));
            }
            // And where the reference is asked for at the moment at which the side-chain goes.
            let mix = heard(false, true, false);
            loud(run(CHUNK, false, mix));
            loud(run(CHUNK, false, sent));
            for _ in 0..2 * frames / CHUNK {
                run(CHUNK, false, live);
            }
        }
    }
}

// By construction: noises, whose levels differ by their peaks. While the mix is listened to, a song
// 8 dB below it, which it was turned down to, makes way for one 2 dB above it: listened to again, that
// is as loud as the mix within the second that a rise takes, and a half.
#[test]
fn a_song_that_has_become_louder_unheard_is_soon_as_loud_as_the_mix() {
    let main = noise(2, 31 * SECOND, 0.2, 11);
    let mut side = scaled(&noise(2, 31 * SECOND, 0.2, 12), 0.4);
    for channel in &mut side {
        channel[8 * SECOND..]
            .iter_mut()
            .for_each(|sample| *sample *= 3.125);
    }
    let mut engine = listening(2);
    let mut announced = 0.0_f32;
    let found = in_blocks(
        &main,
        || CHUNK,
        |block, start| {
            let frames = block[0].len();
            let side: Vec<&[f32]> = side.iter().map(|of| &of[start..start + frames]).collect();
            let second = start / SECOND;
            let reference = (3..5).contains(&second) || (23..26).contains(&second) || second >= 28;
            let settings = with(ChainSettings::default(), heard(reference, true, true));
            engine.process(block, &side, &settings);
            if second >= 8 {
                announced = announced.max(engine.snapshot().activity.rising_db);
            }
        },
    );
    let level = |from: usize, to: usize| level_db(&found, from..to);
    let mix = level_db(&main, 0..SECOND);
    let turned_down = level(7 * SECOND, 8 * SECOND);
    let soon = level(49 * SECOND / 2, 25 * SECOND);
    let [output, again] = [27, 30].map(|second| level(second * SECOND, (second + 1) * SECOND));
    println!(
        "mix {mix:.2} dB, turned down {turned_down:.2}; soon {soon:.2}, output {output:.2}, again {again:.2}, {announced:.2} told"
    );
    let rise_db = -20.0 * 0.4_f64.log10();
    assert!((mix - turned_down - rise_db).abs() < 0.3);
    assert!(
        [soon, output, again]
            .iter()
            .all(|level| (level - mix).abs() < 0.3)
    );
    assert!((f64::from(announced) - rise_db).abs() < 0.3);
    assert_no_jump(&found, 23 * SECOND, rise_db);
}

/// What is listened to around a file that is written, and what happens besides.
#[derive(Clone, Copy, Debug)]
struct Render {
    side_chain: bool,
    /// The reference is heard before and after, or the output.
    reference: bool,
    /// The host resets before and after.
    reset: bool,
    /// The side-chain is silent while the file is written.
    silent: bool,
}

/// A mix and a reference 20 dB below it, listened to for two seconds, then `render`. Returns what
/// is heard, and the largest rise that was announced once the file was written; all that is heard
/// being the output if it is not to be `listened` to.
fn around_a_render(render: Render, listened: bool) -> (Planes, f32) {
    let (mut sender, receiver) = audition();
    let mut engine = engine(f64::from(RATE_HZ), 2).with_audition(receiver);
    let loud = noise(2, 15 * SECOND, 0.3, 9);
    let mut side = scaled(&noise(2, 15 * SECOND, 0.3, 10), 0.1);
    if !render.side_chain {
        let planes = cut(&side, 0..4 * SECOND);
        let of = AuditionLoop::new(f64::from(RATE_HZ), 2, planes).unwrap();
        sender.send(of).unwrap();
    }
    if render.silent {
        for channel in &mut side {
            channel[7 * SECOND..12 * SECOND].fill(0.0);
        }
    }
    let mut was_written = false;
    let mut announced = 0.0_f32;
    let found = in_blocks(
        &loud,
        || 480,
        |block, start| {
            let frames = block[0].len();
            let side: Vec<&[f32]> = side.iter().map(|of| &of[start..start + frames]).collect();
            let written = (7 * SECOND..12 * SECOND).contains(&start);
            if written != was_written && render.reset {
                engine.reset();
            }
            if written && !was_written {
                engine.cut_listening();
            }
            was_written = written;
            let reference = (3 * SECOND..5 * SECOND).contains(&start) || render.reference;
            let listen = if written {
                ListenSettings {
                    written,
                    ..ListenSettings::default()
                }
            } else if listened {
                heard(reference, render.side_chain, true)
            } else {
                ListenSettings::default()
            };
            engine.process(block, &side, &with(ChainSettings::default(), listen));
            if start >= 12 * SECOND {
                announced = announced.max(engine.snapshot().activity.rising_db);
            }
        },
    );
    (found, announced)
}

// By construction: nothing has changed, so that all is as it was before; the file is the output to
// the bit. A fifth of a second is for the crossfade and a fall.
#[test]
fn a_file_that_is_written_changes_nothing_of_how_it_goes_on() {
    let each = |number: u32| Render {
        side_chain: number & 1 > 0,
        reference: number & 2 > 0,
        reset: number & 4 > 0,
        silent: number & 8 > 0,
    };
    for render in (0..16).map(each) {
        let (found, announced) = around_a_render(render, true);
        let (output, _) = around_a_render(render, false);
        let written = 7 * SECOND..12 * SECOND;
        assert!(cut(&found, written.clone()) == cut(&output, written));
        let level = |from: usize, to: usize| level_db(&found, from..to);
        let before = level(6 * SECOND, 7 * SECOND);
        let soon = level(12 * SECOND + SECOND / 5, 13 * SECOND);
        let after = level(14 * SECOND, 15 * SECOND);
        println!(
            "{render:?}: {before:.2} dB before, {soon:.2} soon, {after:.2} after, {announced} told"
        );
        assert!((soon - before).abs() < 0.3 && (after - before).abs() < 0.3);
        assert!(announced == 0.0);
    }
}
