//! The delay between two signals: found to the frame whatever was done in between, and not found
//! where there is none.

#![expect(
    clippy::panic,
    reason = "a test fails by panicking, in its helpers too"
)]
#![expect(
    clippy::print_stdout,
    reason = "the measured figures are worth reading"
)]

use crate::processes::unfixed;
use crestline_core::handover::{Tap, TapState, TapWriter, tap};
use crestline_core::measure::{Aligner, Reduction, Relation, mono};
use crestline_core::process::{Limiter, LimiterSettings};
use kit::pause::pause;
use songs::{Song, rink_lights, turnstile};
use std::cell::{Cell, RefCell};
use std::sync::{LazyLock, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

const RATE_HZ: f64 = 48_000.0;
/// 2.7 s, as the plug-in takes them at this rate.
const STRETCH: usize = 131_072;
/// 200 ms.
const LONGEST: usize = 9_600;
const LONGEST_LAG: i32 = 9_600;

static RINK_LIGHTS: LazyLock<Song> = LazyLock::new(|| rink_lights(48_000));
static TURNSTILE: LazyLock<Song> = LazyLock::new(|| turnstile(48_000));

fn sum(channels: &[Vec<f32>; 2]) -> Vec<f32> {
    channels[0]
        .iter()
        .zip(&channels[1])
        .map(|(left, right)| left + right)
        .collect()
}

fn aligner() -> Aligner {
    Aligner::new(STRETCH, -LONGEST_LAG..=LONGEST_LAG)
}

/// The song through a limiter at −1 dBTP, pushed by `push_db`, with the limiter's latency taken
/// out.
fn squashed(song: &Song, push_db: f64) -> Vec<f32> {
    let gain = kit::signals::amplitude(push_db) as f32;
    let mut channels = song.channels.clone();
    channels
        .iter_mut()
        .flatten()
        .for_each(|sample| *sample *= gain);
    let mut limiter = Limiter::new(RATE_HZ, 2);
    let [left, right] = &mut channels;
    limiter.process(&mut [left, right], &LimiterSettings::default());
    let mut sum = sum(&channels);
    sum.drain(..limiter.latency_frames());
    sum
}

/// Compares stretches all over the song with the same moments of `after`, `delay` frames late.
fn finds_everywhere(name: &str, before: &[f32], after: &[f32], inverted: bool) {
    let mut aligner = aligner();
    let (mut least, mut tried) = (f32::INFINITY, 0);
    let delays = [0, 1, 47, 480, 2_205, 5_000, 9_599, LONGEST_LAG];
    for (index, start) in (LONGEST..after.len() - STRETCH)
        .step_by(STRETCH / 2)
        .enumerate()
    {
        for delay in [
            delays[index % delays.len()],
            delays[(index + 3) % delays.len()],
        ] {
            let early = start - delay.unsigned_abs() as usize;
            let relation = aligner.compare(&before[start..], &after[early..]);
            let Relation::Aligned(found) = relation else {
                panic!("{name} at {start}, {delay}: {relation:?}")
            };
            assert_eq!(
                (found.delay_frames, found.inverted),
                (delay, inverted),
                "{name} at {start}"
            );
            // The other way round, the second comes first.
            let Relation::Aligned(back) = aligner.compare(&after[early..], &before[start..]) else {
                panic!("{name} at {start}, back")
            };
            assert_eq!(
                (back.delay_frames, back.inverted),
                (-delay, inverted),
                "{name} at {start}"
            );
            least = least.min(found.prominence);
            tried += 1;
        }
    }
    println!("{name}: {tried} of {tried} found, prominence {least:.0} at least");
}

#[test]
fn delays_are_found_to_the_frame_at_another_level_and_upside_down() {
    for song in [&*RINK_LIGHTS, &*TURNSTILE] {
        let before = sum(&song.channels);
        for gain_db in [0.0, -30.0, 12.0] {
            let gain = kit::signals::amplitude(gain_db) as f32;
            let after: Vec<f32> = before.iter().map(|sample| -gain * sample).collect();
            finds_everywhere(
                &format!("{} at {gain_db} dB", song.title),
                &before,
                &after,
                true,
            );
        }
    }
}

#[test]
fn delays_are_found_to_the_frame_through_a_limiter_pushed_hard() {
    for song in [&*RINK_LIGHTS, &*TURNSTILE] {
        for push_db in [6.0, 18.0, 30.0] {
            let name = format!("{} pushed by {push_db} dB", song.title);
            finds_everywhere(&name, &sum(&song.channels), &squashed(song, push_db), false);
        }
    }
}

#[test]
fn delays_are_found_to_the_frame_through_an_equaliser() {
    use crestline_core::process::{Shelves, ShelvesSettings};
    let mut shelves = Shelves::new(RATE_HZ);
    let mut channels = RINK_LIGHTS.channels.clone();
    let settings = ShelvesSettings {
        low_hz: 200.0,
        low_gain_db: 9.0,
        high_hz: 3_000.0,
        high_gain_db: -9.0,
    };
    let [left, right] = &mut channels;
    shelves.process(&mut [left, right], &settings);
    finds_everywhere(
        "Rink Lights equalised",
        &sum(&RINK_LIGHTS.channels),
        &sum(&channels),
        false,
    );
}

/// Without what lies above a quarter of the rate: the mean of four frames, a dozen times over, leaves
/// −135 dB of it at most.
fn dull(song: &[f32]) -> Vec<f32> {
    let mut song: Vec<f64> = song.iter().copied().map(f64::from).collect();
    for _ in 0..12 {
        song = song
            .windows(4)
            .map(|four| four.iter().sum::<f64>() / 4.0)
            .collect();
    }
    song.resize(song.len() + 36, 0.0);
    song.into_iter().map(|sample| sample as f32).collect()
}

// 100 random pairs of each kind. What is compared has nothing in common: other songs, noises of
// other seeds, other moments of a song played by one band, which are at least two stretches
// apart, and songs that end before the stretch does: the steps there would be all that is left next
// to half the rate, where a lossy encoder keeps nothing.
#[test]
#[expect(clippy::cast_sign_loss, reason = "places are not negative")]
fn unrelated_signals_are_told_in_99_of_100_pairs() {
    let (rink, turnstile) = (sum(&RINK_LIGHTS.channels), sum(&TURNSTILE.channels));
    let dull = [&rink, &turnstile].map(|song| dull(song));
    let mut random = kit::signals::Random::new(5);
    let mut place = |song: &[f32]| (random.draw() * (song.len() - STRETCH - 1) as f64) as usize;
    let mut aligner = aligner();
    let mut wrong = [0; 5];
    for pair in 0..100 {
        let (a, b) = (place(&rink), place(&turnstile));
        let other = (a + STRETCH + place(&rink[2 * STRETCH..])) % (rink.len() - STRETCH);
        let noise =
            [2 * pair, 2 * pair + 1].map(|seed| kit::signals::white_noise(seed, 0.3, STRETCH));
        let related = |aligner: &mut Aligner, first: &[f32], second: &[f32]| {
            usize::from(aligner.compare(first, second) != Relation::Unrelated)
        };
        wrong[0] += related(&mut aligner, &rink[a..], &turnstile[b..]);
        wrong[1] += related(&mut aligner, &noise[0], &noise[1]);
        wrong[2] += related(&mut aligner, &noise[0], &rink[a..]);
        if a.abs_diff(other) > STRETCH + LONGEST {
            wrong[3] += related(&mut aligner, &rink[a..], &rink[other..]);
        }
        let [rink, turnstile] =
            [&dull[0][a..], &dull[1][b..]].map(|song| &song[..STRETCH * 9 / 10]);
        wrong[4] += related(&mut aligner, rink, turnstile);
    }
    println!(
        "taken for related: {wrong:?} of 100 (songs, noises, noise and song, moments of one song, \
         ends of songs)"
    );
    assert!(wrong.iter().all(|wrong| *wrong <= 1), "{wrong:?}");
}

#[test]
fn tones_have_the_shortest_delay_that_fits() {
    let mut aligner = aligner();
    let tone = kit::signals::tone(RATE_HZ, 1_000.0, -12.0, 3.0);
    let quiet: Vec<f32> = tone.iter().map(|sample| -0.1 * sample).collect();
    for (first, second, expected) in [
        (&tone[..], &tone[..], (0, false)),
        (&tone, &quiet, (0, true)),
        // 5 frames of a period of 48.
        (&tone[5..], &tone[..], (5, false)),
    ] {
        let relation = aligner.compare(first, second);
        let Relation::Aligned(found) = relation else {
            panic!("{relation:?}")
        };
        assert_eq!((found.delay_frames, found.inverted), expected);
    }
    let other = kit::signals::tone(RATE_HZ, 1_300.0, -12.0, 3.0);
    assert_eq!(aligner.compare(&tone, &other), Relation::Unrelated);
}

#[test]
fn silence_and_short_signals_are_no_trouble() {
    let mut aligner = aligner();
    let (silence, noise) = (
        vec![0.0; STRETCH],
        kit::signals::white_noise(1, 0.5, STRETCH),
    );
    assert_eq!(
        aligner.compare(&silence, &noise),
        Relation::TooWeak {
            first: true,
            second: false
        }
    );
    assert_eq!(
        aligner.compare(&noise, &silence),
        Relation::TooWeak {
            first: false,
            second: true
        }
    );
    assert_eq!(
        aligner.compare(&[], &[]),
        Relation::TooWeak {
            first: true,
            second: true
        }
    );
    assert!(
        matches!(aligner.compare(&noise[..20_000], &noise[..20_000]), Relation::Aligned(found) if found.delay_frames == 0)
    );
    let mut short = Aligner::new(0, -100..=100);
    short.compare(&noise, &noise);
}

/// Held while a tap is at work: all of a process share one worker, and what is known after so many
/// seconds of sound hangs on its being there.
fn alone() -> MutexGuard<'static, ()> {
    static ONE_TAP: Mutex<()> = Mutex::new(());
    ONE_TAP.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Writes blocks until `done` of what the worker tells, or for ten minutes of wall time; never so fast
/// that the worker falls behind by more than a second.
fn feed(
    writer: &mut TapWriter,
    mut block: impl FnMut(usize) -> [Vec<f32>; 4],
    done: impl Fn(&Tap) -> bool,
) -> bool {
    let start = Instant::now();
    let mut index = 0;
    while start.elapsed() < Duration::from_mins(10) {
        if writer.behind_frames() > 48_000 {
            pause(Duration::from_millis(1));
        } else {
            let [a, b, c, d] = block(index);
            writer.write(&[&a, &b], &[&c, &d]);
            index += 1;
        }
        if done(&writer.told()) {
            return true;
        }
    }
    false
}

#[test]
fn the_worker_finds_settles_and_gives_up() {
    let _alone = alone();
    let (mut writer, comparison) = tap(RATE_HZ, 2).unwrap();
    let song = &RINK_LIGHTS.channels;
    let block = |channels: &[Vec<f32>; 2], at: usize| -> [Vec<f32>; 2] {
        // Round and round, so that what is late stays so past the end.
        [0, 1].map(|channel| {
            let round = channels[channel].iter().cycle();
            let from = at % channels[channel].len();
            round.skip(from).take(512).copied().collect()
        })
    };
    writer.begin();
    assert_eq!(writer.told().state, TapState::Listening);
    // The input comes 480 frames after the tap, upside down and 6 dB lower.
    let late = |index: usize| {
        let [a, b] = block(song, 512 * index + 480);
        let [c, d] =
            block(song, 512 * index).map(|channel| channel.iter().map(|x| -0.5 * x).collect());
        [a, b, c, d]
    };
    assert!(feed(&mut writer, late, |tap| tap.state == TapState::Settling));
    let told =
        |tap: &Tap| tap.state == TapState::Aligned && tap.reduction.distortion.mean_3s_db.is_some();
    assert!(feed(&mut writer, late, told));
    let found = writer.told();
    assert_eq!((found.delay_frames, found.inverted), (480, true));
    let gains: Vec<f32> = found.linear.gain_db.into_iter().flatten().collect();
    assert!(
        gains.len() > 25 && gains.iter().all(|gain| (gain + 6.0206).abs() < 0.1),
        "{gains:?}"
    );
    let distortion_db = found.reduction.distortion.mean_3s_db.unwrap();
    assert!(distortion_db < -60.0, "{distortion_db}");
    // A side-chain that has gone is told.
    let gone = |index: usize| {
        let [c, d] = block(song, 512 * index);
        [vec![0.0; 512], vec![0.0; 512], c, d]
    };
    assert!(feed(&mut writer, gone, |tap| tap.state == TapState::NoSideChain));
    // Something else altogether.
    let other = |index: usize| {
        let ([a, b], [c, d]) = (
            block(&TURNSTILE.channels, 512 * index),
            block(song, 512 * index),
        );
        [a, b, c, d]
    };
    assert!(feed(&mut writer, other, |tap| tap.state == TapState::NotRelated));
    // A new beginning.
    writer.begin();
    assert_eq!(writer.told().state, TapState::Listening);
    drop(comparison);
}

// The host clears what is under way, and with it what a delay of 2000 frames between tap and input
// held: after the cut it gives silence for so long. That is no distortion of the delay.
#[test]
fn what_a_cleared_delay_has_lost_is_no_distortion() {
    const LATE: usize = 2_000;
    const BLOCK: usize = 500;
    let _alone = alone();
    let (mut writer, comparison) = tap(RATE_HZ, 2).unwrap();
    let song = &RINK_LIGHTS.channels;
    let length = song[0].len() / BLOCK * BLOCK - LATE;
    let cut_at = Cell::new(0);
    let late = |index: usize| {
        let at = |index: usize| (BLOCK * index) % length;
        let blocks = [0, 1].map(|channel| song[channel][at(index)..][..BLOCK].to_vec());
        let since_cut = index - cut_at.get();
        let after = [0, 1].map(|channel| match index.checked_sub(LATE / BLOCK) {
            Some(before) if since_cut >= LATE / BLOCK => {
                song[channel][at(before)..][..BLOCK].to_vec()
            }
            _ => vec![0.0; BLOCK],
        });
        let ([a, b], [c, d]) = (blocks, after);
        [a, b, c, d]
    };
    writer.begin();
    let told =
        |tap: &Tap| tap.state == TapState::Aligned && tap.reduction.distortion.mean_3s_db.is_some();
    let index = Cell::new(0);
    let next = |_: usize| {
        let block = late(index.get());
        index.set(index.get() + 1);
        block
    };
    assert!(feed(&mut writer, next, told));
    writer.cut();
    cut_at.set(index.get());
    let worst = Cell::new(f32::NEG_INFINITY);
    let five_s_later = |tap: &Tap| {
        worst.set(
            worst.get().max(
                tap.reduction
                    .distortion
                    .mean_3s_db
                    .unwrap_or(f32::NEG_INFINITY),
            ),
        );
        index.get() - cut_at.get() > 5 * 48_000 / BLOCK
    };
    assert!(feed(&mut writer, next, five_s_later));
    assert_eq!(usize::try_from(writer.told().delay_frames), Ok(LATE));
    println!("after a cut: {:.1} dB of distortion at most", worst.get());
    assert!(worst.get() < -78.0, "{}", worst.get());
    drop(comparison);
}

/// What the worker told: states as they changed, the most distortion, and what it told last.
struct Told {
    states: Vec<TapState>,
    distortion_db: f32,
    last: Tap,
}

/// Plays the song, 480 frames later and 6 dB quieter, until that is known, and for some seconds more.
/// A frame of both signals, in stereo, goes through `change`, which is told the seconds since then.
fn once_known(seconds: f64, change: impl Fn([f32; 4], Option<f64>) -> [f32; 4]) -> Told {
    const LATE: usize = 480;
    let _alone = alone();
    let (mut writer, comparison) = tap(RATE_HZ, 2).unwrap();
    let [left, right] = &RINK_LIGHTS.channels;
    let (written, known_at) = (Cell::new(0_usize), Cell::new(usize::MAX));
    let block = |_: usize| {
        let mut block = [(); 4].map(|()| Vec::with_capacity(500));
        for frame in written.get()..written.get() + 500 {
            let since = frame.checked_sub(known_at.get());
            let [from, to] = [frame + LATE, frame].map(|frame| frame % left.len());
            let signals = [left[from], right[from], 0.5 * left[to], 0.5 * right[to]];
            let signals = change(signals, since.map(|frames| frames as f64 / RATE_HZ));
            for (channel, sample) in block.iter_mut().zip(signals) {
                channel.push(sample);
            }
        }
        written.set(written.get() + 500);
        block
    };
    writer.begin();
    // Room is made for what comes in once something has.
    while writer.behind_frames() == 0 {
        let [a, b, c, d] = block(0);
        writer.write(&[&a, &b], &[&c, &d]);
        pause(Duration::from_millis(10));
    }
    let known =
        |tap: &Tap| tap.state == TapState::Aligned && tap.reduction.distortion.mean_3s_db.is_some();
    assert!(feed(&mut writer, block, known));
    known_at.set(written.get());
    let told = RefCell::new(Told {
        states: Vec::new(),
        distortion_db: f32::MIN,
        last: writer.told(),
    });
    let over = |tap: &Tap| {
        let mut told = told.borrow_mut();
        if told.states.last() != Some(&tap.state) {
            told.states.push(tap.state);
        }
        let distortion_db = tap.reduction.distortion.mean_3s_db.unwrap_or(f32::MIN);
        told.distortion_db = told.distortion_db.max(distortion_db);
        told.last = *tap;
        (written.get() - known_at.get()) as f64 > seconds * RATE_HZ
    };
    assert!(feed(&mut writer, block, over));
    drop(comparison);
    told.into_inner()
}

// By construction: the device is a wire, later and quieter. Nothing comes in for a second, as where a
// synthesizer plays on behind the tap, and then for six, as where a cable is pulled.
#[test]
fn a_side_chain_that_is_gone_for_a_while_is_no_distortion() {
    let gone = |since_s: f64| (3.0..4.0).contains(&since_s) || (7.0..13.0).contains(&since_s);
    let told = once_known(36.0, |[a, b, c, d], since_s| {
        let there = if since_s.is_some_and(gone) { 0.0 } else { 1.0 };
        [there * a, there * b, c, d]
    });
    println!(
        "{:?}, distortion {:.1} dB at most",
        told.states, told.distortion_db
    );
    assert_eq!(
        told.states,
        [TapState::Aligned, TapState::NoSideChain, TapState::Aligned]
    );
    assert!(told.distortion_db < -60.0);
    assert!(told.last.reduction.distortion.mean_3s_db.is_some());
    assert_eq!(told.last.delay_frames, 480);
}

// By construction, of a device that bends what goes through it. Two comparisons, 5.5 s apart, have to
// see it, and then 8 s are listened to anew.
#[test]
fn a_polarity_that_is_turned_over_is_found() {
    let told = once_known(32.0, |[a, b, c, d], since_s| {
        let turned = since_s.is_some_and(|since_s| since_s >= 3.0);
        let sign = if turned { -1.0 } else { 1.0 };
        [a, b, sign * c.tanh(), sign * d.tanh()]
    });
    let bands = told.last.reduction.bands;
    let means = bands.map(|band| band.reduction.mean_3s_db);
    println!("{:?}, {means:.2?} dB", told.states);
    assert_eq!(
        told.states,
        [TapState::Aligned, TapState::Settling, TapState::Aligned]
    );
    assert!(told.last.inverted);
    let is_nothing = |mean_db: &Option<f32>| mean_db.is_some_and(|db| db.abs() < 0.3);
    assert!(means.iter().all(is_nothing), "{means:?}");
}

// By construction: a wire that is turned over while it is listened to, so that what is found of it is
// neither.
#[test]
fn a_polarity_that_is_turned_over_meanwhile_is_found() {
    let frames = Cell::new(0_usize);
    let told = once_known(32.0, |[a, b, c, d], _| {
        frames.set(frames.get() + 1);
        let sign = if frames.get() > 8 * 48_000 { -1.0 } else { 1.0 };
        [a, b, sign * c, sign * d]
    });
    let gains: Vec<f32> = told.last.linear.gain_db.into_iter().flatten().collect();
    let bands = told.last.reduction.bands;
    let means = bands.map(|band| band.reduction.mean_3s_db);
    println!("{:?}, {means:.2?} dB", told.states);
    assert!(told.last.inverted && !gains.is_empty());
    assert!(
        gains.iter().all(|gain| (gain + 6.0206).abs() < 0.1),
        "{gains:?}"
    );
    let is_nothing = |mean_db: &Option<f32>| mean_db.is_some_and(|db| db.abs() < 0.1);
    assert!(means.iter().all(is_nothing), "{means:?}");
}

// By construction: the left channel is upside down throughout. Where the right one plays alone the
// signals are not upside down, and nothing has changed.
#[test]
fn a_channel_alone_is_no_polarity_that_is_turned_over() {
    let told = once_known(25.0, |[a, b, c, d], since_s| {
        let left = if since_s.is_some_and(|since_s| since_s >= 2.0) {
            0.0
        } else {
            1.0
        };
        [left * a, b, -left * c, d]
    });
    assert_eq!(told.states, [TapState::Aligned]);
}

// A copy whose delay sways, beside the signal itself: it has a place, and no figures.
#[test]
fn the_worker_tells_a_chorus_as_no_fixed_device() {
    let _alone = alone();
    let (mut writer, comparison) = tap(RATE_HZ, 2).unwrap();
    let cut = |channel: &Vec<f32>| channel[..40 * 48_000].to_vec();
    let before: Vec<Vec<f32>> = RINK_LIGHTS.channels.iter().map(cut).collect();
    let (name, chorus) = unfixed().swap_remove(0);
    let after = chorus(&before);
    writer.begin();
    let block = |index: usize| {
        let from = 512 * index % (before[0].len() - 511);
        let [a, b, c, d] = [&before[0], &before[1], &after[0], &after[1]];
        [a, b, c, d].map(|channel| channel[from..from + 512].to_vec())
    };
    assert!(
        feed(&mut writer, block, |tap| tap.state == TapState::NotFixed),
        "{name}"
    );
    let told = writer.told();
    assert_eq!(
        (told.delay_frames, told.reduction),
        (0, Reduction::default())
    );
    drop(comparison);
}

// Sides alone: the sum of the channels is silence.
#[test]
fn channels_that_cancel_each_other_are_heard() {
    let left = &RINK_LIGHTS.channels[0];
    let right: Vec<f32> = left.iter().map(|sample| -sample).collect();
    let cut = |from: usize| -> Vec<Vec<f32>> {
        [left, &right]
            .map(|channel| channel[from..from + STRETCH].to_vec())
            .to_vec()
    };
    let (before, after) = (cut(960_000), cut(960_000 - 700));
    let [before, after] = mono([&before, &after]);
    let Relation::Aligned(found) = aligner().compare(&before, &after) else {
        panic!("not found")
    };
    assert_eq!((found.delay_frames, found.inverted), (700, false));
}

// One channel upside down: what was in the sum of both is in their difference.
#[test]
fn a_channel_that_is_upside_down_keeps_nothing_from_being_found() {
    let [left, right] = &RINK_LIGHTS.channels;
    let down: Vec<f32> = left.iter().map(|sample| -sample).collect();
    let cut = |channels: [&[f32]; 2], from: usize| -> Vec<Vec<f32>> {
        channels
            .map(|channel| channel[from..from + STRETCH].to_vec())
            .to_vec()
    };
    let up = cut([left, right], 960_000);
    for (from, delay) in [(960_000 - 700, 700), (960_000 + 300, -300)] {
        let turned = cut([&down, right], from);
        let [before, after] = mono([&up, &turned]);
        let Relation::Aligned(found) = aligner().compare(&before, &after) else {
            panic!("not found")
        };
        assert_eq!(found.delay_frames, delay);
    }
}

// By construction: a noise on each side, one of them upside down afterwards. As both are as strong,
// what was in the sum is in no sum and no difference any more.
#[test]
fn of_channels_that_have_nothing_in_common_one_is_enough() {
    const LATE: usize = 700;
    let noise = |seed: u64| kit::signals::white_noise(seed, 0.3, 3 * STRETCH);
    let noises = [noise(1), noise(2)];
    let cut = |from: usize, sign: f32| -> Vec<Vec<f32>> {
        let [left, right] = noises
            .each_ref()
            .map(|noise| noise[from..from + STRETCH].iter());
        vec![left.copied().collect(), right.map(|x| sign * x).collect()]
    };
    let before = cut(STRETCH, 1.0);
    let turned = cut(STRETCH - LATE, -1.0);
    let elsewhere = vec![noise(3)[..STRETCH].to_vec(), noise(4)[..STRETCH].to_vec()];
    let compare_any = |after: &[Vec<f32>]| {
        let made = mono([&before, after]);
        let made = made.each_ref().map(Vec::as_slice);
        aligner().compare_any(made, [&before, after], 0)
    };
    let Relation::Aligned(found) = compare_any(&turned) else {
        panic!("not found")
    };
    assert_eq!((found.delay_frames, found.inverted), (700, false));
    assert_eq!(compare_any(&elsewhere), Relation::Unrelated);
    let [before, after] = mono([&before, &turned]);
    assert_eq!(aligner().compare(&before, &after), Relation::Unrelated);
}
