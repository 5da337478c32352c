//! True peak: EBU Tech 3341 table 1, ITU-R BS.1770-5 Annex 2, and ideal band-limited interpolation.

use crestline_core::measure::ChannelRole::Front;
use kit::metering::{Group, feed, meter, readings_of};
use kit::signals::{
    brick_wall, decibels, fade, frames, ideal_true_peak_dbtp, sweep, tone_at_phase, white_noise,
};
use std::f64::consts::TAU;

fn true_peak_dbtp(rate_hz: f64, signal: &[f32]) -> Option<f64> {
    readings_of(rate_hz, &[Front], &[signal]).true_peak_dbtp
}

/// Half of the +0.2/−0.4 dB that EBU Tech 3341, table 1, allows.
fn tech_3341(name: &'static str) -> Group {
    Group::lopsided(name, 0.2, 0.1, "dB")
}

/// EBU Tech 3341, table 1, cases 15 to 19: amplitudes and phases as printed, with the fade of 10 ms
/// that the reading depends on.
#[test]
fn tech_3341_cases_15_to_19_tones_between_the_samples() {
    let mut group = tech_3341("Tech 3341 cases 15 to 19");
    let cases = [
        (15, 4.0, 0.50, 0.0, -6.0),
        (16, 4.0, 0.50, 45.0, -6.0),
        (17, 6.0, 0.50, 60.0, -6.0),
        (18, 8.0, 0.50, 67.5, -6.0),
        (19, 4.0, 1.41, 45.0, 3.0),
    ];
    for rate in [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0] {
        for (case, divisor, amplitude, degrees, expected) in cases {
            let mut signal = tone_at_phase(1.0 / divisor, degrees, amplitude, frames(rate, 1.0));
            fade(&mut signal, frames(rate, 0.01));
            group.check(
                format!("case {case} at {rate}"),
                true_peak_dbtp(rate, &signal),
                expected,
            );
        }
    }
}

/// A sine of amplitude 0.5 at a sixth of the rate with one period of amplitude 1 at a quarter of
/// the rate in its middle, continuous in phase, made at four times the rate, without anything above
/// half the rate, and taken at every fourth sample from `offset`.
fn single_period(rate_hz: f64, offset: usize) -> Vec<f32> {
    let period = |amplitude: f64, length: usize| {
        (0..length).map(move |n| amplitude * (TAU * n as f64 / length as f64).sin())
    };
    let around = frames(rate_hz, 0.2);
    let mut signal: Vec<f64> = vec![0.0; 4_096];
    (0..around / 6).for_each(|_| signal.extend(period(0.5, 24)));
    signal.extend(period(1.0, 16));
    (0..around / 6).for_each(|_| signal.extend(period(0.5, 24)));
    // The fade in and out, at four times the rate.
    let (first, last, length) = (4_096, signal.len() - 1, 4 * frames(rate_hz, 0.01));
    for n in 0..length {
        let gain = 0.5 - 0.5 * (std::f64::consts::PI * n as f64 / length as f64).cos();
        signal[first + n] *= gain;
        signal[last - n] *= gain;
    }
    signal.resize((signal.len() + 4_096).next_multiple_of(8), 0.0);
    brick_wall(&signal, 0.125)
        .iter()
        .skip(offset)
        .step_by(4)
        .map(|sample| *sample as f32)
        .collect()
}

/// EBU Tech 3341, table 1, cases 20 to 23: one loud period, at four places between the samples.
#[test]
fn tech_3341_cases_20_to_23_a_single_period() {
    let mut group = tech_3341("Tech 3341 cases 20 to 23");
    for rate in [44_100.0, 48_000.0, 96_000.0] {
        for offset in 0..4 {
            let signal = single_period(rate, offset);
            group.check(
                format!("case {} at {rate}", 20 + offset),
                true_peak_dbtp(rate, &signal),
                0.0,
            );
        }
    }
}

/// The same signals against their ideal reconstruction (sampling theorem), which peaks at −0.077
/// dB.
#[test]
fn a_single_period_reads_as_its_ideal_reconstruction() {
    let mut group = Group::new("a single period against ideal interpolation", 0.1, "dB");
    for offset in 0..4 {
        let signal = single_period(48_000.0, offset);
        let ideal = ideal_true_peak_dbtp(&signal);
        assert!(
            (ideal + 0.077).abs() < 0.02,
            "made as the table says: {ideal}"
        );
        group.check(offset, true_peak_dbtp(48_000.0, &signal), ideal);
    }
}

/// The ideal reconstruction of a slowly fading sine peaks at its amplitude (sampling theorem). Up
/// to 0.45 of the rate.
#[test]
fn tones_at_any_phase_read_within_0_1_db() {
    for (name, rate, highest) in [
        ("tones at any phase, 44.1 kHz", 44_100.0, 0.45),
        ("tones at any phase, 48 kHz", 48_000.0, 0.45),
        ("tones at any phase, 96 kHz", 96_000.0, 0.45),
        ("tones at any phase, 192 kHz", 192_000.0, 0.45),
    ] {
        let mut group = Group::new(name, 0.1, "dB");
        for step in 1..=45 {
            for phase in 0..12 {
                let cycles = highest * f64::from(step) / 45.0;
                let mut signal = tone_at_phase(cycles, f64::from(phase) * 15.0, 0.5, 4_800);
                fade(&mut signal, 1_200);
                group.check(
                    format!("{cycles:.3}, phase {phase}"),
                    true_peak_dbtp(rate, &signal),
                    decibels(0.5),
                );
            }
        }
    }
}

/// ITU-R BS.1770-5, Annex 2: the level of a constant must be kept.
#[test]
fn a_constant_reads_its_own_level() {
    let mut group = Group::new("a constant", 0.001, "dB");
    for rate in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        let mut meter = meter(rate, &[Front]);
        let constant = vec![-0.25; frames(rate, 1.0)];
        feed(&mut meter, &[&constant]);
        // The step up overshoots, as its ideal reconstruction does.
        meter.take_true_peak_dbtp();
        feed(&mut meter, &[&constant]);
        group.check(rate, meter.take_true_peak_dbtp(), decibels(0.25));
    }
}

/// Programme, noise and sweeps against ideal band-limited interpolation at 16 times the rate.
#[test]
fn programme_reads_as_its_ideal_interpolation() {
    let mut group = Group::new("programme against ideal interpolation", 0.1, "dB");
    for song in [songs::rink_lights(48_000), songs::turnstile(48_000)] {
        for channel in &song.channels {
            for (number, piece) in channel.chunks_exact(60_000).enumerate().step_by(3) {
                let mut piece = piece.to_vec();
                fade(&mut piece, 480);
                if let Some(reading) = true_peak_dbtp(48_000.0, &piece) {
                    group.check(
                        format!("{}, piece {number}", song.title),
                        reading,
                        ideal_true_peak_dbtp(&piece),
                    );
                }
            }
        }
    }
    drop(group);
    let mut group = Group::new("noise and sweeps against ideal interpolation", 0.1, "dB");
    for seed in 0..10 {
        // Noise up to 0.45 of the rate, above which no meter of finite length is asked to follow.
        let white: Vec<f64> = white_noise(seed, 0.5, 30_000)
            .iter()
            .map(|sample| f64::from(*sample))
            .collect();
        let mut noise: Vec<f32> = brick_wall(&white, 0.45)
            .iter()
            .map(|sample| *sample as f32)
            .collect();
        fade(&mut noise, 480);
        group.check(
            format!("noise {seed}"),
            true_peak_dbtp(48_000.0, &noise),
            ideal_true_peak_dbtp(&noise),
        );
    }
    for rate in [44_100.0, 48_000.0, 96_000.0] {
        let sweep = sweep(rate, 20.0, 0.45 * rate, -3.0, 1.0);
        group.check(
            format!("sweep at {rate}"),
            true_peak_dbtp(rate, &sweep),
            ideal_true_peak_dbtp(&sweep),
        );
    }
}

/// Definition: the maximum of the last 3 s forgets older peaks, the maximum so far does not.
#[test]
fn the_peak_of_the_last_3_s_forgets() {
    let rate = 48_000.0;
    let mut loud = tone_at_phase(0.02, 0.0, 0.5, 4_800);
    let mut quiet = tone_at_phase(0.02, 0.0, 0.05, frames(rate, 3.5));
    fade(&mut loud, 480);
    fade(&mut quiet, 480);
    let mut meter = meter(rate, &[Front]);
    feed(&mut meter, &[&loud]);
    feed(&mut meter, &[&quiet]);
    let readings = meter.readings();
    let mut group = Group::new("peak of the last 3 s", 0.1, "dB");
    group.check("so far", readings.true_peak_dbtp, decibels(0.5));
    let peak_dbtp = |plr_db| Some(plr_db + readings.short_term_lufs?);
    let told_dbtp = readings.short_term_plr_db.and_then(peak_dbtp);
    group.check("last 3 s", told_dbtp, decibels(0.05));
}

// The true peak of a tone is its amplitude. Begun in the middle of it, the measurement reads that
// and not the edge that a signal cut out of nothing would have; cut off, it reads nothing of the
// edge.
#[test]
fn a_measurement_begun_in_the_middle_of_a_tone_reads_no_edge() {
    let rate = 48_000.0;
    for divisor in [3.1, 4.0, 5.7, 11.3] {
        let mut tone = tone_at_phase(1.0 / divisor, 20.0, 0.8, frames(rate, 1.0));
        // Its own beginning is no edge either.
        fade(&mut tone, frames(rate, 0.01));
        for seam in 0..40 {
            let at = 20_000 + 7 * seam;
            let mut restarted = meter(rate, &[Front]);
            feed(&mut restarted, &[&tone[..at]]);
            restarted.restart();
            feed(&mut restarted, &[&tone[at..]]);
            let mut cut = meter(rate, &[Front]);
            feed(&mut cut, &[&tone[..at]]);
            cut.cut();
            feed(&mut cut, &[&vec![0.0; 4_800]]);
            for (name, meter) in [("restarted", restarted), ("cut", cut)] {
                let reading_db = meter.readings().true_peak_dbtp.unwrap();
                let expected_db = decibels(0.8);
                assert!(
                    (reading_db - expected_db).abs() < 0.02,
                    "{name} at {at}, {divisor}: {reading_db} {expected_db}"
                );
            }
        }
    }
}
