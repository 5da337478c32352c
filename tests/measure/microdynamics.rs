//! Microdynamics: the loudness dynamic ratio of Skovenborg, "Measures of Microdynamics", AES 137
//! (2014): the 95th percentile of the K-weighted level over 25 ms less that over 1 s.

use crestline_core::measure::Readings;
use kit::metering::{Group, STEREO, feed, meter, readings_of, stereo_readings_of};
use kit::signals::{SILENCE, tone, tone_steps};
use songs::{self, Song};
use std::sync::LazyLock;

static RINK_LIGHTS: LazyLock<Song> = LazyLock::new(|| songs::rink_lights(48_000));

fn of_song(channels: &[Vec<f32>; 2]) -> Readings {
    readings_of(48_000.0, &STEREO, &[&channels[0], &channels[1]])
}

/// Definition: both windows see the same level.
#[test]
fn a_steady_tone_has_none() {
    let mut group = Group::new("LDR of steady tones", 0.02, "dB");
    for rate in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        let readings = stereo_readings_of(rate, &tone(rate, 1_000.0, -20.0, 12.0));
        group.check(format!("session at {rate}"), readings.ldr_db, 0.0);
        group.check(format!("10 s at {rate}"), readings.ldr_10s_db, 0.0);
    }
}

/// Closed form. Both windows are rectangular; 1 s holds whole periods of the on/off pattern, so it
/// reads the share of "on" `d`; 25 ms lies inside a burst more than a twentieth of the time, so the
/// 95th percentile is `−10·log10 d`: 3.01 dB for halves.
#[test]
fn tone_bursts_read_their_closed_form() {
    let mut group = Group::new("LDR of tone bursts", 0.05, "dB");
    for rate in [44_100.0, 48_000.0, 96_000.0] {
        // Seconds on, seconds off, and periods that make 12 s.
        for (on_s, off_s, periods) in [
            (0.05, 0.05, 120),
            (0.04, 0.06, 120),
            (0.1, 0.1, 60),
            (0.05, 0.15, 60),
            (0.1, 0.4, 24),
        ] {
            let bursts = [(on_s, -12.0), (off_s, SILENCE)].repeat(periods);
            let signal = tone_steps(rate, 1_000.0, &bursts);
            let readings = stereo_readings_of(rate, &signal);
            let expected = 10.0 * f64::log10((on_s + off_s) / on_s);
            group.check(
                format!("{on_s} s on, {off_s} s off at {rate}, session"),
                readings.ldr_db,
                expected,
            );
            group.check(
                format!("{on_s} s on, {off_s} s off at {rate}, 10 s"),
                readings.ldr_10s_db,
                expected,
            );
        }
    }
}

/// A ratio: gain cancels. The stretch of programme stays above the absolute gate at any of these
/// gains; values come from bins of 0.01 dB.
#[test]
fn gain_leaves_it_alone() {
    let mut group = Group::new("LDR under gain", 0.01, "dB");
    let stretch = |gain: f32| {
        let of = |channel: &Vec<f32>| {
            channel[4 * 48_000..60 * 48_000]
                .iter()
                .map(|sample| sample * gain)
                .collect()
        };
        of_song(&RINK_LIGHTS.channels.each_ref().map(of))
    };
    let before = stretch(1.0);
    for gain in [0.5, 0.1, 3.0] {
        let after = stretch(gain);
        group.check(gain, after.ldr_db, before.ldr_db.unwrap());
        group.check(gain, after.ldr_10s_db, before.ldr_10s_db.unwrap());
    }
}

/// Below −70 LUFS nothing is heard (the absolute gate of ITU-R BS.1770-5).
#[test]
fn nothing_is_read_below_the_gate() {
    let signal = tone_steps(
        48_000.0,
        1_000.0,
        &[(0.05, -72.0), (0.05, SILENCE)].repeat(100),
    );
    let readings = stereo_readings_of(48_000.0, &signal);
    assert_eq!((readings.ldr_db, readings.ldr_10s_db), (None, None));
    let short = stereo_readings_of(48_000.0, &tone(48_000.0, 1_000.0, -20.0, 0.99));
    assert_eq!(short.ldr_db, None, "the slow window is not full");
}

/// The session remembers what the last 10 s have forgotten.
#[test]
fn the_last_10_s_forget() {
    let mut group = Group::new("LDR of the last 10 s", 0.05, "dB");
    let mut meter = meter(48_000.0, &STEREO);
    let bursts = tone_steps(
        48_000.0,
        1_000.0,
        &[(0.05, -12.0), (0.05, SILENCE)].repeat(150),
    );
    let steady = tone(48_000.0, 1_000.0, -12.0, 11.5);
    feed(&mut meter, &[&bursts, &bursts]);
    feed(&mut meter, &[&steady, &steady]);
    group.check("last 10 s", meter.readings().ldr_10s_db, 0.0);
    group.check("session", meter.readings().ldr_db, 10.0 * 2.0_f64.log10());
}

/// What the measure is for (the paper's abstract): a look-ahead limiter softens the beat, and the
/// ratio falls with every further push.
#[test]
fn limiting_lowers_it() {
    let mut last = of_song(&RINK_LIGHTS.channels).ldr_db.unwrap();
    for push_db in [6.0_f64, 12.0, 18.0] {
        let limited = of_song(&limited(&RINK_LIGHTS.channels, 10_f64.powf(push_db / 20.0)))
            .ldr_db
            .unwrap();
        println!("measure: LDR under a push of {push_db} dB: {limited:.2} dB, before {last:.2} dB");
        assert!(limited < last - 0.1, "{push_db} dB: {limited} after {last}");
        last = limited;
    }
}

/// A plain look-ahead limiter: the least gain needed within ±5 ms, averaged over as much
/// (Hämäläinen, DAFx-02), released over 100 ms.
fn limited(channels: &[Vec<f32>; 2], push: f64) -> [Vec<f32>; 2] {
    const WINDOW: usize = 480;
    let frames = channels[0].len();
    let needed: Vec<f64> = (0..frames)
        .map(|n| {
            let peak = channels.iter().fold(0.0_f64, |peak, channel| {
                peak.max(f64::from(channel[n].abs()) * push)
            });
            if peak > 0.9 { 0.9 / peak } else { 1.0 }
        })
        .collect();
    let mut held = vec![1.0_f64; frames];
    let mut gain = 1.0_f64;
    for (n, held) in held.iter_mut().enumerate() {
        let ahead = needed[n..frames.min(n + WINDOW)]
            .iter()
            .copied()
            .fold(1.0, f64::min);
        gain = ahead.min(1.0 - (1.0 - gain) * (-1.0_f64 / 4_800.0).exp());
        *held = gain;
    }
    let mut smooth = vec![1.0; frames];
    let mut sum = WINDOW as f64;
    for n in 0..frames {
        sum += held[n] - if n >= WINDOW { held[n - WINDOW] } else { 1.0 };
        smooth[n] = sum / WINDOW as f64 * push;
    }
    channels.clone().map(|channel| {
        channel
            .iter()
            .zip(&smooth)
            .map(|(sample, gain)| (f64::from(*sample) * gain) as f32)
            .collect()
    })
}
