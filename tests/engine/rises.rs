//! Switching what is heard: what is louder by more than 3 dB rises over a second and says so, what
//! is quieter is there at once.
//!
//! Levels are those of the `ebur128` crate over signals that do not change, so that whatever moves
//! is the switch.

use crestline_core::engine::{CHUNK, Engine, Settings};
use crestline_core::handover::{AuditionLoop, audition};
use crestline_core::process::{
    ChainSettings, LimiterSettings, ListenSettings, PushSettings, SaturatorSettings,
    ShelvesSettings, Source,
};
use kit::engine_run::{Planes, cut, engine, loudness_lufs, noise, play, trace};

/// Slow rates are quick to work through.
const RATE_HZ: u32 = 16_000;
/// Frames in a millisecond.
const MS: usize = 16;
/// About half a second, in whole chunks, so that a switch meets their edge.
const HALF: usize = 8_192;
/// When the switch is made; by then everything has come to rest.
const SWITCH: usize = 10 * HALF;
/// In 100 ms nothing may rise by more than 3 dB.
const TENTH: usize = 100 * MS;
/// The crossfade.
const FADE: usize = 20 * MS;
const SOURCES: [Source; 4] = [
    Source::Output,
    Source::Clean,
    Source::Input,
    Source::Residue,
];

/// Noise at −20 dBFS, louder below than above as programme is.
fn programme() -> Planes {
    let mut planes = noise(2, SWITCH + 4 * HALF, 0.35, 77);
    for channel in &mut planes {
        let mut last = 0.0;
        for sample in channel {
            last += 0.2 * (*sample - last);
            *sample = last;
        }
    }
    planes
}

/// Chains whose output lies above the input, below it, and only just beside it.
fn chains() -> [(&'static str, ChainSettings); 3] {
    let limiter = LimiterSettings {
        enabled: true,
        ..LimiterSettings::default()
    };
    let pushed = ChainSettings {
        push: PushSettings { push_db: 14.0 },
        saturator: SaturatorSettings {
            enabled: true,
            ..SaturatorSettings::default()
        },
        limiter,
        ..ChainSettings::default()
    };
    let quieter = ChainSettings {
        shelves: ShelvesSettings {
            low_gain_db: -9.0,
            high_gain_db: -9.0,
            low_hz: 400.0,
            high_hz: 1_500.0,
        },
        ..ChainSettings::default()
    };
    let nearly = ChainSettings {
        shelves: ShelvesSettings {
            high_gain_db: 0.05,
            ..ShelvesSettings::default()
        },
        ..ChainSettings::default()
    };
    [("pushed", pushed), ("quieter", quieter), ("nearly", nearly)]
}

/// What is heard across one switch, and the whole rises that were announced, chunk by chunk.
fn across(
    chain: &ChainSettings,
    from: ListenSettings,
    to: ListenSettings,
    input: &[Vec<f32>],
) -> (Planes, Vec<f32>) {
    let settings = |start: usize| Settings {
        chain: *chain,
        listen: if start < SWITCH { from } else { to },
        ..Settings::default()
    };
    let mut announced = Vec::new();
    let tracks = trace(
        &mut engine(f64::from(RATE_HZ), 2),
        input,
        settings,
        |_, engine: &Engine| announced.push(engine.snapshot().activity.rising_db),
    );
    (tracks.heard, announced)
}

fn level_lufs(heard: &[Vec<f32>], range: std::ops::Range<usize>) -> f64 {
    // Gated loudness has no value for silence.
    loudness_lufs(&cut(heard, range), RATE_HZ).max(-75.0)
}

/// By how much the level of any 20 ms from a frame on exceeds the highest of those in the 100 ms
/// before it, dB.
fn steepest_db(planes: &[Vec<f32>], from: usize) -> f64 {
    const BEFORE: usize = TENTH / FADE;
    let starts = (from - BEFORE * FADE..=planes[0].len() - FADE).step_by(FADE);
    let levels: Vec<f64> = starts.map(|at| level_db(planes, at..at + FADE)).collect();
    let rise = |levels: &[f64]| {
        let before = levels[..BEFORE].iter().copied().fold(f64::MIN, f64::max);
        levels[BEFORE] - before
    };
    levels
        .windows(BEFORE + 1)
        .map(rise)
        .fold(f64::MIN, f64::max)
}

/// What rises by so much from a frame on does so over a second: by 3.1 dB in 100 ms at most, or as half
/// a period of a cosine in its steepest tenth, by 0.16 of all; and noise by 0.4 dB.
pub fn assert_no_jump(planes: &[Vec<f32>], from: usize, rise_db: f64) {
    let (steepest, most) = (steepest_db(planes, from), 3.1_f64.max(0.16 * rise_db));
    assert!(
        steepest < most + 0.4,
        "{steepest:.2} of {most:.2} dB in 100 ms"
    );
}

/// Unweighted level over so short a time that gating blocks do not fit.
pub fn level_db(heard: &[Vec<f32>], range: std::ops::Range<usize>) -> f64 {
    let frames = range.len() as f64;
    let samples = heard.iter().flat_map(|channel| &channel[range.clone()]);
    let energy: f64 = samples.map(|sample| f64::from(*sample).powi(2)).sum();
    (10.0 * (energy / frames).log10()).max(-90.0)
}

fn listens() -> Vec<ListenSettings> {
    let mut all = Vec::new();
    for source in SOURCES {
        for matched in [false, true] {
            all.push(ListenSettings {
                source,
                matched,
                ..ListenSettings::default()
            });
        }
    }
    all.push(ListenSettings {
        bypass: true,
        ..ListenSettings::default()
    });
    all
}

#[test]
fn what_is_louder_rises_over_a_second_and_what_is_quieter_is_there_at_once() {
    let input = programme();
    let (mut rises, mut falls, mut steepest) = (0, 0, f64::MIN);
    for (name, chain) in chains() {
        for to in listens() {
            // What it is once nothing is switched, moment by moment.
            let (rest, _) = across(&chain, to, to, &input);
            for from in listens().into_iter().filter(|from| *from != to) {
                let what = format!("{name}: {from:?} to {to:?}");
                let (heard, announced) = across(&chain, from, to, &input);
                let beside_rest = |from: usize, to: usize| {
                    let range = SWITCH + from..SWITCH + to;
                    level_db(&heard, range.clone()) - level_db(&rest, range)
                };
                let before = level_db(&heard, SWITCH - HALF..SWITCH);
                let rise = level_db(&rest, SWITCH - HALF..SWITCH) - before;
                // In steps of 20 ms, as long as the crossfade, without what the signal
                // itself does from one to the next.
                for at in (0..TENTH).step_by(FADE) {
                    let now = level_db(&heard, SWITCH + at..SWITCH + at + FADE);
                    let risen = rise + beside_rest(at, at + FADE);
                    if now > -70.0 {
                        steepest = steepest.max(risen);
                        assert!(risen < 3.1, "{what}: by {risen:.1} dB after {at} frames");
                    }
                }
                // A second and a tenth later it is where it ends.
                let arrived = beside_rest(11 * TENTH, 3 * HALF);
                assert!(arrived.abs() < 0.5, "{what}: {arrived:.2} dB off");
                let told = announced[SWITCH / CHUNK..]
                    .iter()
                    .copied()
                    .fold(0.0, f32::max);
                if rise > 3.5 {
                    rises += 1;
                    assert!(told > 3.0, "{what}: {rise:.1} dB unannounced");
                    // Most of it is still to come a third of a second on.
                    let third = beside_rest(2 * TENTH, 4 * TENTH);
                    assert!(
                        third < -0.5 * rise,
                        "{what}: {third:.1} of {rise:.1} dB left"
                    );
                }
                if rise < -8.0 {
                    falls += 1;
                    // Two fades on.
                    let soon = beside_rest(2 * FADE, TENTH);
                    assert!(soon.abs() < 1.0, "{what}: {soon:.1} dB off");
                    assert!(told < 1.0, "{what}: a fall is announced as {told}");
                }
                assert_eq!(*announced.last().unwrap(), 0.0, "{what}");
            }
        }
    }
    println!("{rises} rises, {falls} falls; at most {steepest:.2} dB within 100 ms");
    assert!(rises > 40 && falls > 40, "{rises} rises and {falls} falls");
}

// The announced size is that of the jump that was held back: within a decibel of the loudness that
// the `ebur128` crate finds before and after.
#[test]
fn what_is_announced_is_how_far_it_rises() {
    let input = programme();
    let (_, chain) = chains()[0];
    let listen = |source, matched| ListenSettings {
        source,
        matched,
        ..ListenSettings::default()
    };
    for (from, to) in [
        (listen(Source::Input, false), listen(Source::Output, false)),
        (listen(Source::Output, true), listen(Source::Output, false)),
        (
            listen(Source::Residue, false),
            listen(Source::Output, false),
        ),
        (listen(Source::Residue, true), listen(Source::Clean, false)),
    ] {
        let (heard, announced) = across(&chain, from, to, &input);
        let before = level_lufs(&heard, SWITCH - 2 * HALF..SWITCH);
        let end = level_lufs(&heard, SWITCH + 3 * HALF..SWITCH + 4 * HALF);
        let told = announced.iter().copied().fold(0.0, f32::max);
        println!(
            "{from:?} to {to:?}: {:.2} LU, told {told:.2} dB",
            end - before
        );
        assert!((f64::from(told) - (end - before)).abs() < 1.0);
    }
}

// Measuring anew forgets how loud anything is; a switch right after it must not.
#[test]
fn a_switch_right_after_a_restart_is_held_back_too() {
    // Within a chunk: what is known of the levels is told between two.
    const AT: usize = SWITCH + 100;
    let input = programme();
    let (_, chain) = chains()[0];
    let mut engine = engine(f64::from(RATE_HZ), 2);
    let with = |source| Settings {
        chain,
        listen: ListenSettings {
            source,
            ..ListenSettings::default()
        },
        ..Settings::default()
    };
    let first = cut(&input, 0..AT);
    let before = play(&mut engine, &first, || CHUNK, |_| with(Source::Input));
    engine.restart();
    let then = cut(&input, AT..AT + 2 * HALF);
    let after = play(&mut engine, &then, || CHUNK, |_| with(Source::Output));
    let before = level_db(&before, AT - HALF..AT);
    let soon = level_db(&after, FADE..TENTH);
    assert!(soon - before < 3.5, "{before:.1} dB, then {soon:.1}");
}

// A reference as loud as the mix, chosen and left again half a second after measuring anew: there is
// nothing to hold back, whether levels are matched or not.
#[test]
fn a_reference_is_there_at_once_right_after_a_restart() {
    let input = noise(2, 15 * RATE_HZ as usize, 0.1, 6);
    let second = RATE_HZ as usize;
    let at = |tenths: usize| tenths * second / 10;
    for matched in [false, true] {
        let (mut references, receiver) = audition();
        let reference = cut(&noise(2, 5 * second, 0.1, 7), 0..5 * second);
        let heard = AuditionLoop::new(f64::from(RATE_HZ), 2, reference).unwrap();
        references.send(heard).unwrap();
        let mut engine = engine(f64::from(RATE_HZ), 2).with_audition(receiver);
        let mut told = 0.0_f32;
        let mut level = Vec::new();
        for (span, reference) in [
            (0..at(120), false),
            (at(120)..at(125), false),
            (at(125)..at(130), true),
            (at(130)..at(150), false),
        ] {
            if span.start == at(120) {
                engine.restart();
            }
            let settings = Settings {
                playing: true,
                listen: ListenSettings {
                    reference,
                    matched,
                    ..ListenSettings::default()
                },
                ..Settings::default()
            };
            let part = cut(&input, span.clone());
            let heard = play(&mut engine, &part, || CHUNK, |_| settings);
            told = told.max(engine.snapshot().activity.rising_db);
            level.push(level_db(&heard, at(1)..at(3)));
        }
        println!("matched {matched}: {level:.1?} dB, told {told:.1} dB");
        assert!(told < 3.0, "matched {matched}: rising {told} dB");
        assert!(
            level.iter().all(|db| (db - level[0]).abs() < 1.0),
            "{level:?}"
        );
    }
}

// Measuring anew is not silence: what is matched, or pushed, a quarter of a second after it moves as
// it does later. The second difference of a tone at 100 Hz shows a kink.
#[test]
fn nothing_jumps_right_after_a_restart() {
    let second = RATE_HZ as usize;
    let tone: Vec<f32> = (0..2 * second)
        .map(|n| {
            let turns = 100.0 * n as f64 / f64::from(RATE_HZ);
            (0.2 * (std::f64::consts::TAU * turns).sin()) as f32
        })
        .collect();
    let tone = vec![tone.clone(), tone];
    let with = |push_db: f64, matched: bool| Settings {
        playing: true,
        chain: ChainSettings {
            push: PushSettings { push_db },
            limiter: LimiterSettings {
                enabled: false,
                ..LimiterSettings::default()
            },
            ..ChainSettings::default()
        },
        listen: ListenSettings {
            matched,
            ..ListenSettings::default()
        },
        ..Settings::default()
    };
    for (from, to) in [
        (with(12.0, false), with(12.0, true)),
        (with(0.0, true), with(12.0, true)),
    ] {
        let kink = |restart: bool| {
            let mut engine = engine(f64::from(RATE_HZ), 2);
            for _ in 0..6 {
                play(&mut engine, &tone, || 32, |_| from);
            }
            if restart {
                engine.restart();
            }
            let before = cut(&tone, 0..second / 4);
            play(&mut engine, &before, || 32, |_| from);
            let rest = cut(&tone, second / 4..2 * second);
            let heard = play(&mut engine, &rest, || 32, |_| to);
            let second_differences = heard[0].windows(3).map(|of| {
                let [a, b, c] = [of[0], of[1], of[2]].map(f64::from);
                (a - 2.0 * b + c).abs()
            });
            second_differences.fold(0.0, f64::max)
        };
        let [through, anew] = [false, true].map(kink);
        println!("kinks: {through:.5}, after a restart {anew:.5}");
        assert!(anew < 1.5 * through, "{anew} for {through}");
    }
}

/// Plays the programme with the first settings up to the switch, in the midst of a chunk, and with the
/// others from there on.
fn heard_across(settings: &[Settings; 2]) -> (usize, Planes) {
    const AT: usize = SWITCH + 100;
    let mut sizes = std::iter::once(AT).chain(std::iter::repeat(CHUNK));
    let heard = play(
        &mut engine(f64::from(RATE_HZ), 2),
        &programme(),
        || sizes.next().unwrap_or(CHUNK),
        |start| settings[usize::from(start >= AT)],
    );
    (AT, heard)
}

// As where a session is loaded while bypass is on.
#[test]
fn what_comes_with_another_push_rises_as_well() {
    let with = |push_db: f64, source, bypass| Settings {
        chain: ChainSettings {
            push: PushSettings { push_db },
            ..ChainSettings::default()
        },
        listen: ListenSettings {
            source,
            bypass,
            ..ListenSettings::default()
        },
        ..Settings::default()
    };
    for before in [
        with(0.0, Source::Output, true),
        with(6.0, Source::Input, false),
    ] {
        let (at, heard) = heard_across(&[before, with(18.0, Source::Output, false)]);
        assert_no_jump(&heard, at, 18.0);
        let level = |from: usize| level_db(&heard, from..from + TENTH);
        let rise_db = level(at + 11 * TENTH) - level(at - TENTH);
        assert!((rise_db - 18.0).abs() < 0.3, "{rise_db}");
    }
}

// So does what is no longer bent, which the saturator held down until then.
#[test]
fn what_comes_unbent_rises_as_well() {
    let with = |enabled, blend_percent, source| Settings {
        chain: ChainSettings {
            push: PushSettings { push_db: 18.0 },
            saturator: SaturatorSettings {
                enabled,
                blend_percent,
                ..SaturatorSettings::default()
            },
            limiter: LimiterSettings {
                enabled: false,
                ceiling_dbtp: -12.0,
                ..LimiterSettings::default()
            },
            ..ChainSettings::default()
        },
        listen: ListenSettings {
            source,
            ..ListenSettings::default()
        },
        ..Settings::default()
    };
    for (enabled, blend_percent) in [(false, 100.0), (true, 0.0)] {
        let settings = [
            with(true, 100.0, Source::Input),
            with(enabled, blend_percent, Source::Output),
        ];
        let (at, heard) = heard_across(&settings);
        assert_no_jump(&heard, at, 18.0);
    }
}

// Nobody listens to what is written, and a slow rise would be in the file.
#[test]
fn in_a_file_what_is_louder_comes_with_its_crossfade() {
    let with = |bypass| Settings {
        chain: chains()[0].1,
        listen: ListenSettings {
            bypass,
            written: true,
            ..ListenSettings::default()
        },
        ..Settings::default()
    };
    let (at, heard) = heard_across(&[with(true), with(false)]);
    let (_, rest) = heard_across(&[with(false), with(false)]);
    assert_eq!(
        cut(&heard, at + FADE..SWITCH + 2 * HALF),
        cut(&rest, at + FADE..SWITCH + 2 * HALF)
    );
}
