//! Against the `ebur128` crate, a general library that is tested against the standards' own files;
//! and what the demo songs promise.

#![allow(clippy::unwrap_used, reason = "a test may panic")]

use crestline_core::measure::ChannelRole;
use ebur128::{EbuR128, Mode};
use kit::metering::{Group, STEREO, readings_of, watch};
use kit::reference::{Loudness, library_excess_lu, library_true_peak_dbtp, reference};
use kit::signals::{brick_wall, fade, frames, ideal_true_peak_dbtp, pink_noise, sweep};
use std::sync::LazyLock;

static RINK_LIGHTS: LazyLock<songs::Song> = LazyLock::new(|| songs::rink_lights(48_000));
static TURNSTILE: LazyLock<songs::Song> = LazyLock::new(|| songs::turnstile(48_000));

#[test]
fn demo_songs_read_as_with_the_library() {
    let mut loudness = Loudness::new([
        "songs against ebur128, I",
        "songs against ebur128, max M",
        "songs against ebur128, max S",
    ]);
    let mut range_100ms = Group::new("songs against ebur128 every 100 ms, LRA", 0.02, "LU");
    let mut true_peak = Group::new("songs against ebur128, true peak", 0.1, "dB");
    for song in [&*RINK_LIGHTS, &*TURNSTILE] {
        // Up to the last tenth of a second with sound in it: the library's range takes in the
        // silence after it, ours does not.
        let sounding = |frame: &usize| song.channels.iter().any(|x| x[*frame].abs() > 1e-3);
        let end = (0..song.channels[0].len()).rev().find(sounding).unwrap() / 4_800 * 4_800;
        let channels = song.channels.each_ref().map(|channel| &channel[..end]);
        let theirs = reference(48_000.0, &STEREO, &channels);
        let ours = readings_of(48_000.0, &STEREO, &channels);
        loudness.check(song.title, &ours, &theirs, 0.0);
        // The library's own values lie 1 s apart and say less: shown, not judged.
        let once_a_second = ours.loudness_range_lu.unwrap() - theirs.loudness_range_lu;
        println!(
            "measure: {}: LRA {once_a_second:+.3} LU from ebur128's once a second",
            song.title
        );
        range_100ms.check(
            song.title,
            ours.loudness_range_lu,
            theirs.loudness_range_100ms_lu,
        );
        true_peak.check(song.title, ours.true_peak_dbtp, theirs.true_peak_dbtp);
    }
}

/// Every momentary and short-term value, not the maxima only.
#[test]
fn the_windows_move_with_the_librarys() {
    let mut momentary = Group::new("M all along against ebur128", 0.02, "LU");
    let mut short_term = Group::new("S all along against ebur128", 0.02, "LU");
    let end = 30 * 48_000;
    let channels: [&[f32]; 2] = [
        &RINK_LIGHTS.channels[0][..end],
        &RINK_LIGHTS.channels[1][..end],
    ];
    let mut library = EbuR128::new(2, 48_000, Mode::S).unwrap();
    let mut done = 0;
    watch(48_000.0, &STEREO, &channels, 0.05, |time_s, ours| {
        let end = frames(48_000.0, time_s);
        library
            .add_frames_planar_f32(&channels.map(|channel| &channel[done..end]))
            .unwrap();
        done = end;
        // Quieter, the filters' different rounding shows.
        if let Some(ours) = ours.momentary_lufs.filter(|lufs| *lufs > -100.0) {
            momentary.check(time_s, ours, library.loudness_momentary().unwrap());
        }
        if let Some(ours) = ours.short_term_lufs.filter(|lufs| *lufs > -100.0) {
            short_term.check(time_s, ours, library.loudness_shortterm().unwrap());
        }
    });
}

fn noise_and_sweeps(rate_hz: f64) -> [(String, Vec<f32>); 3] {
    let noise = pink_noise(3, rate_hz, 20.0, -20.0, 8.0).samples;
    let whole = sweep(rate_hz, 20.0, 0.4 * rate_hz, -6.0, 8.0);
    let low = sweep(rate_hz, 30.0, 300.0, -12.0, 8.0);
    [
        (format!("pink noise at {rate_hz}"), noise),
        (format!("sweep at {rate_hz}"), whole),
        (format!("low sweep at {rate_hz}"), low),
    ]
}

#[test]
fn noise_and_sweeps_read_as_with_the_library() {
    let mut loudness = Loudness::new([
        "noise and sweeps against ebur128, I",
        "noise and sweeps against ebur128, max M",
        "noise and sweeps against ebur128, max S",
    ]);
    for rate in [32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0] {
        for (what, signal) in noise_and_sweeps(rate) {
            let channels: [&[f32]; 2] = [&signal, &signal];
            let theirs = reference(rate, &STEREO, &channels);
            let ours = readings_of(rate, &STEREO, &channels);
            loudness.check(&what, &ours, &theirs, library_excess_lu(rate));
        }
    }
}

/// At these rates the library's gain is off by a constant that its coefficients tell.
#[test]
fn noise_and_sweeps_read_as_with_the_library_at_high_rates_but_for_its_gain() {
    let mut loudness = Loudness::new([
        "high rates against ebur128 corrected, I",
        "high rates against ebur128 corrected, max M",
        "high rates against ebur128 corrected, max S",
    ]);
    for rate in [176_400.0, 192_000.0] {
        let excess_lu = library_excess_lu(rate);
        for (what, signal) in noise_and_sweeps(rate) {
            let channels: [&[f32]; 2] = [&signal, &signal];
            let theirs = reference(rate, &STEREO, &channels);
            let ours = readings_of(rate, &STEREO, &channels);
            let raw = theirs.integrated_lufs - ours.integrated_lufs.unwrap();
            println!(
                "measure: {what}: ebur128 reads {raw:+.4} LU, of which its gain is {excess_lu:+.4} LU"
            );
            loudness.check(&what, &ours, &theirs, excess_lu);
        }
    }
}

/// The library looks at four points a sample (two from 96 kHz on), which may miss the peak of a
/// tone at a quarter of the rate by 0.17 dB (0.69 dB) (ITU-R BS.1770-5, Annex 2); from 192 kHz on
/// at one. So no reading may lie below its reading, and how far above is judged by ideal
/// interpolation.
#[test]
fn true_peaks_read_between_the_librarys_and_the_ideal() {
    let mut ideal = Group::new(
        "noise and sweeps against ideal interpolation, true peak",
        0.1,
        "dB",
    );
    let mut below = Group::new("noise and sweeps not below ebur128, true peak", 0.1, "dB");
    let mut farthest = 0.0_f64;
    for rate in [
        32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0,
    ] {
        for (what, signal) in noise_and_sweeps(rate) {
            // What can be heard: from 144 kHz on two points a sample are enough for that.
            let start = signal.len() / 2;
            let piece: Vec<f64> = signal[start..start + 60_000]
                .iter()
                .map(|sample| f64::from(*sample))
                .collect();
            let audible = brick_wall(&piece, (40_000.0 / rate).min(0.45));
            let mut piece: Vec<f32> = audible.iter().map(|sample| *sample as f32).collect();
            fade(&mut piece, 2_000);
            let channels: [&[f32]; 2] = [&piece, &piece];
            let ours = readings_of(rate, &STEREO, &channels).true_peak_dbtp;
            let theirs = library_true_peak_dbtp(rate, &piece);
            ideal.check(&what, ours, ideal_true_peak_dbtp(&piece));
            let above = ours.unwrap() - theirs;
            below.check(&what, above.min(0.0), 0.0);
            farthest = farthest.max(above);
        }
    }
    println!("measure: true peak: ebur128 reads up to {farthest:.3} dB lower");
}

/// The library's own check of itself: at 48 kHz its filter is the standard's, so there is nothing
/// to correct.
#[test]
fn the_correction_for_the_library_is_what_its_coefficients_say() {
    assert!(library_excess_lu(48_000.0).abs() < 1e-12);
    // Worked out separately in double precision: 997 Hz gains of 0.6910, 0.6737 and 0.6639 dB at
    // 48, 96 and 192 kHz.
    assert!((library_excess_lu(96_000.0) + 0.0173).abs() < 1e-4);
    assert!((library_excess_lu(192_000.0) + 0.0271).abs() < 1e-4);
}

#[test]
fn surround_reads_as_with_the_library() {
    use ChannelRole::{Front, Lfe, Surround};
    let roles = [Front, Front, Front, Lfe, Surround, Surround];
    let channels: Vec<Vec<f32>> = (0..6)
        .map(|channel| {
            pink_noise(20 + channel, 48_000.0, 20.0, -24.0 - channel as f64, 8.0).samples
        })
        .collect();
    let channels: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    let mut loudness = Loudness::new([
        "5.1 against ebur128, I",
        "5.1 against ebur128, max M",
        "5.1 against ebur128, max S",
    ]);
    loudness.check(
        "5.1",
        &readings_of(48_000.0, &roles, &channels),
        &reference(48_000.0, &roles, &channels),
        0.0,
    );
}

/// What the song says of itself: an open mix of 75 s.
#[test]
fn rink_lights_is_an_open_mix() {
    let [left, right] = &RINK_LIGHTS.channels;
    let readings = readings_of(48_000.0, &STEREO, &[left, right]);
    Group::new("Rink Lights, length", 1.0, "s").check("length", left.len() as f64 / 48_000.0, 75.0);
    Group::new("Rink Lights, PLR", 1.0, "dB").check("PLR", readings.plr_db, 15.0);
}

/// What the song says of itself: a master as hot as such releases are (common practice: −4 dBFS
/// plain RMS at their loudest, a PLR of about 4 dB).
#[test]
fn turnstile_is_a_hot_master() {
    let [left, right] = &TURNSTILE.channels;
    let starts: Vec<usize> = TURNSTILE
        .sections
        .iter()
        .map(|section| frames(48_000.0, section.start_s))
        .collect();
    let loud = starts
        .windows(2)
        .zip(&TURNSTILE.sections)
        .find(|(_, section)| section.name == "loud");
    let (bounds, _) = loud.unwrap();
    let (start, end) = (bounds[0], bounds[1]);
    let readings = readings_of(48_000.0, &STEREO, &[&left[start..end], &right[start..end]]);
    Group::new("Turnstile, RMS", 0.3, "dB").check("loud part", readings.rms_dbfs, -4.0);
    Group::new("Turnstile, PLR", 0.5, "dB").check("loud part", readings.plr_db, 4.0);
}
