//! What the automatic release makes of bass that plays alone.

use super::{RATES_HZ, db, limit, true_peak};
use crestline_core::process::{Limiter, LimiterSettings, Release};
use kit::before_after;
use kit::metering::{STEREO, readings_of};
use kit::signals::white_noise;
use std::f64::consts::TAU;

const PUSH_DB: f64 = 6.0;

/// A decaying low note a second, as a drum machine's, its true peak 6 dB over the ceiling.
fn notes(rate_hz: f64, seconds: usize) -> Vec<f64> {
    let frames = seconds * rate_hz as usize;
    let note = |time: f64| {
        let cycles = 49.0 * time + 2.0 * (1.0 - (-40.0 * time).exp());
        (TAU * cycles).sin() * (-2.0 * time).exp() * (1.0 - (-500.0 * time).exp())
    };
    let notes: Vec<f64> = (0..frames)
        .map(|n| note((n as f64 / rate_hz).fract()))
        .collect();
    let samples: Vec<f32> = notes.iter().map(|x| *x as f32).collect();
    let ceiling_db = LimiterSettings::default().ceiling_dbtp;
    let gain = before_after::gain(ceiling_db + PUSH_DB - db(true_peak(&samples)));
    notes.iter().map(|x| gain * x).collect()
}

fn limited(rate_hz: f64, signal: &[f32], release: Release) -> Vec<f32> {
    let late = Limiter::new(rate_hz, 2).latency_frames();
    let settings = LimiterSettings {
        release,
        ..LimiterSettings::default()
    };
    let [output, _] = limit(rate_hz, signal, signal, &settings);
    output[late..late + signal.len()].to_vec()
}

/// A release of 100 ms, set by hand, is what suits such notes: the automatic one may be little worse.
/// It was by 1.7 LU and 8.6 dB at once, when it held for 25 ms and let go in a second.
#[test]
fn decaying_low_notes_get_as_loud_and_as_clean_as_by_a_release_that_suits_them() {
    let rate_hz = RATES_HZ[1];
    let signal: Vec<f32> = notes(rate_hz, 8).iter().map(|x| *x as f32).collect();
    let [by_hand, automatic] = [Release::Manual(100.0), Release::Automatic].map(|release| {
        let output = limited(rate_hz, &signal, release);
        let readings = readings_of(rate_hz, &STEREO, &[&output, &output]);
        let [before, after] = [&signal, &output].map(|of| [of.clone(), of.clone()]);
        let reduction = before_after::measured(&before, &after, rate_hz);
        let told = [
            readings.integrated_lufs.unwrap(),
            f64::from(reduction.distortion.mean_db.unwrap()),
        ];
        println!("{release:?}: {:.2} LUFS, {:.1} dB", told[0], told[1]);
        told
    });
    assert!(automatic[0] > by_hand[0] - 0.3);
    assert!(automatic[1] < by_hand[1] + 2.0);
}

/// The bass must not jump where a quiet hi-hat comes in: it did by 2.5 dB, and by 1 dB as long as that
/// ended that bass plays alone. By the peaks that the hats add it may fall.
#[test]
fn bass_hardly_gets_louder_where_a_quiet_hat_comes_in() {
    let rate_hz = RATES_HZ[1];
    let second = rate_hz as usize;
    let mut signal = notes(rate_hz, 16);
    let noise = white_noise(7, 1.0, signal.len());
    let mut last = 0.0;
    for (n, (x, noise)) in signal.iter_mut().zip(&noise).enumerate() {
        // A step from sample to sample leaves what is high.
        let high = 0.5 * f64::from(noise - last);
        last = *noise;
        if n / second % 8 >= 4 {
            let since = (8.0 * n as f64 / rate_hz).fract() / 8.0;
            *x += 0.4 * high * (-60.0 * since).exp();
        }
    }
    let input: Vec<f32> = signal.iter().map(|x| *x as f32).collect();
    let output = limited(rate_hz, &input, Release::Automatic);
    let gain_db = |seconds: [usize; 2]| {
        let power = |of: &[f32]| -> f64 {
            let of = seconds
                .iter()
                .flat_map(|at| &of[at * second..(at + 2) * second]);
            of.map(|x| f64::from(*x).powi(2)).sum()
        };
        10.0 * (power(&output) / power(&input)).log10()
    };
    // The last two seconds of four, once all has settled.
    let (alone_db, with_hats_db) = (gain_db([2, 10]), gain_db([6, 14]));
    println!("gain of bass alone {alone_db:.2} dB, with hats {with_hats_db:.2} dB");
    assert!((-0.8..0.2).contains(&(with_hats_db - alone_db)));
}
