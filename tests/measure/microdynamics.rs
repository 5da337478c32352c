//! Microdynamics: the loudness dynamic ratio of Skovenborg, "Measures of Microdynamics", AES 137
//! (2014): the 95th percentile of the K-weighted level over 25 ms less that over 1 s.

use crestline_core::measure::Readings;
use kit::metering::{Group, STEREO, feed, meter, readings_of, stereo_readings_of};
use kit::signals::{SILENCE, amplitude, frames, tone, tone_steps, white_noise};
use songs::{self, Song};
use std::sync::LazyLock;

pub static RINK_LIGHTS: LazyLock<Song> = LazyLock::new(|| songs::rink_lights(48_000));

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

/// A tone whose level moves as `level_dbfs` says of the time.
fn moving_tone(rate: f64, seconds: f64, level_dbfs: impl Fn(f64) -> f64) -> Vec<f32> {
    (0..frames(rate, seconds))
        .map(|n| {
            let time_s = n as f64 / rate;
            let phase = std::f64::consts::TAU * 1_000.0 * time_s;
            (amplitude(level_dbfs(time_s)) * phase.sin()) as f32
        })
        .collect()
}

/// Closed form. While a level rises or falls by `r` dB a second, its power is an exponential, whose
/// mean over a window of length T around a moment is `sinh(a)/a` times the power at that moment,
/// `a = r·T·ln(10)/20`. So both windows, centred, read a steady −0.1 to −1.3 dB at 3 to 12 dB/s,
/// whichever way it goes. Windows that end together would read 1.4 to 4.5 dB on the way up.
#[test]
fn a_swell_is_no_punch() {
    let mut group = Group::new("LDR of swells", 0.05, "dB");
    for rate in [44_100.0, 48_000.0] {
        for rise in [3.0, 6.0, 12.0, -3.0, -6.0, -12.0_f64] {
            let start = if rise > 0.0 { -50.0 } else { -2.0 };
            let signal = moving_tone(rate, 4.0, |time_s| start + rise * time_s);
            let mean = |window_s: f64| {
                let a = rise * window_s * 10.0_f64.ln() / 20.0;
                10.0 * (a.sinh() / a).log10()
            };
            let readings = stereo_readings_of(rate, &signal);
            let expected = mean(0.025) - mean(1.0);
            group.check(format!("{rise} dB/s at {rate}"), readings.ldr_db, expected);
        }
    }
}

/// The definition by numbers: the 95th percentile over all moments of a level that swells by ±9 dB
/// every 5 s, without any beat. Windows that end together would read 4 dB here.
#[test]
fn a_beatless_swell_reads_as_defined() {
    let level = |time_s: f64| -20.0 + 9.0 * (std::f64::consts::TAU * time_s / 5.0).sin();
    let power: Vec<f64> = (0..40_000)
        .map(|ms| 10_f64.powf(level((f64::from(ms) + 0.5) / 1_000.0) / 10.0))
        .collect();
    let percentile = |fast_end: usize| {
        let mut differences: Vec<f64> = (1_000..40_000)
            .step_by(5)
            .map(|end| {
                let mean = |end: usize, length: usize| {
                    power[end - length..end].iter().sum::<f64>() / length as f64
                };
                10.0 * (mean(end - fast_end, 25) / mean(end, 1_000)).log10()
            })
            .collect();
        differences.sort_by(f64::total_cmp);
        differences[(differences.len() - 1) * 95 / 100]
    };
    let (centred, trailing) = (percentile(488), percentile(0));
    assert!(trailing > centred + 3.0, "{centred} {trailing}");
    let readings = stereo_readings_of(48_000.0, &moving_tone(48_000.0, 40.0, level));
    let mut group = Group::new("LDR of a swell of ±9 dB", 0.03, "dB");
    println!("measure: the same swell by windows that end together: {trailing:.2} dB");
    group.check("session", readings.ldr_db, centred);
    group.check("last 10 s", readings.ldr_10s_db, centred);
}

/// Closed form. A burst of 5 ms every quarter of a second fills a twentieth and more of the
/// moments: all of its energy in 25 ms, against four such bursts in 1 s, is 10 dB. One burst a
/// second does not, and what the percentile finds is the silence between: that is told as sparse,
/// not as −60 dB.
#[test]
fn sparse_material_is_flagged_and_not_told() {
    let mut group = Group::new("LDR of clicks", 0.05, "dB");
    let clicks = |every_s: f64| {
        let pattern = [(0.005, -6.0), (every_s - 0.005, SILENCE)];
        let count = (20.0 / every_s).round() as usize;
        stereo_readings_of(
            48_000.0,
            &tone_steps(48_000.0, 1_000.0, &pattern.repeat(count)),
        )
    };
    let dense = clicks(0.25);
    group.check("four a second", dense.ldr_db, 10.0);
    assert!(!dense.ldr_sparse);
    let sparse = clicks(1.0);
    assert_eq!((sparse.ldr_db, sparse.ldr_10s_db), (None, None));
    assert!(sparse.ldr_sparse);
    // A quiet bed, 12 dB below the mean of the clicks, does not make them dense.
    let bed = tone_steps(
        48_000.0,
        1_000.0,
        &[(0.005, -6.0), (0.995, -41.0)].repeat(20),
    );
    assert!(stereo_readings_of(48_000.0, &bed).ldr_sparse);
    // Silence is not sparse: there is nothing.
    assert!(!stereo_readings_of(48_000.0, &vec![0.0; 96_000]).ldr_sparse);
}

/// Closed form, as for halves above. The half second of moments that a file of 1.5 s holds sees each
/// part of the beat; in a shorter one the percentile would be the part that it happens to see.
#[test]
fn of_less_than_half_a_second_of_moments_nothing_is_told() {
    let mut group = Group::new("LDR of short files", 0.05, "dB");
    let halves = tone_steps(
        48_000.0,
        1_000.0,
        &[(0.1, -20.0), (0.1, SILENCE)].repeat(10),
    );
    let of = |s: f64| {
        let readings = stereo_readings_of(48_000.0, &halves[..frames(48_000.0, s)]);
        assert!(!readings.ldr_sparse, "{s}");
        readings.ldr_db
    };
    for s in [1.01, 1.2, 1.49] {
        assert_eq!(of(s), None, "{s}");
    }
    for s in [1.5, 1.7, 2.0] {
        group.check(format!("{s} s"), of(s), 10.0 * 2.0_f64.log10());
    }
}

/// A moment is where it is: what comes 2.5 s earlier or later, and silence before the song, change
/// nothing.
#[test]
fn delay_leaves_it_alone() {
    // Moments lie 5 ms apart, and a delay moves them against the song.
    let mut group = Group::new("LDR under delay", 0.05, "dB");
    let song = RINK_LIGHTS
        .channels
        .each_ref()
        .map(|channel| channel[..40 * 48_000].to_vec());
    let before = of_song(&song).ldr_db;
    for delay in [1, 100, 777, 120_000] {
        let late = song
            .each_ref()
            .map(|channel| [&vec![0.0; delay], &channel[..]].concat());
        group.check(
            format!("{delay} frames"),
            of_song(&late).ldr_db,
            before.unwrap(),
        );
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

/// The same where half of it is pauses, whose noise the gain lifts over the absolute gate: from some
/// −72 LUFS to −66.
#[test]
fn noise_in_the_pauses_leaves_it_alone() {
    let song = &RINK_LIGHTS.channels;
    let hiss = [1, 2].map(|seed| white_noise(seed, amplitude(-72.9), 30 * 48_000));
    let with_pauses = |gain: f32| -> [Vec<f32>; 2] {
        std::array::from_fn(|channel| {
            let frames = song[channel].iter().zip(&hiss[channel]).enumerate();
            let heard = frames.map(|(frame, (song, hiss))| {
                let pause = frame / (5 * 48_000) % 2 == 1;
                gain * if pause { *hiss } else { *song }
            });
            heard.collect()
        })
    };
    let louder = 10.0_f32.powf(6.0 / 20.0);
    let [plain, gained] = [1.0, louder].map(|gain| of_song(&with_pauses(gain)));
    // The noise is not heard, and then it is.
    let [below, above] = [&plain, &gained].map(|told| told.momentary_lufs);
    assert!(below.is_some_and(|lufs| lufs < -70.0), "{below:?}");
    assert!(above.is_some_and(|lufs| lufs > -70.0), "{above:?}");
    let [plain, gained] = [plain, gained].map(|told| told.ldr_db.unwrap());
    println!("pauses: {plain:.3} dB, 6 dB louder {gained:.3}");
    assert!((plain - gained).abs() < 0.02, "{plain} {gained}");
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
