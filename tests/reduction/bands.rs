//! Reduction by band: known gains come back, steady and moving, in the band that they were put
//! into.

#![expect(clippy::unwrap_used, reason = "a test may panic")]
#![expect(
    clippy::print_stdout,
    reason = "the measured figures are worth reading"
)]

use crestline_core::measure::{GainMemory, ReductionMeter, RestGain};
use kit::before_after::{
    CORNERS_HZ, RATE_HZ, Stereo, TONES_HZ, db, gain, measured, meter, mono, split, tone, watch,
};
use songs::rink_lights;
use std::f64::consts::TAU;
use wide::f64x2;

/// The four bands of a signal, and their sum, which is in step with them.
fn bands_of([left, right]: &Stereo) -> Vec<[f64x2; 4]> {
    split(RATE_HZ, CORNERS_HZ, [left, right])
}

fn joined(bands: &[[f64x2; 4]], gain_of: impl Fn(usize, usize) -> f64) -> Stereo {
    let sum = |frame: usize, bands: &[f64x2; 4]| {
        let scaled = |band: usize| bands[band] * f64x2::splat(gain_of(band, frame));
        ((scaled(0) + scaled(1)) + (scaled(2) + scaled(3))).to_array()
    };
    let frames: Vec<[f64; 2]> = bands
        .iter()
        .enumerate()
        .map(|(frame, bands)| sum(frame, bands))
        .collect();
    [0, 1].map(|channel| frames.iter().map(|frame| frame[channel] as f32).collect())
}

// The gain is put in by hand: nothing but multiplication stands between the signals.
#[test]
fn a_steady_tone_through_a_known_gain_reads_that_gain_and_no_distortion() {
    for rate_hz in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        for (band, hz) in TONES_HZ.into_iter().enumerate() {
            for gain_db in [0.0, -0.5, -3.0, -12.0, 4.0] {
                let before = mono(tone(rate_hz, hz, 0.25, 1.5));
                let after = mono(tone(rate_hz, hz, 0.25 * gain(gain_db), 1.5));
                let reading = measured(&before, &after, rate_hz);
                let reduction = reading.bands[band].reduction;
                for value in [reduction.now_db, reduction.mean_db, reduction.max_db] {
                    assert!(
                        (f64::from(value.unwrap()) + gain_db).abs() < 0.01,
                        "{rate_hz} {hz} {gain_db}: {reduction:?}"
                    );
                }
                assert!(
                    reading.distortion.max_db.unwrap() < -100.0,
                    "{rate_hz} {hz}: {:?}",
                    reading.distortion
                );
                assert!(reading.bands[band].distortion.max_db.unwrap() < -100.0);
            }
        }
    }
}

/// rms and largest of a list.
fn spread(errors: &[f64]) -> (f64, f64) {
    let rms = (errors.iter().map(|error| error * error).sum::<f64>() / errors.len() as f64).sqrt();
    (
        rms,
        errors
            .iter()
            .fold(0.0, |largest, error| largest.max(error.abs())),
    )
}

/// The mean gain of the 40 ms Hann window that ends at `end_s`, in dB downwards.
fn over_the_window(curve_db: impl Fn(f64) -> f64, end_s: f64) -> f64 {
    let at = |part: f64| (0.5 - 0.5 * (TAU * part).cos()) * gain(-curve_db(end_s - 0.04 * part));
    -db((0..100)
        .map(|step| at((f64::from(step) + 0.5) / 100.0))
        .sum::<f64>()
        / 50.0)
}

/// How late the crossover is in the middle of each band: its sum is three all-passes of second
/// order with Q 1/√2, whose group delay is `2√2·(1 + r²)/(1 + r⁴)/ω₀` (closed form).
fn crossover_delay_s(band: usize) -> f64 {
    let delay = |corner_hz: f64| {
        let r = TONES_HZ[band] / corner_hz;
        8.0_f64.sqrt() * (1.0 + r * r) / (1.0 + r.powi(4)) / (TAU * corner_hz)
    };
    CORNERS_HZ.map(delay).iter().sum()
}

/// Turns one band of `signal` down by a known curve and compares what is read: errors in the band,
/// and what is read two bands away.
fn against_a_known_curve(name: &str, signal: &Stereo, band: usize, curve_db: impl Fn(f64) -> f64) {
    let bands = bands_of(signal);
    let before = joined(&bands, |_, _| 1.0);
    let moved = |index: usize, frame: usize| {
        if index == band {
            gain(-curve_db(frame as f64 / RATE_HZ))
        } else {
            1.0
        }
    };
    let after = joined(&bands, moved);
    let (mut errors, mut leaks, mut shares) = (Vec::new(), Vec::new(), Vec::new());
    let mut meter = meter(RATE_HZ);
    watch(&mut meter, &before, &after, |frames, reading| {
        if let Some(reduction) = reading.bands[band].reduction.now_db {
            errors.push(
                f64::from(reduction)
                    - over_the_window(&curve_db, frames as f64 / RATE_HZ - crossover_delay_s(band)),
            );
        }
        for (other, reading) in reading.bands.iter().enumerate() {
            if other.abs_diff(band) >= 2
                && let Some(reduction) = reading.reduction.now_db
            {
                leaks.push(f64::from(reduction));
            }
        }
        shares.extend(reading.bands[band].distortion.now_db);
    });
    let ((rms, largest), (leak, most)) = (spread(&errors), spread(&leaks));
    let share = meter.readings(0).bands[band].distortion.mean_db.unwrap();
    let whole = meter.readings(0).distortion.mean_db.unwrap();
    println!(
        "{name}, band {band}: {} windows, error {rms:.3} dB rms, {largest:.3} at most; {leak:.3} dB rms, {most:.3} at most, two bands away; distortion {share:.1} dB, of the whole {whole:.1} dB",
        errors.len()
    );
    assert!(
        errors.len() > 100,
        "{name}, band {band}: {} windows",
        errors.len()
    );
    assert!(rms <= 0.3, "{name}, band {band}: {rms} dB rms");
    assert!(leak <= 0.1, "{name}, band {band}: {leak} dB leak");
    assert!(
        whole < -35.0,
        "{name}, band {band}: a clean gain reads as {whole} dB of distortion"
    );
}

/// 0…6 dB and back, twice a second.
fn swaying(time_s: f64) -> f64 {
    3.0 - 3.0 * (TAU * 2.0 * time_s).cos()
}

/// Four times a second down by 6 dB in 10 ms and back with a time constant of 80 ms: what a
/// compressor does on each beat.
fn pumping(time_s: f64) -> f64 {
    let since = time_s.rem_euclid(0.25);
    if since < 0.01 {
        6.0 * since / 0.01
    } else {
        6.0 * (-(since - 0.01) / 0.08).exp()
    }
}

#[test]
fn programme_through_a_known_curve_in_one_band_reads_that_curve_there_and_nothing_two_bands_away() {
    let song = rink_lights(48_000);
    let part = song
        .channels
        .map(|channel| channel[20 * 48_000..40 * 48_000].to_vec());
    for band in 0..4 {
        against_a_known_curve("Rink Lights, swaying", &part, band, swaying);
        against_a_known_curve("Rink Lights, pumping", &part, band, pumping);
    }
}

#[test]
fn noise_bursts_through_a_known_curve_in_one_band_read_that_curve() {
    let bands = bands_of(&[3, 4].map(|seed| kit::signals::white_noise(seed, 0.5, 10 * 48_000)));
    for band in 0..4 {
        // 300 ms on, 200 ms off, in this band alone.
        let burst = joined(&bands, |index, frame| {
            if index == band && frame % 24_000 < 14_400 {
                1.0
            } else {
                0.0
            }
        });
        against_a_known_curve("noise bursts", &burst, band, swaying);
    }
}

/// Output level of the static curve with a soft knee of Giannoulis, Massberg, Reiss, "Digital
/// Dynamic Range Compressor Design", JAES 60(6) 2012, eq. 4.
fn compressed_db(input_db: f64, threshold_db: f64, ratio: f64, knee_db: f64) -> f64 {
    let over_db = input_db - threshold_db;
    if 2.0 * over_db < -knee_db {
        input_db
    } else if 2.0 * over_db.abs() <= knee_db {
        input_db + (1.0 / ratio - 1.0) * (over_db + knee_db / 2.0).powi(2) / (2.0 * knee_db)
    } else {
        threshold_db + over_db / ratio
    }
}

// An outside compressor with the published curve: peak level of a 10 ms attack, 100 ms release
// follower, threshold −20 dB, ratio 4, knee 10 dB, and 3 dB of make-up that the gain at rest has to
// find out by itself.
#[test]
fn a_compressor_with_the_published_curve_reads_as_that_curve() {
    const MAKEUP_DB: f64 = 3.0;
    let levels_db = [-23.0, -20.0, -17.0, -10.0, 0.0];
    // First the compressor rests for 2 s, so that there is a gain at rest to find.
    let rest = tone(RATE_HZ, 400.0, gain(-40.0), 2.0);
    let steps = levels_db
        .into_iter()
        .flat_map(|level_db| tone(RATE_HZ, 400.0, gain(level_db), 1.5));
    let input: Vec<f64> = rest.chain(steps).collect();
    let share = |ms: f64| 1.0 - (-1000.0 / (ms * RATE_HZ)).exp();
    let (attack, release) = (share(10.0), share(100.0));
    // The level of a steady sine in dB, from its rms (peak less 3.01 dB), so that the gain is
    // steady within a cycle.
    let (mut energy, mut reduced_db) = (0.0, 0.0);
    let output = input.iter().map(|sample| {
        energy += share(30.0) * (sample * sample - energy);
        let level_db = 10.0 * (2.0 * energy).max(1e-12).log10();
        let wanted_db = level_db - compressed_db(level_db, -20.0, 4.0, 10.0);
        reduced_db += if wanted_db > reduced_db {
            attack
        } else {
            release
        } * (wanted_db - reduced_db);
        sample * gain(MAKEUP_DB - reduced_db)
    });
    let after = mono(output);
    let mut meter = ReductionMeter::new(RATE_HZ, 2, 1, GainMemory::TenSeconds, RestGain::Automatic);
    let mut seen = Vec::new();
    watch(
        &mut meter,
        &mono(input.iter().copied()),
        &after,
        |frames, reading| {
            // The last moment of each level.
            if frames > 96_000 && (frames - 96_000).is_multiple_of(72_000) {
                seen.push(reading.bands[1]);
            }
        },
    );
    for (reading, level_db) in seen.iter().zip(levels_db) {
        let expected_db = level_db - compressed_db(level_db, -20.0, 4.0, 10.0);
        let reduction_db = f64::from(reading.reduction.now_db.unwrap());
        println!(
            "{level_db} dB: reduced by {reduction_db:.2} dB, curve {expected_db:.2} dB, gain at rest {:.2} dB",
            reading.rest_gain_db.unwrap()
        );
        assert!((f64::from(reading.rest_gain_db.unwrap()) - MAKEUP_DB).abs() < 0.1);
        assert!(
            (reduction_db - expected_db).abs() < 0.3,
            "{level_db}: {reduction_db}, not {expected_db}"
        );
    }
    assert_eq!(seen.len(), levels_db.len());
}

// A quiet moment ahead of all that is loud: how little it means is known only afterwards.
#[test]
fn the_most_is_not_that_of_a_faint_beginning() {
    let level = |frame: usize| if frame < 24_000 { 0.002 } else { 0.5 };
    let wave = |frame: usize| level(frame) * (TAU * 350.0 * frame as f64 / RATE_HZ).sin();
    let before: Vec<f64> = (0..96_000).map(wave).collect();
    let mut after = before.clone();
    after[..20_000].fill(0.0);
    let reading = measured(&mono(before.into_iter()), &mono(after.into_iter()), RATE_HZ);
    let most_db = reading.bands[1].reduction.max_db.unwrap();
    println!("most {most_db:.2} dB");
    assert!(most_db.abs() < 0.1, "{most_db}");
}

// Nothing but a factor of one or a half stands between the signals: no window can hold less.
#[test]
fn a_gain_that_jumps_is_never_told_lower_than_it_was() {
    let song = rink_lights(48_000).channels;
    let before = [0, 1].map(|channel| song[channel][..20 * 48_000].to_vec());
    let factor = |frame: usize| {
        if (frame / 17_771).is_multiple_of(2) {
            1.0
        } else {
            0.5
        }
    };
    let after = before.each_ref().map(|channel| {
        let turned = channel.iter().enumerate();
        turned
            .map(|(frame, sample)| factor(frame) * sample)
            .collect()
    });
    let reading = measured(&before, &after, RATE_HZ);
    let most_db = reading.bands.map(|band| band.reduction.max_db.unwrap());
    println!("most {most_db:.2?} dB");
    assert!(most_db.iter().all(|most_db| (most_db - 6.02).abs() < 0.3));
}
