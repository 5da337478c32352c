//! What comes after a stop, a change of the sample rate or a file that was written, and what a jump
//! of the settings lets out: nothing of it jumps up.

use crate::rises::level_db;
use crestline_core::engine::{CHUNK, Engine, Settings};
use crestline_core::handover::{AuditionLoop, AuditionSender, audition};
use crestline_core::process::{
    BandsSettings, ChainSettings, LimiterSettings, ListenSettings, PushSettings, Source,
};
use kit::engine_run::{Planes, cut, engine, noise, play};
use std::f64::consts::TAU;

const RATE_HZ: usize = 48_000;
const TENTH: usize = RATE_HZ / 10;

/// Noise at such a level, dBFS, louder below than above as programme is.
fn programme(seconds: usize, dbfs: f64, seed: u64) -> Planes {
    let mut planes = noise(2, seconds * RATE_HZ, 0.35, seed);
    for channel in &mut planes {
        let mut last = 0.0;
        for sample in channel.iter_mut() {
            last += 0.2 * (*sample - last);
            *sample = last;
        }
    }
    let all = 0..planes[0].len();
    let gain = 10_f64.powf((dbfs - level_db(&planes, all)) / 20.0) as f32;
    planes.iter_mut().flatten().for_each(|x| *x *= gain);
    planes
}

fn limited(push_db: f64) -> ChainSettings {
    ChainSettings {
        push: PushSettings { push_db },
        limiter: LimiterSettings {
            enabled: true,
            ..LimiterSettings::default()
        },
        ..ChainSettings::default()
    }
}

fn with(chain: &ChainSettings, listen: ListenSettings) -> Settings {
    Settings {
        chain: *chain,
        listen,
        playing: true,
        ..Settings::default()
    }
}

/// An engine, and what hands it a reference, which is as long as the programme and 20 dB quieter.
fn with_reference() -> (Engine, AuditionSender) {
    let (mut sender, receiver) = audition();
    let planes = programme(4, -43.0, 5);
    let reference = AuditionLoop::new(RATE_HZ as f64, 2, planes).unwrap();
    sender.send(reference).unwrap();
    (engine(RATE_HZ as f64, 2).with_audition(receiver), sender)
}

/// What happens between two settings, while nothing is heard.
#[derive(Clone, Copy, Debug)]
enum Interruption {
    Stop,
    OtherRate,
    /// A file is written, with the reference or without.
    File(bool),
}

/// What is heard right after it, of the same programme.
fn after(
    interruption: Interruption,
    (mut engine, mut sender): (Engine, AuditionSender),
    [first, then]: [Settings; 2],
) -> Planes {
    let input = programme(6, -23.0, 77);
    play(&mut engine, &input, || CHUNK, |_| first);
    match interruption {
        Interruption::Stop => engine.reset(),
        Interruption::OtherRate => {
            let (mut anew, another) = with_reference();
            anew.go_on_from(&engine);
            (engine, sender) = (anew, another);
        }
        Interruption::File(kept) => {
            engine.reset();
            engine.cut_listening();
            let written = with(
                &first.chain,
                ListenSettings {
                    written: true,
                    ..ListenSettings::default()
                },
            );
            let part = cut(&input, 0..RATE_HZ);
            play(&mut engine, &part, || CHUNK, |_| written);
            if !kept {
                sender.clear();
            }
            play(&mut engine, &part, || CHUNK, |_| written);
        }
    }
    let heard = play(
        &mut engine,
        &cut(&input, 0..2 * RATE_HZ),
        || CHUNK,
        |_| then,
    );
    drop(sender);
    heard
}

const INTERRUPTIONS: [Interruption; 4] = [
    Interruption::Stop,
    Interruption::OtherRate,
    Interruption::File(true),
    Interruption::File(false),
];

// Whoever stops, switches and plays on is to be spared as whoever switches while it plays.
#[test]
fn what_is_switched_to_while_nothing_plays_rises_as_well() {
    let listen = ListenSettings::default();
    let input = ListenSettings {
        source: Source::Input,
        ..listen
    };
    let bypass = ListenSettings {
        bypass: true,
        ..listen
    };
    let matched = ListenSettings {
        matched: true,
        ..listen
    };
    for interruption in INTERRUPTIONS {
        for from in [input, bypass, matched] {
            let settings = [from, listen].map(|listen| with(&limited(18.0), listen));
            let heard = after(
                interruption,
                (engine(RATE_HZ as f64, 2), audition().0),
                settings,
            );
            let level = |tenth: usize| level_db(&heard, tenth * TENTH..(tenth + 1) * TENTH);
            println!(
                "{interruption:?}: {:.1} dB, then {:.1}",
                level(0),
                level(14)
            );
            assert!(
                level(0) < -23.0 + 3.5,
                "{interruption:?}, {from:?}: {:.1}",
                level(0)
            );
            assert!(
                level(14) > -23.0 + 10.0,
                "{interruption:?}, {from:?}: {:.1}",
                level(14)
            );
        }
    }
}

// A band alone is quieter than the whole: that comes back over a second, too.
#[test]
fn the_whole_after_a_band_alone_rises_as_well() {
    let listen = ListenSettings::default();
    let alone = ListenSettings {
        solo: [false, false, false, true],
        ..listen
    };
    for interruption in [Interruption::Stop, Interruption::OtherRate] {
        let settings = [alone, listen].map(|listen| with(&limited(6.0), listen));
        let fresh = (engine(RATE_HZ as f64, 2), audition().0);
        let before = play(
            &mut engine(RATE_HZ as f64, 2),
            &programme(6, -23.0, 77),
            || CHUNK,
            |_| settings[0],
        );
        let before = level_db(&before, 5 * RATE_HZ..6 * RATE_HZ);
        let heard = after(interruption, fresh, settings);
        let level = |tenth: usize| level_db(&heard, tenth * TENTH..(tenth + 1) * TENTH);
        println!(
            "{interruption:?}: {before:.1} dB, {:.1}, then {:.1}",
            level(0),
            level(14)
        );
        assert!(level(0) < before + 5.0, "{interruption:?}: {:.1}", level(0));
        assert!(
            level(14) > before + 7.0,
            "{interruption:?}: {:.1}",
            level(14)
        );
    }
}

// What was written nobody has heard: it does not fade into what was listened to before and is now.
#[test]
fn what_was_quiet_before_a_file_was_written_is_quiet_after_it() {
    let input = ListenSettings {
        source: Source::Input,
        ..ListenSettings::default()
    };
    let matched = ListenSettings {
        matched: true,
        ..ListenSettings::default()
    };
    for listen in [input, matched] {
        let settings = [with(&limited(18.0), listen); 2];
        let fresh = (engine(RATE_HZ as f64, 2), audition().0);
        let heard = after(Interruption::File(true), fresh, settings);
        let levels = (0..TENTH).step_by(TENTH / 10);
        let levels = levels.map(|at| level_db(&heard, at..at + TENTH / 10));
        let highest = levels.fold(f64::MIN, f64::max);
        println!("{listen:?}: {highest:.1} dB");
        assert!(highest < -23.0 + 3.5, "{listen:?}: {highest:.1}");
    }
}

// A mix that has been turned down to a quiet reference stays there, or rises over a second where
// there is no reference any more.
#[test]
fn a_mix_that_is_turned_down_to_its_reference_does_not_come_back_at_once() {
    let matched = ListenSettings {
        matched: true,
        ..ListenSettings::default()
    };
    for interruption in INTERRUPTIONS {
        let (mut engine, sender) = with_reference();
        let beside = ListenSettings {
            reference: true,
            ..matched
        };
        let chain = ChainSettings::default();
        let input = programme(6, -23.0, 77);
        play(&mut engine, &input, || CHUNK, |_| with(&chain, beside));
        let settings = [with(&chain, matched); 2];
        let heard = after(interruption, (engine, sender), settings);
        let level = |tenth: usize| level_db(&heard, tenth * TENTH..(tenth + 1) * TENTH);
        println!(
            "{interruption:?}: {:.1} dB, then {:.1}",
            level(0),
            level(14)
        );
        assert!(level(0) < -43.0 + 4.0, "{interruption:?}: {:.1}", level(0));
        if !matches!(interruption, Interruption::File(false)) {
            assert!(
                level(14) < -43.0 + 4.0,
                "{interruption:?}: {:.1}",
                level(14)
            );
        }
    }
}

// What turns the chain down acts on what is in its delay already: for the residue's gain that must not
// look like something new, or all of the music is heard for a moment.
#[test]
fn the_residue_does_not_let_the_music_out_when_the_chain_is_turned_down() {
    let bands = |threshold_db: f64, makeup_db: f64| {
        let mut bands = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        for band in &mut bands.bands {
            (band.threshold_db, band.makeup_db, band.ratio) = (threshold_db, makeup_db, 10.0);
        }
        ChainSettings {
            push: PushSettings { push_db: 9.0 },
            bands,
            ..ChainSettings::default()
        }
    };
    let open = |push_db: f64| {
        let mut chain = limited(push_db);
        chain.limiter.enabled = false;
        chain
    };
    let mut low = limited(18.0);
    low.limiter.ceiling_dbtp = -12.0;
    let listen = ListenSettings {
        source: Source::Residue,
        ..ListenSettings::default()
    };
    for (name, from, to) in [
        ("limiter on at 18 dB", open(18.0), limited(18.0)),
        ("limiter on at 12 dB", open(12.0), limited(12.0)),
        ("ceiling down", limited(18.0), low),
        ("bands on", open(9.0), bands(-40.0, 0.0)),
        ("thresholds down", bands(0.0, 0.0), bands(-40.0, 0.0)),
        ("make-up down", bands(0.0, 0.0), bands(0.0, -12.0)),
    ] {
        let input = programme(8, -20.0, 9);
        let at = 4 * RATE_HZ + 100;
        let settings = |start: usize| with(if start < at { &from } else { &to }, listen);
        let mut sizes = std::iter::once(at).chain(std::iter::repeat(CHUNK));
        let mut engine = engine(RATE_HZ as f64, 2);
        let heard = play(&mut engine, &input, || sizes.next().unwrap(), settings);
        let steady = level_db(&heard, at + 2 * RATE_HZ..at + 3 * RATE_HZ);
        let before = level_db(&heard, at - RATE_HZ..at);
        let tenths = (0..6).map(|n| level_db(&heard, at + n * TENTH..at + (n + 1) * TENTH));
        let highest = tenths.fold(f64::MIN, f64::max);
        println!("{name}: {before:.1} dB before, {steady:.1} after, {highest:.1} on the way");
        assert!(highest < before.max(steady).max(-45.0) + 9.0, "{name}");
    }
}

// Push goes up by 18 dB in one step, at any frame of a chunk: matched, none of it is heard.
#[test]
fn matched_a_step_of_push_is_never_heard_louder() {
    let tone: Vec<f32> = (0..8 * RATE_HZ)
        .map(|n| (0.04 * (TAU * 997.0 * n as f64 / RATE_HZ as f64).sin()) as f32)
        .collect();
    let tone = vec![tone.clone(), tone];
    let listen = ListenSettings {
        matched: true,
        ..ListenSettings::default()
    };
    let mut unlimited = limited(0.0);
    unlimited.limiter.enabled = false;
    let steady_db = level_db(&tone, 0..RATE_HZ);
    for chain in [limited(0.0), unlimited] {
        for phase in [0, 1, 100, 200, 255] {
            let at = 6 * RATE_HZ / CHUNK * CHUNK + phase;
            let settings = |start: usize| {
                let push_db = if start < at { 0.0 } else { 18.0 };
                let push = PushSettings { push_db };
                with(&ChainSettings { push, ..chain }, listen)
            };
            let mut sizes = std::iter::once(at).chain(std::iter::repeat(CHUNK));
            let mut engine = engine(RATE_HZ as f64, 2);
            let heard = play(&mut engine, &tone, || sizes.next().unwrap(), settings);
            // 5 ms are some five periods.
            let levels = (at..7 * RATE_HZ)
                .step_by(120)
                .map(|n| level_db(&heard, n..n + 240));
            let over_db = levels.fold(f64::MIN, f64::max) - steady_db;
            println!("at frame {phase} of a chunk: {over_db:+.2} dB");
            assert!(
                over_db < 0.5,
                "at frame {phase} of a chunk: {over_db:+.2} dB"
            );
        }
    }
}
