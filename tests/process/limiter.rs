//! The limiter's promises: the ceiling, cleanliness, and that it leaves alone what needs no
//! limiting.
//!
//! True peaks are measured by band-limited interpolation to 16 times the rate through the spectrum
//! (`realfft`), which knows nothing of the limiter's own detector, and once more with the `ebur128`
//! crate. The demo songs are in `engine_ceiling`.

#![expect(clippy::float_cmp, reason = "bit for bit is the promise")]
#![expect(clippy::unwrap_used, reason = "a failed transform is a failed test")]
#![expect(
    clippy::print_stdout,
    reason = "the measured figures are worth reading"
)]

mod bass;
mod music;
mod signals;

use kit::signals::white_noise;
use kit::spectrum;
use std::f64::consts::{PI, TAU};

use crestline_core::process::{Limiter, LimiterSettings, Release};
use proptest::prelude::*;
use realfft::num_complex::Complex;

use signals::{challenges, db, programme, pushed, true_peak, true_peak_by_crate};

const RATES_HZ: [f64; 5] = [44100.0, 48000.0, 88200.0, 96000.0, 192_000.0];

/// How much a true peak may pass the ceiling, in dB.
const ALLOWED_DB: f64 = 0.05;

#[test]
fn the_measuring_stick_reads_a_tone_at_a_quarter_of_the_rate_3_01_db_over_its_samples() {
    let tone: Vec<f32> = (0..8192)
        .map(|n| {
            let fade = (PI * f64::from(n) / 8191.0).sin();
            (fade * (TAU * f64::from(n) / 4.0 + PI / 4.0).sin()) as f32
        })
        .collect();
    let sample_peak = tone.iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
    assert!((db(true_peak(&tone)) - db(f64::from(sample_peak)) - 3.0103).abs() < 0.001);
}

/// Both channels through a fresh limiter in blocks of 512, with silence behind to push everything
/// out.
fn limit(rate_hz: f64, left: &[f32], right: &[f32], settings: &LimiterSettings) -> [Vec<f32>; 2] {
    let mut limiter = Limiter::new(rate_hz, 2);
    let frames = left.len() + limiter.latency_frames() + 32;
    let (mut left, mut right) = (left.to_vec(), right.to_vec());
    left.resize(frames, 0.0);
    right.resize(frames, 0.0);
    for (left, right) in left.chunks_mut(512).zip(right.chunks_mut(512)) {
        limiter.process(&mut [left, right], settings);
    }
    [left, right]
}

/// Release, link in per cent, ceiling in dBTP.
const VARIANTS: [(Release, f64, f64); 6] = [
    (Release::Automatic, 100.0, -1.0),
    (Release::Manual(20.0), 100.0, -1.0),
    (Release::Manual(100.0), 0.0, 0.0),
    (Release::Automatic, 50.0, -12.0),
    (Release::Manual(1000.0), 100.0, -6.0),
    (Release::Manual(20.0), 0.0, -12.0),
];

/// Groups that meet every variant; signals of the others meet two of them each, which saves minutes
/// (all of them with all: +0.0013 dB at most).
const MEET_ALL: [&str; 2] = ["impulses", "quarter of the rate"];

/// Groups all of which lie above every ceiling somewhere, and how near to it they must come, dB.
const REACH_IT: [&str; 3] = ["tones", "quarter of the rate", "programme"];
const LEAST_REACHED_DB: f64 = -0.3;

fn hold_the_ceiling(rate_hz: f64) {
    let mut failed = Vec::new();
    for (group, signals) in challenges(rate_hz) {
        let mut worst = [f64::MIN; 2];
        for (index, signal) in signals.iter().enumerate() {
            // The other channel carries something else, so that a link has something to link.
            let other: Vec<f32> = signal.iter().rev().map(|x| 0.7 * x).collect();
            let all = MEET_ALL.contains(&group);
            for step in (0..VARIANTS.len()).step_by(if all { 1 } else { 3 }) {
                let (release, link_percent, ceiling_dbtp) =
                    VARIANTS[(index + step) % VARIANTS.len()];
                let settings = LimiterSettings {
                    enabled: true,
                    ceiling_dbtp,
                    release,
                    link_percent,
                };
                for output in limit(rate_hz, signal, &other, &settings) {
                    let peaks = [true_peak(&output), true_peak_by_crate(&output)];
                    for (worst, peak) in worst.iter_mut().zip(peaks) {
                        *worst = worst.max(db(peak) - ceiling_dbtp);
                    }
                }
            }
        }
        println!("{rate_hz} Hz, {group}: {worst:+.4?} dB (16 times, ebur128 at 8 times)");
        // What lies above the ceiling is turned down to it, not farther.
        let too_low = REACH_IT.contains(&group) && worst[0] < LEAST_REACHED_DB;
        if too_low || worst.iter().any(|worst| *worst > ALLOWED_DB) {
            failed.push((group, worst));
        }
    }
    assert!(failed.is_empty(), "{rate_hz} Hz: {failed:?}");
}

#[test]
fn the_ceiling_holds_at_44_1_khz() {
    hold_the_ceiling(RATES_HZ[0]);
}

#[test]
fn the_ceiling_holds_at_48_khz() {
    hold_the_ceiling(RATES_HZ[1]);
}

#[test]
fn the_ceiling_holds_at_88_2_khz() {
    hold_the_ceiling(RATES_HZ[2]);
}

#[test]
fn the_ceiling_holds_at_96_khz() {
    hold_the_ceiling(RATES_HZ[3]);
}

#[test]
fn the_ceiling_holds_at_192_khz() {
    hold_the_ceiling(RATES_HZ[4]);
}

// A tone that is limited by 12 dB, and one that is not: its gain comes back over a second by hand,
// and in tens of milliseconds once that is left to the programme, wherever the change comes.
#[test]
fn the_gain_comes_back_without_a_step() {
    for hundredth in 120..180 {
        let rate_hz = 48_000.0;
        let mut limiter = Limiter::new(rate_hz, 1);
        let late = limiter.latency_frames();
        let input: Vec<f32> = (0..3 * 48_000)
            .map(|n| {
                let amplitude = if n < 14_400 { 3.5 } else { 0.3 };
                (amplitude * (TAU * 200.0 * f64::from(n) / rate_hz).sin()) as f32
            })
            .collect();
        let mut output = input.clone();
        let by_hand = LimiterSettings {
            release: Release::Manual(1000.0),
            ..LimiterSettings::default()
        };
        let (before, after) = output.split_at_mut(480 * hundredth);
        for block in before.chunks_mut(512) {
            limiter.process(&mut [block], &by_hand);
        }
        for block in after.chunks_mut(512) {
            limiter.process(&mut [block], &LimiterSettings::default());
        }
        let gains: Vec<Option<f64>> = input
            .iter()
            .zip(&output[late..])
            .skip(24_000)
            .map(|(input, output)| (input.abs() > 0.1).then(|| db(f64::from(output / input))))
            .collect();
        let step = |pair: &[Option<f64>]| Some((pair[1]? - pair[0]?).abs());
        let steps = gains.windows(2).filter_map(step);
        let largest = steps.fold(0.0, f64::max);
        assert!(
            largest < 0.02,
            "{hundredth}: {largest} dB from sample to sample"
        );
    }
}

/// The meter of ITU-R BS.1770, as the `ebur128` crate has it.
#[test]
fn a_standard_true_peak_meter_agrees() {
    let rate_hz = 48000.0;
    let signal = pushed(&programme(rate_hz, 96000), 12.0);
    let [left, right] = limit(rate_hz, &signal, &signal, &LimiterSettings::default());
    let mut meter = ebur128::EbuR128::new(2, 48000, ebur128::Mode::TRUE_PEAK).unwrap();
    meter.add_frames_planar_f32(&[&left, &right]).unwrap();
    let peak = db(meter.true_peak(0).unwrap().max(meter.true_peak(1).unwrap()));
    assert!(peak < -1.0 + ALLOWED_DB && peak > -1.2, "{peak} dBTP");
}

#[test]
fn what_stays_a_quarter_of_a_decibel_under_the_ceiling_passes_bit_for_bit() {
    for rate_hz in RATES_HZ {
        let challenges = challenges(rate_hz);
        // Steps reach up to half the rate, where the detector may read them more than 0.05 dB high.
        let challenges = challenges
            .iter()
            .filter(|(group, _)| !group.contains("steps"));
        for ((group, signals), (release, link_percent, ceiling_dbtp)) in
            challenges.zip(VARIANTS.iter().cycle())
        {
            let quietest = signals.first().unwrap();
            let gain = 10.0_f64.powf((ceiling_dbtp - 0.25) / 20.0) / true_peak(quietest);
            let signal: Vec<f32> = quietest
                .iter()
                .map(|x| (f64::from(*x) * gain) as f32)
                .collect();
            let settings = LimiterSettings {
                enabled: true,
                ceiling_dbtp: *ceiling_dbtp,
                release: *release,
                link_percent: *link_percent,
            };
            let [left, _] = limit(rate_hz, &signal, &signal, &settings);
            let late = Limiter::new(rate_hz, 2).latency_frames();
            assert!(left[..late].iter().all(|x| *x == 0.0));
            assert!(
                signal
                    .iter()
                    .zip(&left[late..])
                    .all(|(x, y)| x.to_bits() == y.to_bits()),
                "{rate_hz} Hz, {group}, {settings:?}"
            );
        }
    }
}

/// Everything but the fundamental, against it, in the fourth second of a tone on a whole number of
/// periods; in the fifteenth of a high tone with a slow release, for its onset overshoots, and what
/// that took is given back with the release's time constant.
fn distortion_db(rate: usize, frequency: usize, release: Release) -> f64 {
    let amplitude = 10.0_f64.powf(5.0 / 20.0);
    let step = TAU * frequency as f64 / rate as f64;
    let settled = match release {
        Release::Manual(ms) if ms > 500.0 && frequency > 1000 => 14 * rate,
        _ => 3 * rate,
    };
    let tone: Vec<f32> = (0..settled + rate)
        .map(|n| (amplitude * (step * n as f64).sin()) as f32)
        .collect();
    let settings = LimiterSettings {
        release,
        ..LimiterSettings::default()
    };
    let [output, _] = limit(rate as f64, &tone, &tone, &settings);
    let forward = spectrum::forward(rate);
    let mut time: Vec<f64> = output[settled..settled + rate]
        .iter()
        .map(|x| f64::from(*x))
        .collect();
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut time, &mut spectrum).unwrap();
    let power: Vec<f64> = spectrum.iter().map(Complex::norm_sqr).collect();
    let rest: f64 = power
        .iter()
        .enumerate()
        .filter(|(bin, _)| *bin != frequency)
        .map(|(_, power)| power)
        .sum();
    10.0 * (rest / power[frequency]).log10()
}

/// 997 Hz is the tone of AES17; 6 dB above the ceiling.
#[test]
fn a_steady_tone_leaves_clean() {
    for rate in [44100, 48000, 96000, 192_000] {
        for frequency in [20, 30, 41, 100, 997, 5000, 15000] {
            for release in [
                Release::Automatic,
                Release::Manual(20.0),
                Release::Manual(1000.0),
            ] {
                let distortion = distortion_db(rate, frequency, release);
                println!("{rate} Hz, {frequency} Hz, {release:?}: {distortion:.1} dB");
                assert!(
                    distortion < -80.0,
                    "{rate} {frequency} {release:?}: {distortion}"
                );
            }
        }
    }
}

#[test]
fn the_reading_is_the_gain_that_a_tone_gets() {
    let rate_hz = 48000.0;
    let mut limiter = Limiter::new(rate_hz, 2);
    let mut tone: Vec<f32> = (0..48000)
        .map(|n| (2.0 * (TAU * 997.0 / rate_hz * f64::from(n)).sin()) as f32)
        .collect();
    let mut quiet: Vec<f32> = tone.iter().map(|x| 0.01 * x).collect();
    let settings = LimiterSettings {
        link_percent: 0.0,
        ..LimiterSettings::default()
    };
    assert_eq!(limiter.take_lowest_gain_db(), 0.0);
    let mut told_db = 0.0;
    for (left, right) in tone.chunks_mut(512).zip(quiet.chunks_mut(512)) {
        limiter.process(&mut [left, right], &settings);
        // That of the last block alone remains; of the two channels the lower.
        told_db = limiter.take_lowest_gain_db();
    }
    assert!((told_db - (-1.0 - db(2.0))).abs() < 0.1, "{told_db}");
    assert_eq!(limiter.take_lowest_gain_db(), 0.0);
}

#[test]
fn without_a_link_a_quiet_channel_is_left_alone_and_with_it_both_get_one_gain() {
    let rate_hz = 48000.0;
    let loud = pushed(&programme(rate_hz, 48000), 9.0);
    let quiet: Vec<f32> = loud.iter().map(|x| 0.01 * x).collect();
    let late = Limiter::new(rate_hz, 2).latency_frames();
    let run = |link_percent| {
        limit(
            rate_hz,
            &loud,
            &quiet,
            &LimiterSettings {
                link_percent,
                ..LimiterSettings::default()
            },
        )
    };
    let [_, alone] = run(0.0);
    assert!(quiet.iter().zip(&alone[late..]).all(|(x, y)| x == y));
    let [left, right] = run(100.0);
    for ((x, left), right) in loud.iter().zip(&left[late..]).zip(&right[late..]) {
        assert!((left * 0.01 - right).abs() < 1e-6 * x.abs());
    }
}

/// By definition: the quiet channel takes over that share of the decibels by which the loud one is
/// turned down.
#[test]
fn a_link_in_between_takes_over_its_share() {
    let rate_hz = 48_000.0;
    let tone = |amplitude: f64| -> Vec<f32> {
        let sine = |n: usize| (amplitude * (TAU * 997.0 * n as f64 / rate_hz).sin()) as f32;
        (0..48_000).map(sine).collect()
    };
    for link_percent in [0.0, 30.0, 50.0, 80.0, 100.0] {
        let mut limiter = Limiter::new(rate_hz, 2);
        let settings = LimiterSettings {
            link_percent,
            ..LimiterSettings::default()
        };
        let late = limiter.latency_frames();
        let (mut left, mut right) = (tone(2.0), tone(0.01));
        limiter.process(&mut [&mut left, &mut right], &settings);
        // Both carry one tone, so that the mean gain of either is weighed alike.
        let gain = |input: Vec<f32>, output: &[f32]| {
            let frames = input[24_000..].iter().zip(&output[24_000 + late..]);
            let (passed, all) = frames.fold((0.0, 0.0), |(passed, all), (x, y)| {
                let (x, y) = (f64::from(*x), f64::from(*y));
                (passed + x * y, all + x * x)
            });
            passed / all
        };
        let (loud, quiet) = (gain(tone(2.0), &left), gain(tone(0.01), &right));
        let expected = loud.powf(link_percent / 100.0);
        println!("{link_percent} %: {loud:.4}, {quiet:.4} for {expected:.4}");
        assert!(
            (quiet - expected).abs() < 1e-3,
            "{link_percent} %: {quiet} {expected}"
        );
    }
}

// A ramp leaves 1 by a value that rounding may have put just below it: the ceiling holds whatever
// the new link is, here by the samples alone.
#[test]
fn leaving_full_link_for_any_other_keeps_the_ceiling() {
    let rate_hz = 48000.0;
    let [left, right] = [1, 2].map(|seed| white_noise(seed, 2.0, 4_096));
    let ceiling = 10.0_f64.powf(LimiterSettings::CEILING_DBTP.default / 20.0);
    let most = (0..1_000)
        .map(|tenths| {
            let mut limiter = Limiter::new(rate_hz, 2);
            let (mut left, mut right) = (left.clone(), right.clone());
            for (index, (left, right)) in
                left.chunks_mut(512).zip(right.chunks_mut(512)).enumerate()
            {
                let link_percent = if index < 4 {
                    100.0
                } else {
                    f64::from(tenths) / 10.0
                };
                let settings = LimiterSettings {
                    link_percent,
                    ..LimiterSettings::default()
                };
                limiter.process(&mut [left, right], &settings);
            }
            let peak = left
                .iter()
                .chain(&right)
                .fold(0.0_f32, |peak, x| peak.max(x.abs()));
            db(f64::from(peak) / ceiling)
        })
        .fold(f64::MIN, f64::max);
    println!("highest sample: {most:.3} dB over the ceiling");
    assert!(most <= ALLOWED_DB, "{most} dB over the ceiling");
}

/// Largest gain change from frame to frame while `change` happens to a tone that is limited by 6
/// dB.
fn largest_gain_step(before: &LimiterSettings, after: &LimiterSettings) -> f64 {
    let rate_hz = 48000.0;
    let mut limiter = Limiter::new(rate_hz, 1);
    let input: Vec<f32> = (0..48000)
        .map(|n| (1.8 * (TAU * 997.0 / rate_hz * f64::from(n)).sin()) as f32)
        .collect();
    let mut output = input.clone();
    for (index, block) in output.chunks_mut(480).enumerate() {
        limiter.process(&mut [block], if index < 50 { before } else { after });
    }
    let late = limiter.latency_frames();
    let gains: Vec<(usize, f64)> = (late + 4800..48000)
        .filter(|n| input[n - late].abs() > 0.3)
        .map(|n| (n, f64::from(output[n]) / f64::from(input[n - late])))
        .collect();
    gains
        .windows(2)
        .map(|pair| (pair[1].1 - pair[0].1).abs() / (pair[1].0 - pair[0].0) as f64)
        .fold(0.0, f64::max)
}

#[test]
fn no_setting_clicks() {
    let neutral = LimiterSettings::default();
    // A straight crossfade over 20 ms from 1 to 0.5 moves by 0.0005 a frame; the smoothing window
    // by a little more.
    for after in [
        LimiterSettings {
            enabled: false,
            ..neutral
        },
        LimiterSettings {
            ceiling_dbtp: -12.0,
            ..neutral
        },
        LimiterSettings {
            release: Release::Manual(20.0),
            ..neutral
        },
        LimiterSettings {
            link_percent: 0.0,
            ..neutral
        },
    ] {
        for (before, after) in [(neutral, after), (after, neutral)] {
            let step = largest_gain_step(&before, &after);
            assert!(step < 0.002, "{before:?} to {after:?}: {step}");
        }
    }
}

#[test]
fn a_falling_ceiling_is_followed_down() {
    let rate_hz = 48000.0;
    let mut limiter = Limiter::new(rate_hz, 1);
    let late = limiter.latency_frames();
    let mut signal = pushed(&programme(rate_hz, 96000), 9.0);
    let change = 48000;
    let settings = |ceiling_dbtp| LimiterSettings {
        ceiling_dbtp,
        ..LimiterSettings::default()
    };
    let (before, after) = signal.split_at_mut(change);
    before
        .chunks_mut(512)
        .for_each(|block| limiter.process(&mut [block], &settings(0.0)));
    after
        .chunks_mut(512)
        .for_each(|block| limiter.process(&mut [block], &settings(-9.0)));
    // A straight line of the amplitude over 20 ms, from the first quantum of 32 frames that has the
    // new setting.
    let line = |frame: usize| {
        let done = (frame as f64 - (change + late) as f64).clamp(0.0, 960.0) / 960.0;
        1.0 + done * (10.0_f64.powf(-9.0 / 20.0) - 1.0)
    };
    for (frame, sample) in signal.iter().enumerate().skip(late) {
        let over = db(f64::from(sample.abs()).max(1e-9)) - db(line(frame));
        assert!(over < ALLOWED_DB, "{over} dB at {frame}");
    }
    let settled = true_peak(&signal[change + late + 1100..]);
    assert!(db(settled) < -9.0 + ALLOWED_DB, "{}", db(settled));
}

#[test]
fn off_is_a_pure_delay_of_the_same_length() {
    for rate_hz in [8000.0, 44100.0, 47_952.05, 384_000.0] {
        let signal = pushed(&programme(rate_hz, 20000), 12.0);
        let settings = LimiterSettings {
            enabled: false,
            ..LimiterSettings::default()
        };
        let [left, right] = limit(rate_hz, &signal, &signal, &settings);
        let late = Limiter::new(rate_hz, 2).latency_frames();
        assert!(
            signal
                .iter()
                .zip(&left[late..])
                .all(|(x, y)| x.to_bits() == y.to_bits())
        );
        assert_eq!(left, right);
    }
}

/// Gain of the only channel `after` frames of a quiet passage that follows `loud` frames of a tone
/// 7 dB above the ceiling, as a factor.
fn gain_after(rate_hz: f64, loud: usize, hz: f64, after: usize, release: Release) -> f64 {
    let mut limiter = Limiter::new(rate_hz, 1);
    let frames = loud + limiter.latency_frames() + after;
    let mut signal: Vec<f32> = (0..frames)
        .map(|n| {
            if n < loud {
                (2.0 * (TAU * hz / rate_hz * n as f64).sin()) as f32
            } else {
                0.01
            }
        })
        .collect();
    let settings = LimiterSettings {
        release,
        ..LimiterSettings::default()
    };
    // The last quantum that is whole.
    let (before, last) = signal.split_at_mut((frames / 32 - 1) * 32);
    limiter.process(&mut [before], &settings);
    limiter.take_lowest_gain_db();
    limiter.process(&mut [last], &settings);
    10.0_f64.powf(limiter.take_lowest_gain_db() / 20.0)
}

/// What is down decays as `e^(−t/τ)`, and so does its mean over a window: two readings one time
/// constant apart are as one to 1/e, wherever the first is taken.
#[test]
fn a_manual_release_comes_back_with_its_time_constant() {
    for (rate_hz, ms) in [
        (48_000.0, 20.0),
        (48_000.0, 100.0),
        (48_000.0, 1000.0),
        (44_100.0, 100.0),
        (192_000.0, 100.0),
    ] {
        let per_ms = rate_hz / 1000.0;
        let frames = |ms: f64| (per_ms * ms / 32.0).round() as usize * 32;
        let gain = |at| {
            gain_after(
                rate_hz,
                frames(1000.0),
                997.0,
                frames(at),
                Release::Manual(ms),
            )
        };
        let [first, second] = [60.0, 60.0 + ms].map(|at| 1.0 - gain(at));
        let expected = (-((frames(60.0 + ms) - frames(60.0)) as f64) / (per_ms * ms)).exp();
        println!(
            "{rate_hz} Hz, {ms} ms: {first:.4} down, then {second:.4}: {:.4}",
            second / first
        );
        assert!((second / first - expected).abs() < 0.01, "{ms} ms");
    }
}

/// The window reaches half its length of 22 ms and the hold of 25 ms beyond a peak.
#[test]
fn the_automatic_release_is_done_60_ms_after_one_peak_as_after_many() {
    for (rate_hz, loud) in [
        (48_000.0, 48),
        (48_000.0, 4800),
        (48_000.0, 144_000),
        (44_100.0, 4410),
        (192_000.0, 19_200),
    ] {
        let after = (0.06 * rate_hz) as usize;
        let gain = gain_after(rate_hz, loud, 997.0, after, Release::Automatic);
        assert_eq!(gain, 1.0, "{rate_hz} Hz, {loud}");
    }
}

/// Power of everything below 600 Hz but the tones, against theirs, over four seconds of whole periods,
/// once four seconds have passed. Eight times a second a hi-hat comes in, of steps between samples of
/// noise, whose peaks are `hats` of those of the tones.
fn intermodulation_db(rate: usize, tones_hz: [usize; 2], hats: f64, release: Release) -> f64 {
    let amplitude = 10.0_f64.powf(6.0 / 20.0) / 2.0;
    let noise = white_noise(7, 1.0, 8 * rate + 1);
    let signal: Vec<f32> = (0..8 * rate)
        .map(|n| {
            let sines = tones_hz.map(|hz| (TAU * (hz * n) as f64 / rate as f64).sin());
            let since_s = (8.0 * n as f64 / rate as f64).fract() / 8.0;
            let high = f64::from(noise[n + 1] - noise[n]) * (-60.0 * since_s).exp();
            (amplitude * (sines[0] + sines[1] + hats * high)) as f32
        })
        .collect();
    let settings = LimiterSettings {
        release,
        ..LimiterSettings::default()
    };
    let [output, _] = limit(rate as f64, &signal, &signal, &settings);
    let forward = spectrum::forward(4 * rate);
    let mut time: Vec<f64> = output[4 * rate..8 * rate]
        .iter()
        .copied()
        .map(f64::from)
        .collect();
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut time, &mut spectrum).unwrap();
    let power = |bin: usize| spectrum[bin].norm_sqr();
    let tones: f64 = tones_hz.iter().map(|hz| power(4 * hz)).sum();
    let all: f64 = spectrum[..4 * 600].iter().map(Complex::norm_sqr).sum();
    10.0 * ((all - tones) / tones).log10()
}

/// Two low notes whose beat is slower than any window: the hardest case for a gain that follows the
/// programme (common practice; the figures are the project's own). Hats 24 dB below it used to make −14
/// of the −41 dB, at once.
#[test]
fn a_beat_of_two_low_notes_is_hardly_followed() {
    for rate in [44100, 48000, 88200, 96000, 192_000] {
        for (hats, least_db) in [(0.0, -40.0), (0.032, -40.0), (0.063, -38.0), (0.126, -31.0)] {
            let found = intermodulation_db(rate, [41, 55], hats, Release::Automatic);
            println!("{rate} Hz, 41 and 55 Hz at +6 dB, hats {hats}: {found:.1} dB");
            assert!(found < least_db, "{rate}, hats {hats}: {found} dB");
        }
    }
}

#[test]
fn equal_channels_stay_equal_whatever_links_them() {
    let rate_hz = 48000.0;
    let signal = pushed(&programme(rate_hz, 96_000), 12.0);
    for link_percent in [0.0, 30.0, 100.0] {
        for release in [Release::Automatic, Release::Manual(100.0)] {
            let settings = LimiterSettings {
                link_percent,
                release,
                ..LimiterSettings::default()
            };
            let [left, right] = limit(rate_hz, &signal, &signal, &settings);
            assert_eq!(left, right, "{settings:?}");
        }
    }
}

/// Nothing slow hangs on a channel: what it is turned down depends on the last seconds alone. A
/// quiet passage after 20 s in which one channel was pushed far harder finds both at the same gain.
#[test]
fn channels_without_a_link_do_not_wander_apart() {
    let rate_hz = 48000.0;
    let quiet = pushed(&programme(rate_hz, 96_000), 3.0);
    let hard = pushed(&programme(rate_hz, 960_000), 15.0);
    let even = pushed(&programme(rate_hz, 960_000), -6.0);
    let both = |start: Vec<f32>| [start, quiet.clone()].concat();
    let settings = LimiterSettings {
        link_percent: 0.0,
        ..LimiterSettings::default()
    };
    let [left, right] = limit(rate_hz, &both(hard), &both(even), &settings);
    // 1.5 s for the pressure, and the look-ahead.
    let settled = 960_000 + 79_000;
    assert_eq!(left[settled..], right[settled..]);
}

/// What a later start changes: nothing a whole number of quanta of 32 frames later, and otherwise
/// only what the limiter's groups of eight frames make of the same peaks.
#[test]
fn where_a_rendering_starts_is_soon_forgotten() {
    let rate_hz = 48000.0;
    let signal = pushed(&programme(rate_hz, 240_000), 12.0);
    let late = Limiter::new(rate_hz, 2).latency_frames();
    let from = |start: usize| {
        let [left, _] = limit(
            rate_hz,
            &signal[start..],
            &signal[start..],
            &LimiterSettings::default(),
        );
        left
    };
    let whole = from(0);
    let settled = 24_000 + 1800 * 48;
    let later = from(24_000);
    assert_eq!(
        whole[late + settled..240_000],
        later[late + settled - 24_000..216_000]
    );
    let between = from(24_005);
    let worst_db = (settled..200_000)
        .filter(|n| signal[*n].abs() > 0.1)
        .map(|n| db(f64::from(whole[late + n] / between[late + n - 24_005])).abs())
        .fold(0.0, f64::max);
    println!("a start between two groups: {worst_db:.3} dB at most");
    assert!(worst_db < 0.2, "{worst_db} dB");
}

#[test]
fn faults_in_the_input_pass_without_a_trace() {
    let rate_hz = 48000.0;
    let mut limiter = Limiter::new(rate_hz, 2);
    let late = limiter.latency_frames();
    for fault in [
        f32::NAN,
        f32::INFINITY,
        f32::NEG_INFINITY,
        f32::MAX,
        -1e29,
        1e-42,
    ] {
        let input: Vec<f32> = (0..960_000)
            .map(|n| (0.5 * (0.05 * f64::from(n)).sin()) as f32)
            .collect();
        let (mut left, mut right) = (input.clone(), input.clone());
        left[1000] = fault;
        right[1040..1200].fill(fault);
        for (left, right) in left.chunks_mut(512).zip(right.chunks_mut(512)) {
            limiter.process(&mut [left, right], &LimiterSettings::default());
        }
        assert!(left.iter().chain(&right).all(|x| x.is_finite()), "{fault}");
        let tail = 950_000;
        assert_eq!(
            left[tail..],
            input[tail - late..input.len() - late],
            "{fault}"
        );
        assert_eq!(
            right[tail..],
            input[tail - late..input.len() - late],
            "{fault}"
        );
    }
}

fn any_settings() -> impl Strategy<Value = LimiterSettings> {
    let release = prop_oneof![
        Just(Release::Automatic),
        (0.0..1200.0).prop_map(Release::Manual)
    ];
    (
        any::<bool>(),
        -14.0..1.0,
        release,
        prop_oneof![Just(100.0), -5.0..105.0],
    )
        .prop_map(
            |(enabled, ceiling_dbtp, release, link_percent)| LimiterSettings {
                enabled,
                ceiling_dbtp,
                release,
                link_percent,
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn blocks_do_not_matter(
        rate_hz in prop_oneof![Just(48000.0), 8000.0..100_000.0],
        sections in prop::collection::vec((1_usize..900, any_settings()), 2..6),
        cuts in prop::collection::vec(1_usize..300, 1..8),
        push in -6.0..18.0,
    ) {
        let frames: usize = sections.iter().map(|section| section.0).sum();
        let signal = pushed(&programme(rate_hz, frames.max(64)), push);
        let (mut whole, mut cut) = (Limiter::new(rate_hz, 2), Limiter::new(rate_hz, 2));
        let [mut left, mut right] = [signal.clone(), signal.iter().rev().copied().collect::<Vec<f32>>()];
        let [mut cut_left, mut cut_right] = [left.clone(), right.clone()];
        let mut lengths = cuts.iter().cycle();
        let mut start = 0;
        for (len, settings) in &sections {
            let end = start + len;
            whole.process(&mut [&mut left[start..end], &mut right[start..end]], settings);
            while start < end {
                let stop = (start + lengths.next().unwrap()).min(end);
                cut.process(&mut [&mut cut_left[start..stop], &mut cut_right[start..stop]], settings);
                start = stop;
            }
        }
        prop_assert!(left.iter().zip(&cut_left).all(|(x, y)| x.to_bits() == y.to_bits()));
        prop_assert!(right.iter().zip(&cut_right).all(|(x, y)| x.to_bits() == y.to_bits()));
        cut.reset();
        let mut again = signal.clone();
        let mut fresh = signal;
        cut.process(&mut [&mut again], &sections[0].1);
        Limiter::new(rate_hz, 2).process(&mut [&mut fresh], &sections[0].1);
        prop_assert_eq!(again, fresh);
    }
}
