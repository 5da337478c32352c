//! Settings in motion: on the way from one to another nothing is heard that neither of them makes.

use crestline_core::process::{
    BandSettings, Bands, BandsSettings, Before, Chain, ChainSettings, LimiterSettings,
    PushSettings, Release, Saturator, SaturatorSettings,
};
use kit::engine_run::compress;
use kit::spectrum::above_2_khz_dbfs;
use std::f64::consts::TAU;

const RATE_HZ: f64 = 48_000.0;
const SECOND: usize = 48_000;
/// Moments within a period of 50 Hz at which a change is made.
const MOMENTS: [usize; 5] = [0, 67, 240, 533, 900];

/// 50 Hz and, 7 dB lower, 200 Hz: nothing above.
fn bass(peak: f64, moment: usize, frames: usize) -> Vec<f32> {
    let sample = |n: usize| {
        let turns = (n + moment) as f64 / RATE_HZ;
        peak * (0.7 * (TAU * 50.0 * turns).sin() + 0.3 * (TAU * 200.0 * turns).sin())
    };
    (0..frames).map(|n| sample(n) as f32).collect()
}

fn all(band: BandSettings) -> BandsSettings {
    BandsSettings {
        on: true,
        bands: [band; 4],
        ..BandsSettings::default()
    }
}

/// Where a split begins it hears a step, which is loud in every band. What it told of that would be
/// held for the release.
#[test]
fn bands_switched_on_amid_bass_turn_down_what_they_would_have_anyway() {
    for (threshold_db, attack_ms) in [(-30.0, 20.0), (-20.0, 0.1), (-30.0, 200.0)] {
        let on = all(BandSettings {
            threshold_db,
            attack_ms,
            ratio: 4.0,
            release_ms: 2_000.0,
            ..BandSettings::default()
        });
        for moment in MOMENTS {
            let mut tone = bass(0.9, moment, 4 * SECOND);
            let mut bands = Bands::new(RATE_HZ);
            let mut told = |range: std::ops::Range<usize>, settings: &BandsSettings| {
                compress(&mut bands, &mut [&mut tone[range]], settings);
                bands.take_activity().gain_db
            };
            let off = BandsSettings { on: false, ..on };
            told(0..SECOND / 10 - 480, &off);
            // Tried for a moment: they listen on.
            told(SECOND / 10 - 480..SECOND / 10 - 240, &on);
            told(SECOND / 10 - 240..SECOND / 10, &off);
            let first = told(SECOND / 10..SECOND / 5, &on);
            told(SECOND / 5..3 * SECOND, &on);
            let later = told(3 * SECOND..4 * SECOND, &on);
            println!("{threshold_db} dB, {attack_ms} ms: {first:.2?}, then {later:.2?}");
            assert!(later[0] < -10.0 && later[3] == 0.0);
            for (first, later) in first.iter().zip(later) {
                assert!((first - later).abs() < 0.1, "{first} {later}");
            }
        }
    }
}

/// Each period's level lies between what it is with the band and without, whatever the release still
/// holds.
#[test]
fn a_band_switched_off_and_on_again_passes_neither_level() {
    let with = |enabled: bool, on: bool| {
        let band = BandSettings {
            enabled,
            threshold_db: -24.0,
            ratio: 4.0,
            release_ms: 2_000.0,
            makeup_db: 12.0,
            ..BandSettings::default()
        };
        BandsSettings { on, ..all(band) }
    };
    for off in [with(false, true), with(true, false)] {
        let mut tone = bass(0.5, 0, 12 * SECOND);
        let mut bands = Bands::new(RATE_HZ);
        for (range, settings) in [
            (0..4 * SECOND, with(true, true)),
            (4 * SECOND..8 * SECOND, off),
            (8 * SECOND..12 * SECOND, with(true, true)),
        ] {
            compress(&mut bands, &mut [&mut tone[range]], &settings);
        }
        let level_db = |start: usize| {
            let energy: f64 = tone[start..start + 960]
                .iter()
                .map(|x| f64::from(*x).powi(2))
                .sum();
            10.0 * energy.log10()
        };
        let (one, other) = (level_db(4 * SECOND - 960), level_db(8 * SECOND - 960));
        let (least, most) = (one.min(other), one.max(other));
        assert!(most - least > 1.0, "{one} {other}");
        for start in (4 * SECOND - 960..12 * SECOND - 960).step_by(480) {
            let level = level_db(start);
            assert!(
                (least - 0.1..most + 0.1).contains(&level),
                "{level:.2} between {least:.2} and {most:.2} dB at {start}"
            );
        }
    }
}

/// A threshold of −60 dB at a ratio of 1 asks for nothing, and so does one of 0 dB at a ratio of 10:
/// half-way lies a threshold of −30 dB at a ratio of 1.8.
#[test]
fn threshold_and_ratio_moved_together_ask_for_no_more_than_either_end() {
    for ends in [
        [(-60.0, 1.0), (0.0, 10.0)],
        [(-48.0, 1.1), (-6.0, 10.0)],
        [(-36.0, 1.3), (-10.0, 4.0)],
    ] {
        let ends = ends.map(|(threshold_db, ratio)| BandSettings {
            threshold_db,
            ratio,
            attack_ms: 5.0,
            ..BandSettings::default()
        });
        let wanted_db = ends.map(|end| end.output_db(-6.0) + 6.0);
        let least_db = wanted_db[0].min(wanted_db[1]);
        for [from, to] in [ends, [ends[1], ends[0]]] {
            let tone = |n: usize| (0.501 * (TAU * 350.0 / RATE_HZ * n as f64).sin()) as f32;
            let mut tone: Vec<f32> = (0..2 * SECOND).map(tone).collect();
            let mut bands = Bands::new(RATE_HZ);
            compress(&mut bands, &mut [&mut tone[..SECOND]], &all(from));
            bands.take_activity();
            compress(&mut bands, &mut [&mut tone[SECOND..]], &all(to));
            let told_db = f64::from(bands.take_activity().gain_db[1]);
            println!("{wanted_db:.2?} dB: {told_db:.2}");
            assert!(told_db > least_db - 0.1, "{told_db} {least_db}");
        }
    }
}

/// Two gains that a band goes between, or two corners, bend a tone; what rises far above it is the
/// way they go. 80 dB below full scale is below what can be heard beside a bass near it (common
/// practice).
#[test]
fn no_change_of_the_bands_ticks() {
    let base = all(BandSettings {
        threshold_db: -30.0,
        ratio: 3.0,
        makeup_db: 3.0,
        ..BandSettings::default()
    });
    let mut changes: Vec<(&str, BandsSettings, BandsSettings)> = Vec::new();
    let mut change = |name, of: &dyn Fn(&mut BandsSettings, f64), low: f64, high: f64| {
        let [mut from, mut to] = [base; 2];
        of(&mut from, low);
        of(&mut to, high);
        changes.extend([(name, from, to), (name, to, from)]);
    };
    change("on", &|s, v| s.on = v > 0.5, 0.0, 1.0);
    change("low band", &|s, v| s.bands[0].enabled = v > 0.5, 0.0, 1.0);
    change("top band", &|s, v| s.bands[3].enabled = v > 0.5, 0.0, 1.0);
    change("make-up", &|s, v| s.bands[0].makeup_db = v, -12.0, 12.0);
    change(
        "all make-up",
        &|s, v| s.bands.iter_mut().for_each(|band| band.makeup_db = v),
        -12.0,
        12.0,
    );
    change(
        "low corner",
        &|s, v| {
            s.crossovers_hz[0] = v;
            s.bands[0].makeup_db = 12.0;
        },
        40.0,
        400.0,
    );
    for (name, from, to) in changes {
        let worst = MOMENTS.map(|moment| {
            let mut tone = bass(0.9, moment, 2 * SECOND);
            let mut bands = Bands::new(RATE_HZ);
            compress(&mut bands, &mut [&mut tone[..SECOND]], &from);
            compress(&mut bands, &mut [&mut tone[SECOND..]], &to);
            above_2_khz_dbfs(RATE_HZ, &tone, SECOND - 10..2 * SECOND)
        });
        let worst = worst.into_iter().fold(f64::MIN, f64::max);
        println!("{name}: {worst:.1} dBFS");
        assert!(worst < -80.0, "{name}: {worst:.1} dBFS");
    }
}

/// Where a slow attack is still on its way to 15 dB, a fast one would have it there at once.
#[test]
fn an_attack_that_is_shortened_while_it_acts_does_not_click() {
    let with = |attack_ms| {
        all(BandSettings {
            threshold_db: -36.0,
            ratio: 4.0,
            attack_ms,
            ..BandSettings::default()
        })
    };
    for (from_ms, to_ms) in [(200.0, 0.1), (100.0, 5.0), (20.0, 0.1)] {
        let click_dbfs = |from_ms, to_ms| {
            MOMENTS
                .map(|moment| {
                    let (begins, changes) = (SECOND, SECOND + 2_400);
                    let mut tone = bass(0.6, moment, 2 * SECOND);
                    // It comes in within 50 ms, so that nothing but the change clicks.
                    for (frame, sample) in tone[..changes].iter_mut().enumerate() {
                        let come = (frame.saturating_sub(begins) as f64 / 2_400.0).min(1.0);
                        *sample *= (come * come * (3.0 - 2.0 * come)) as f32;
                    }
                    let mut bands = Bands::new(RATE_HZ);
                    compress(&mut bands, &mut [&mut tone[..changes]], &with(from_ms));
                    compress(&mut bands, &mut [&mut tone[changes..]], &with(to_ms));
                    above_2_khz_dbfs(RATE_HZ, &tone, changes - 10..2 * SECOND)
                })
                .into_iter()
                .fold(f64::MIN, f64::max)
        };
        // An attack of 0.1 ms bends the tone itself.
        let [worst, still] = [click_dbfs(from_ms, to_ms), click_dbfs(to_ms, to_ms)];
        println!("attack {from_ms} to {to_ms} ms: {worst:.1} dBFS, {to_ms} ms alone {still:.1}");
        assert!(
            worst < still.max(-80.0) + 1.0,
            "{from_ms} to {to_ms} ms: {worst:.1} dBFS"
        );
    }
}

/// What is bent has a filter's length to come.
#[test]
fn a_blend_that_comes_in_amid_a_signal_does_not_tick() {
    let with = |blend_percent| SaturatorSettings {
        enabled: true,
        lean_percent: 100.0,
        shoulder_db: 12.0,
        blend_percent,
    };
    // Around both crests.
    for moment in [160, 200, 240, 280, 720] {
        let sample = |n: usize| 0.9 * (TAU * 50.0 / RATE_HZ * (n + moment) as f64).sin();
        let mut tone: Vec<f32> = (0..2 * SECOND).map(|n| sample(n) as f32).collect();
        let mut saturator = Saturator::new(RATE_HZ, 1);
        let (dry, bent) = tone.split_at_mut(SECOND);
        let ceiling_dbtp = LimiterSettings::CEILING_DBTP.default;
        saturator.process(&mut [dry], &with(0.0), ceiling_dbtp);
        saturator.process(&mut [bent], &with(100.0), ceiling_dbtp);
        let change = above_2_khz_dbfs(RATE_HZ, &tone, SECOND - 10..SECOND + SECOND / 2);
        let after = above_2_khz_dbfs(RATE_HZ, &tone, SECOND + SECOND / 2..2 * SECOND);
        println!("{change:.1} dBFS, then {after:.1}");
        assert!(change < after.max(-75.0) + 3.0, "{change} {after}");
    }
}

/// A saturator that blends in nothing leaves the clean path: the limiters behind both are one.
#[test]
fn a_path_that_wakes_goes_on_where_the_other_is() {
    for release in [
        Release::Automatic,
        Release::Manual(50.0),
        Release::Manual(1_000.0),
    ] {
        for moment in MOMENTS {
            let settings = |enabled| ChainSettings {
                push: PushSettings { push_db: 6.0 },
                saturator: SaturatorSettings {
                    enabled,
                    blend_percent: 0.0,
                    ..SaturatorSettings::default()
                },
                limiter: LimiterSettings {
                    release,
                    ..LimiterSettings::default()
                },
                ..ChainSettings::default()
            };
            let mut chain = Chain::new(RATE_HZ, 1);
            // Either zero is a sample of its own.
            let mut input = bass(0.9, moment, SECOND);
            input[SECOND / 2..][..2_000].fill(-0.0);
            for (number, block) in input.chunks_mut(480).enumerate() {
                let [mut output, mut before] = [block.to_vec(), block.to_vec()];
                chain.process(
                    &mut [block],
                    &mut [&mut output],
                    &mut Before {
                        signal: &mut [&mut before],
                        turned_down: &mut [[1.0; 4]; 480],
                    },
                    &settings((30..70).contains(&number)),
                );
                assert!(
                    output
                        .iter()
                        .map(|x| x.to_bits())
                        .eq(block.iter().map(|x| x.to_bits())),
                    "{release:?}, block {number}"
                );
            }
        }
    }
}

/// Gains at rest are no change: the copy beside is turned up by what the signal is.
#[test]
fn what_bands_are_compared_with_arrives_at_their_gains_at_high_rates_too() {
    for rate in [48_000, 384_000] {
        let on = all(BandSettings {
            ratio: 1.0,
            makeup_db: 11.7,
            ..BandSettings::default()
        });
        let tone = |n: usize| (0.2 * (TAU * 997.0 / rate as f64 * n as f64).sin()) as f32;
        let input: Vec<f32> = (0..rate).map(tone).collect();
        let (mut signal, mut beside) = (input.clone(), input);
        let mut bands = Bands::new(rate as f64);
        let blocks = signal.chunks_mut(500).zip(beside.chunks_mut(500));
        for (number, (signal, beside)) in blocks.enumerate() {
            let settings = BandsSettings {
                on: number * 500 > rate / 8,
                ..on
            };
            let mut turned_down = vec![[1.0; 4]; signal.len()];
            bands.process(&mut [signal], &mut [beside], &mut turned_down, &settings);
        }
        let pairs = signal.iter().zip(&beside).skip(rate / 2);
        let apart = pairs.fold(0.0, |most: f32, (one, other)| most.max((one - other).abs()));
        println!("{rate} Hz: {apart:e}");
        // The last bits of a sample.
        assert!(apart < 2e-7, "{rate} Hz: {apart:e}");
    }
}

/// What is on its way when push and what holds it are switched off together was pushed: it leaves
/// held. Undo, a second setting and automation do this.
#[test]
fn a_push_and_what_holds_it_go_together_without_a_peak() {
    let treble = |n: usize| 0.3 * (TAU * 997.0 / RATE_HZ * n as f64).sin();
    let bass = bass(0.6, 0, 2 * SECOND);
    let both = bass
        .iter()
        .enumerate()
        .map(|(n, bass)| bass + treble(n) as f32);
    let input: Vec<f32> = both.collect();
    let neutral = ChainSettings::default();
    for (limit, saturate) in [(true, false), (false, true), (true, true)] {
        for block in [64, 480, 2_048] {
            let pushed = ChainSettings {
                push: PushSettings { push_db: 12.0 },
                saturator: SaturatorSettings {
                    enabled: saturate,
                    ..SaturatorSettings::default()
                },
                limiter: LimiterSettings {
                    enabled: limit,
                    ..LimiterSettings::default()
                },
                ..ChainSettings::default()
            };
            let mut chain = Chain::new(RATE_HZ, 1);
            let mut played = Vec::new();
            for block in input.chunks(block) {
                let settings = if played.len() < SECOND {
                    &pushed
                } else {
                    &neutral
                };
                let [mut clean, mut output, mut before] = [(); 3].map(|()| block.to_vec());
                chain.process(
                    &mut [&mut clean],
                    &mut [&mut output],
                    &mut Before {
                        signal: &mut [&mut before],
                        turned_down: &mut vec![[1.0; 4]; block.len()],
                    },
                    settings,
                );
                played.extend(output);
            }
            let peak = |range: std::ops::Range<usize>| {
                20.0 * played[range]
                    .iter()
                    .fold(0.0, |peak: f32, x| peak.max(x.abs()))
                    .log10()
            };
            let settled = peak(SECOND / 2..SECOND).max(peak(3 * SECOND / 2..2 * SECOND));
            let change = peak(SECOND..3 * SECOND / 2);
            println!(
                "limiter {limit}, saturator {saturate}: {change:.2} dBFS, settled {settled:.2}"
            );
            assert!(change < settled + 0.2, "{change} {settled}");
            // And then nothing is held any more.
            let late = chain.latency_frames();
            assert_eq!(
                played[3 * SECOND / 2..],
                input[3 * SECOND / 2 - late..2 * SECOND - late]
            );
        }
    }
}
