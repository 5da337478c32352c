//! Listening fairly: what a host receives while sources, matching, bypass and stages are switched.

#![allow(
    clippy::cast_sign_loss,
    clippy::large_types_passed_by_value,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test fails by panicking and prints its figures, in its helpers too"
)]

use std::f64::consts::{PI, TAU};
use std::ops::Range;

use crestline_core::engine::Settings;
use crestline_core::process::{
    BandSettings, BandsSettings, ChainSettings, LimiterSettings, ListenSettings, PushSettings,
    SaturatorSettings, ShelvesSettings, Source,
};
use kit::engine_run::{
    Planes, Tracks, cut, engine, everything_on, largest_step, loudness_lufs, noise, play, trace,
};
use kit::spectrum::above_2_khz_dbfs;
use songs::rink_lights;

const RATE_HZ: u32 = 48_000;
pub const SECOND: usize = 48_000;
/// Four bars of four at 108 beats a minute.
const FOUR_BARS: usize = 426_667;
/// The crossfade of every switch, 20 ms.
pub const FADE: usize = 960;

/// Four bars of the demo song in which the whole band plays, again and again.
pub fn loop_of_four_bars(frames: usize) -> Planes {
    let song = rink_lights(RATE_HZ);
    let once = cut(&song.channels, 3 * FOUR_BARS..4 * FOUR_BARS);
    once.iter()
        .map(|channel| channel.iter().copied().cycle().take(frames).collect())
        .collect()
}

fn chains() -> [(&'static str, ChainSettings); 4] {
    let limited = ChainSettings {
        limiter: LimiterSettings::default(),
        ..ChainSettings::default()
    };
    let saturator = SaturatorSettings {
        enabled: true,
        ..SaturatorSettings::default()
    };
    let crushed = BandSettings {
        threshold_db: -45.0,
        ratio: 6.0,
        ..BandSettings::default()
    };
    let quieter = ChainSettings {
        shelves: ShelvesSettings {
            high_gain_db: -6.0,
            low_gain_db: 3.0,
            ..ShelvesSettings::default()
        },
        bands: BandsSettings {
            on: true,
            bands: [crushed; 4],
            ..BandsSettings::default()
        },
        ..limited
    };
    [
        ("neutral", ChainSettings::default()),
        (
            "limited",
            ChainSettings {
                push: PushSettings { push_db: 6.0 },
                ..limited
            },
        ),
        (
            "saturated",
            ChainSettings {
                push: PushSettings { push_db: 12.0 },
                saturator,
                ..limited
            },
        ),
        ("quieter and darker", quieter),
    ]
}

pub fn listen(source: Source, matched: bool) -> ListenSettings {
    ListenSettings {
        source,
        matched,
        ..ListenSettings::default()
    }
}

pub fn with(chain: ChainSettings, listen: ListenSettings) -> Settings {
    Settings {
        chain,
        listen,
        ..Settings::default()
    }
}

const SOURCES: [Source; 3] = [Source::Output, Source::Input, Source::Clean];

// The loudness of what the host receives by the `ebur128` crate, each source over the same four
// bars, from ten seconds on.
#[test]
fn matched_sources_are_equally_loud_after_ten_seconds() {
    let from = 10 * SECOND;
    let input = loop_of_four_bars(from + 3 * FOUR_BARS);
    for (name, chain) in chains() {
        let selected = |start: usize| SOURCES[(start.saturating_sub(from) / FOUR_BARS).min(2)];
        let settings = |start| with(chain, listen(selected(start), true));
        let heard = play(&mut engine(48_000.0, 2), &input, || 512, settings);
        let loudness = [0, 1, 2].map(|number| {
            let start = from + number * FOUR_BARS;
            loudness_lufs(&cut(&heard, start..start + FOUR_BARS), RATE_HZ)
        });
        let [least, most] = [f64::min, f64::max].map(|of| loudness.into_iter().reduce(of).unwrap());
        println!("{name}: output, input, clean {loudness:.3?} LUFS");
        assert!(most - least <= 0.2, "{name}: {loudness:?}");
    }
}

#[test]
fn matching_equal_signals_changes_nothing() {
    let mut input = loop_of_four_bars(12 * SECOND);
    for channel in &mut input {
        channel.resize(25 * SECOND, 0.0);
    }
    let mut matches = Vec::new();
    trace(
        &mut engine(48_000.0, 2),
        &input,
        |_| with(ChainSettings::default(), listen(Source::Output, true)),
        |_, engine| matches.push(engine.snapshot().activity.match_db),
    );
    assert!(matches.iter().flatten().all(|gain_db| *gain_db == 0.0));
}

// Nothing is ever louder than it is: the definition of a gain of one at the most, sample by sample.
#[test]
fn nothing_is_ever_heard_louder_than_it_is() {
    const EVERY: usize = 79 * 256;
    let input = loop_of_four_bars(6 * SECOND);
    for (name, chain) in chains() {
        for matched in [true, false] {
            let settings = |start: usize| with(chain, listen(SOURCES[start / EVERY % 3], matched));
            let tracks = trace(&mut engine(48_000.0, 2), &input, settings, |_, _| ());
            for channel in 0..2 {
                let signals = [
                    &tracks.output[channel],
                    &tracks.input[channel],
                    &tracks.clean[channel],
                ];
                for (frame, heard) in tracks.heard[channel].iter().enumerate() {
                    let values = signals.map(|signal| signal[frame].abs());
                    let selected = values[frame / EVERY % 3];
                    // In a crossfade it lies between two of them.
                    let fading = frame >= EVERY && frame % EVERY < FADE;
                    let most = if fading {
                        values.into_iter().fold(0.0, f32::max)
                    } else {
                        selected
                    };
                    assert!(
                        heard.abs() <= most * 1.000_001,
                        "{name}, frame {frame}: {heard} of {most}"
                    );
                }
            }
        }
    }
}

/// Gain in dB between the output and what is heard of it, where there is enough to divide by, in
/// points at least 50 ms apart.
fn heard_gain_db(tracks: &Tracks, range: Range<usize>) -> Vec<(usize, f64)> {
    let mut points: Vec<(usize, f64)> = Vec::new();
    for frame in range {
        let (heard, source) = (tracks.heard[0][frame], tracks.output[0][frame]);
        if source.abs() > 0.02
            && points
                .last()
                .is_none_or(|(last, _)| frame >= last + SECOND / 20)
        {
            points.push((frame, 20.0 * (f64::from(heard) / f64::from(source)).log10()));
        }
    }
    points
}

#[test]
fn a_settled_gain_moves_by_a_decibel_a_second_and_holds_in_silence() {
    let mut input = loop_of_four_bars(40 * SECOND);
    for channel in &mut input {
        // Eight seconds much quieter, twelve of silence, one of them with a trace of noise below
        // the gate.
        channel[14 * SECOND..22 * SECOND]
            .iter_mut()
            .for_each(|sample| *sample *= 0.25);
        channel[22 * SECOND..34 * SECOND].fill(0.0);
        for (n, sample) in channel[26 * SECOND..27 * SECOND].iter_mut().enumerate() {
            *sample = if n % 2 == 0 { 1e-5 } else { -1e-5 };
        }
    }
    for (name, chain) in &chains()[2..] {
        let mut matches = Vec::new();
        let tracks = trace(
            &mut engine(48_000.0, 2),
            &input,
            |_| with(*chain, listen(Source::Output, true)),
            |_, engine| matches.push(engine.snapshot().activity.match_db),
        );
        let points = heard_gain_db(&tracks, 10 * SECOND..40 * SECOND);
        let rate = |pair: &[(usize, f64)]| {
            (pair[1].1 - pair[0].1).abs() * 48_000.0 / (pair[1].0 - pair[0].0) as f64
        };
        let fastest = points.windows(2).map(rate).fold(0.0, f64::max);
        let at = |seconds: f64| matches[(seconds * 48_000.0 / 256.0) as usize];
        // 400 ms are the window that tells silence.
        let (before, after) = (at(22.6), at(33.9));
        println!(
            "{name}: at most {fastest:.4} dB/s; matching gains {before:.3?} dB into, {after:.3?} dB out of silence"
        );
        // The gain is divided out of single-precision samples.
        assert!(fastest <= 1.001, "{name}: {fastest} dB/s");
        assert_eq!(before, after, "{name}");
    }
}

/// Two low tones: their own steps are so small that any other would stand out.
fn low_tones(frames: usize) -> Planes {
    let tone = |hz: f64| {
        (0..frames)
            .map(|n| (0.4 * (TAU * hz * n as f64 / 48_000.0).sin()) as f32)
            .collect()
    };
    [47.0, 61.0].map(tone).to_vec()
}

/// Switches a quarter of a second apart, then so close together that each falls into the fade of
/// the one before; matching and bypass too.
fn busy(order: &[Source], start: usize) -> ListenSettings {
    let step = start / if start < 4 * SECOND { 12_032 } else { 512 };
    ListenSettings {
        source: order[step % order.len()],
        matched: step / 7 % 2 == 1,
        bypass: step % 11 == 3,
        ..ListenSettings::default()
    }
}

// A crossfade of N frames cannot step by more than the largest of its signals' own steps and the
// span between them over N: the definition of a weighted mean whose weights move by 1/N a frame. A
// gain in motion adds its slope: 24 dB/s at the fastest, less than 6e-5 a frame.
#[test]
fn no_listen_switch_makes_a_step_of_its_own() {
    for (name, input) in [
        ("song", loop_of_four_bars(6 * SECOND)),
        ("low tones", low_tones(6 * SECOND)),
    ] {
        for (chain_name, chain) in chains() {
            let order = [Source::Output, Source::Input, Source::Clean, Source::Input];
            let settings = |start| with(chain, busy(&order, start));
            let tracks = trace(&mut engine(48_000.0, 2), &input, settings, |_, _| ());
            let mut beyond = f32::MIN;
            for channel in 0..2 {
                let signals = [
                    &tracks.output[channel],
                    &tracks.clean[channel],
                    &tracks.input[channel],
                ];
                for (n, heard) in tracks.heard[channel].windows(2).enumerate() {
                    let step = signals
                        .iter()
                        .map(|signal| (signal[n + 1] - signal[n]).abs())
                        .fold(0.0, f32::max);
                    let values = signals.map(|signal| signal[n]);
                    let size = values
                        .iter()
                        .fold(0.0_f32, |size, value| size.max(value.abs()));
                    let (most, least) =
                        values.iter().fold((0.0_f32, 0.0_f32), |(most, least), x| {
                            (most.max(*x), least.min(*x))
                        });
                    let allowed = step + (most - least) / FADE as f32 + 6e-5 * (size + step);
                    beyond = beyond.max((heard[1] - heard[0]).abs() - allowed);
                }
            }
            println!(
                "{name}, {chain_name}: largest step {:.5}",
                largest_step(&tracks.heard)
            );
            // Rounding of single-precision samples near 1.
            assert!(
                beyond <= 5e-7,
                "{name}, {chain_name}: {beyond} more than a crossfade may"
            );
        }
    }
}

#[test]
fn no_switch_at_all_steps_further_than_the_programme() {
    for (name, input) in [
        ("song", loop_of_four_bars(5 * SECOND)),
        ("low tones", low_tones(5 * SECOND)),
    ] {
        let all = everything_on();
        let order = [
            Source::Output,
            Source::Residue,
            Source::Input,
            Source::Clean,
            Source::Residue,
        ];
        // From the second second on: before that the programme begins.
        let heard = |settings: &dyn Fn(usize) -> Settings| {
            cut(
                &play(&mut engine(48_000.0, 2), &input, || 256, settings),
                SECOND..5 * SECOND,
            )
        };
        // The programme's own steps: every source and every combination of stages at rest, over the
        // same ten seconds.
        let stages = |step: usize| {
            let mut chain = all;
            chain.saturator.enabled = step & 1 == 0;
            chain.limiter.enabled = step & 2 == 0;
            chain.bands.on = step & 4 == 0;
            chain
        };
        let mut own = 0.0_f32;
        for step in 0..8 {
            own = own.max(largest_step(&heard(&|_| {
                with(stages(step), listen(Source::Output, false))
            })));
        }
        // Bands that have not begun to turn down yet, but do make up.
        let mut awake = stages(2);
        awake
            .bands
            .bands
            .iter_mut()
            .for_each(|band| band.ratio = 1.0);
        own = own.max(largest_step(&heard(&|_| {
            with(awake, listen(Source::Output, false))
        })));
        for source in [Source::Clean, Source::Input, Source::Residue] {
            own = own.max(largest_step(&heard(&|_| {
                with(stages(2), listen(source, false))
            })));
        }
        let listening = largest_step(&heard(&|start| with(all, busy(&order, start))));
        let working = largest_step(&heard(&|start| {
            with(stages(start / 6_144), listen(Source::Output, false))
        }));
        let both = largest_step(&heard(&|start| {
            with(stages(start / 2_560 * 7), busy(&order, start))
        }));
        let residue = largest_step(&heard(&|start| {
            with(stages(start / 2_560 * 7), listen(Source::Residue, false))
        }));
        println!(
            "{name}: own {own:.5}; listen switches {listening:.5}, stages {working:.5}, both {both:.5}, \
             residue {residue:.5}"
        );
        for step in [listening, working, both, residue] {
            assert!(step <= own * 1.000_001, "{name}: {step}, own {own}");
        }
    }
}

/// Mean level in dB.
pub fn level_db(planes: &[Vec<f32>], range: Range<usize>) -> f64 {
    let squares = planes
        .iter()
        .flat_map(|channel| &channel[range.clone()])
        .map(|x| f64::from(*x).powi(2));
    10.0 * (squares.sum::<f64>() / (planes.len() * range.len()) as f64).log10()
}

// 50 and 200 Hz hold nothing above 2 kHz, at 12 dB more either: what rises there is the way from one
// to the other. 80 dB below full scale is below what can be heard beside a bass near it (common
// practice).
#[test]
fn a_switch_to_what_is_quieter_does_not_tick() {
    let pushed = ChainSettings {
        push: PushSettings { push_db: 12.0 },
        ..ChainSettings::default()
    };
    let bypass = ListenSettings {
        bypass: true,
        ..ListenSettings::default()
    };
    for (name, to) in [("input", listen(Source::Input, false)), ("bypass", bypass)] {
        let worst = [0, 67, 240, 533, 900].map(|moment| {
            let sample = |n: usize| {
                let turns = (n + moment) as f64 / 48_000.0;
                let low = 0.7 * (TAU * 50.0 * turns).sin() + 0.3 * (TAU * 200.0 * turns).sin();
                (0.2 * low) as f32
            };
            let input: Planes = vec![(0..3 * SECOND).map(sample).collect(); 2];
            let settings = |start: usize| {
                let now = listen(Source::Output, false);
                with(pushed, if start < 2 * SECOND { now } else { to })
            };
            let heard = play(&mut engine(48_000.0, 2), &input, || 480, settings);
            above_2_khz_dbfs(48_000.0, &heard[0], 2 * SECOND - 10..3 * SECOND)
        });
        let worst = worst.into_iter().fold(f64::MIN, f64::max);
        println!("{name}: {worst:.1} dBFS");
        assert!(worst < -80.0, "{name}: {worst:.1} dBFS");
    }
}

// Noise that all of it is pushed by 12 dB: matched, the output is as loud as the input, which is
// there from before; on the way from one to the other it is never quieter. 50 ms of it are within
// 0.2 dB (below).
#[test]
fn matched_while_it_still_rises_is_not_turned_down_twice() {
    let input = noise(2, 8 * SECOND, 0.05, 3);
    let pushed = ChainSettings {
        push: PushSettings { push_db: 12.0 },
        ..ChainSettings::default()
    };
    let at = 5 * SECOND;
    let input_db = level_db(&input, at..at + SECOND);
    type Heard = fn(usize) -> ListenSettings;
    let ways: [(&str, Heard); 3] = [
        ("matched off and on", |tenths| {
            listen(Source::Output, tenths != 50)
        }),
        ("input, output, matched", |tenths| match tenths {
            ..50 => listen(Source::Input, false),
            tenths => listen(Source::Output, tenths > 50),
        }),
        ("bypass off, matched", |tenths| ListenSettings {
            bypass: tenths < 50,
            matched: tenths > 50,
            ..ListenSettings::default()
        }),
    ];
    for (name, heard) in ways {
        let settings = |start: usize| with(pushed, heard(start / 4_800));
        let heard = play(&mut engine(48_000.0, 2), &input, || 480, settings);
        let levels = (0..40).map(|n| {
            let start = at + n * 2_400;
            level_db(&heard, start..start + 2_400) - input_db
        });
        let levels: Vec<f64> = levels.collect();
        println!("{name}: {levels:.1?} dB over the input, each 50 ms");
        assert!(levels.iter().all(|db| *db > -0.5), "{name}");
        assert!(levels[10..].iter().all(|db| *db < 0.5), "{name}");
    }
}

// Noise: 50 ms of it at 48 kHz in stereo have a level within 0.1 dB of the mean (4800 independent
// samples: 10·log10(1 + √(0.8/4800)) at one standard error, for a uniform distribution; three of
// them are allowed).
#[test]
fn a_louder_source_arrives_within_a_second() {
    const NOISE_DB: f64 = 0.2;
    let input = noise(2, 8 * SECOND, 0.05, 1);
    let pushed = ChainSettings {
        push: PushSettings { push_db: 10.0 },
        ..ChainSettings::default()
    };
    let at = 4 * SECOND;
    // Pushed from the start, and pushed only half a second before the switch, when the last ten
    // seconds do not show it yet.
    for pushed_from in [0, at - SECOND / 2] {
        let settings = |start: usize| {
            let chain = if start < pushed_from {
                ChainSettings::default()
            } else {
                pushed
            };
            with(
                chain,
                listen(
                    if start < at {
                        Source::Input
                    } else {
                        Source::Output
                    },
                    false,
                ),
            )
        };
        let heard = play(&mut engine(48_000.0, 2), &input, || 480, settings);
        let before_db = level_db(&heard, at - SECOND..at);
        let rise_db = |n: usize| level_db(&heard, at + n * 2_400..at + (n + 1) * 2_400) - before_db;
        let rises: Vec<f64> = (0..24).map(rise_db).collect();
        println!("louder by, each 50 ms: {rises:.2?} dB");
        // Ten decibels in one second, by half a period of a cosine.
        for (n, rise) in rises.iter().enumerate() {
            let share = (0.05 * (n as f64 + 0.5)).min(1.0);
            let expected = 5.0 * (1.0 - (PI * share).cos());
            assert!(
                (rise - expected).abs() < NOISE_DB + 0.2,
                "{n}: {rise} dB, expected {expected}"
            );
        }
    }
    // Up to 3 dB nothing is held back.
    let pushed = ChainSettings {
        push: PushSettings { push_db: 2.9 },
        ..ChainSettings::default()
    };
    let settings = |start| {
        with(
            pushed,
            listen(
                if start < at {
                    Source::Input
                } else {
                    Source::Output
                },
                false,
            ),
        )
    };
    let heard = play(&mut engine(48_000.0, 2), &input, || 480, settings);
    let rise_db =
        level_db(&heard, at + FADE..at + FADE + 4_800) - level_db(&heard, at - SECOND..at);
    assert!((rise_db - 2.9).abs() < NOISE_DB, "{rise_db} dB");
}
