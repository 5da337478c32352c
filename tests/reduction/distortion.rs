//! Added distortion by band: known additions read as their share. And what the meter promises
//! whatever it is given.

use crestline_core::measure::{GainMemory, ReductionMeter, RestGain, Trend};
use kit::before_after::{RATE_HZ, Stereo, band_power, db, gain, measured, meter, mono, tone};
use std::f64::consts::PI;

// Closed form: of two tones with amplitudes a (passed on) and b (added), b²·|H(f)|² is the share of
// the sum, H the band's Linkwitz-Riley response.
#[test]
fn an_added_tone_reads_as_its_share_of_the_output() {
    for (band, tone_hz, added_hz) in [
        (0, 40.0, 90.0),
        (1, 300.0, 410.0),
        (2, 2000.0, 3100.0),
        (3, 9000.0, 11_230.0),
        (3, 14_000.0, 9_000.0),
    ] {
        for added_db in [-10.0, -20.0, -40.0, -60.0] {
            let added = gain(added_db);
            let before = mono(tone(RATE_HZ, tone_hz, 0.25, 4.0));
            let after = mono(
                tone(RATE_HZ, tone_hz, 0.25, 4.0)
                    .zip(tone(RATE_HZ, added_hz, 0.25 * added, 4.0))
                    .map(|(a, b)| a + b),
            );
            let reading = measured(&before, &after, RATE_HZ);
            let (through, extra) = (
                band_power(tone_hz, RATE_HZ)[band],
                band_power(added_hz, RATE_HZ)[band] * added * added,
            );
            let expected_db = 10.0 * (extra / (through + extra)).log10();
            let distortion_db = f64::from(reading.bands[band].distortion.mean_3s_db.unwrap());
            assert!(
                (distortion_db - expected_db).abs() < 0.5,
                "{tone_hz} + {added_hz} at {added_db}: {distortion_db}, not {expected_db}"
            );
        }
    }
}

/// Harmonic n of `drive·sin` clipped to ±1 (Fourier series in closed form, odd n).
fn harmonic(drive: f64, n: f64) -> f64 {
    let a = (1.0 / drive).asin();
    if n < 2.0 {
        return 2.0 / PI * (drive * a + (1.0 - 1.0 / (drive * drive)).sqrt());
    }
    let sines = ((n - 1.0) * a).sin() / (n - 1.0) - ((n + 1.0) * a).sin() / (n + 1.0);
    2.0 * drive / PI * sines + 4.0 / (n * PI) * (n * a).cos()
}

// Share of harmonics 3, 5, … in the clipped sine, from the Fourier series above, and in each band
// with that band's closed form. In a band that the input does not reach, everything is added.
#[test]
fn a_hard_clipped_sine_reads_as_its_harmonics() {
    for (hz, drive_db) in [
        (50.0, 6.0),
        (200.0, 1.0),
        (200.0, 6.0),
        (400.0, 12.0),
        (1500.0, 3.0),
    ] {
        let drive = gain(drive_db);
        let before = mono(tone(RATE_HZ, hz, 0.5, 4.0));
        let after = mono(tone(RATE_HZ, hz, drive, 4.0).map(|sample| 0.5 * sample.clamp(-1.0, 1.0)));
        let reading = measured(&before, &after, RATE_HZ);
        let (mut whole, mut added) = ([0.0; 4], [0.0; 4]);
        for n in (1..)
            .step_by(2)
            .take_while(|n| f64::from(*n) * hz < RATE_HZ / 2.0)
        {
            let level = 0.5 * harmonic(drive, f64::from(n)).powi(2) * 0.25;
            for (band, power) in band_power(f64::from(n) * hz, RATE_HZ)
                .into_iter()
                .enumerate()
            {
                whole[band] += level * power;
                added[band] += if n > 1 { level * power } else { 0.0 };
            }
        }
        // Of the whole signal: the bands add up to an all-pass, so no response comes in.
        let odd = (1..)
            .step_by(2)
            .map(f64::from)
            .take_while(|n| n * hz < RATE_HZ / 2.0);
        let powers: Vec<f64> = odd.map(|n| harmonic(drive, n).powi(2)).collect();
        let expected_db = 10.0 * (1.0 - powers[0] / powers.iter().sum::<f64>()).log10();
        let distortion_db = f64::from(reading.distortion.mean_3s_db.unwrap());
        println!(
            "{hz} Hz driven by {drive_db} dB: {distortion_db:.2} dB, closed form {expected_db:.2} dB"
        );
        assert!(
            (distortion_db - expected_db).abs() < 0.5,
            "{hz} {drive_db}: {distortion_db}, not {expected_db}"
        );
        for band in 0..4 {
            // −70 dBFS is the meter's gate; near it the closed form's tail above half the rate
            // matters.
            if whole[band] > 1e-6 {
                let share_db = f64::from(reading.bands[band].distortion.mean_3s_db.unwrap());
                let expected_db = 10.0 * (added[band] / whole[band]).log10();
                assert!(
                    (share_db - expected_db).abs() < 0.5,
                    "{hz} {drive_db} band {band}: {share_db}, not {expected_db}"
                );
            }
        }
        // The fundamental's own gain: b1 of the series over the amplitude of 1.
        let band = (0..4)
            .max_by(|a, b| whole[*a].total_cmp(&whole[*b]))
            .unwrap();
        let reduction_db = f64::from(reading.bands[band].reduction.mean_3s_db.unwrap());
        assert!(
            (reduction_db + db(harmonic(drive, 1.0))).abs() < 0.1,
            "{hz} {drive_db}: {reduction_db}"
        );
    }
}

/// Noise, and the same with its peaks cut off.
fn noise_and_clipped(seconds: usize) -> (Stereo, Stereo) {
    let before = [11, 12].map(|seed| kit::signals::white_noise(seed, 0.5, seconds * 48_000));
    let after = before.clone().map(|channel| {
        channel
            .iter()
            .map(|sample| sample.clamp(-0.3, 0.35))
            .collect()
    });
    (before, after)
}

#[test]
fn readings_do_not_depend_on_the_blocks() {
    let (before, after) = noise_and_clipped(3);
    // The second signal is the first for a second, differs for a second, and is the first again for
    // longer than the meter takes to notice. It parts at frames where no slot and no portion
    // begins, once from the one before it and once, by next to nothing, from the first of all.
    let mut second = after.clone();
    second[0][48_017..60_000]
        .iter_mut()
        .for_each(|sample| *sample *= 0.5);
    let mut after = after;
    for channel in 0..2 {
        after[channel][..24_000].copy_from_slice(&before[channel][..24_000]);
        second[channel][..24_000].copy_from_slice(&before[channel][..24_000]);
    }
    after[1][12_043] += 1e-7;
    // Readings wherever a block ends at a whole tenth of a second, and at the end.
    let run = |sizes: &[usize]| {
        let mut meter =
            ReductionMeter::new(RATE_HZ, 2, 2, GainMemory::TenSeconds, RestGain::Automatic);
        let mut read = Vec::new();
        let (mut start, mut sizes) = (0, sizes.iter().cycle());
        while start < before[0].len() {
            let end = before[0].len().min(start + sizes.next().unwrap());
            let part = |signal: &'static str| match signal {
                "before" => [&before[0][start..end], &before[1][start..end]],
                "after" => [&after[0][start..end], &after[1][start..end]],
                _ => [&second[0][start..end], &second[1][start..end]],
            };
            meter.process(&part("before"), &[&part("after"), &part("second")]);
            if end % 4800 == 0 {
                read.push((end, [meter.readings(0), meter.readings(1)]));
            }
            start = end;
        }
        read.push((start, [meter.readings(0), meter.readings(1)]));
        read
    };
    let single = run(&[1]);
    let (_, last) = single.last().unwrap();
    assert!(last[0] != last[1]);
    for sizes in [
        &[7, 64, 333][..],
        &[32],
        &[480],
        &[1024, 1],
        &[4800],
        &[144_000],
    ] {
        for read in run(sizes) {
            assert!(single.contains(&read), "{sizes:?}: {read:?}");
        }
    }
}

#[test]
fn identical_signals_take_the_short_cut_to_the_same_readings() {
    let (before, after) = noise_and_clipped(2);
    let (mut two, mut one) = (
        ReductionMeter::new(RATE_HZ, 2, 2, GainMemory::Nothing, RestGain::Known(0.0)),
        meter(RATE_HZ),
    );
    let [before, after] = [[&before[0][..], &before[1]], [&after[0][..], &after[1]]];
    two.process(&before, &[&after, &after]);
    one.process(&before, &[&after]);
    assert_eq!(two.readings(0), one.readings(0));
    assert_eq!(two.readings(1), one.readings(0));
}

#[test]
fn a_restart_forgets_and_faults_do_not_last() {
    let (before, after) = noise_and_clipped(2);
    let [clean, clipped] = [[&before[0][..], &before[1]], [&after[0][..], &after[1]]];
    let mut meter = meter(RATE_HZ);
    meter.process(&clean, &[&clipped]);
    let expected = meter.readings(0).distortion.now_db.unwrap();
    meter.restart();
    assert_eq!(meter.readings(0).distortion, Trend::default());
    assert_eq!(meter.readings(0).bands[2].reduction, Trend::default());
    let broken = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, 1e30].repeat(100);
    meter.process(&[&broken, &broken], &[&[&clean[0][..500], &broken]]);
    meter.process(&clean, &[&clipped]);
    let now = meter.readings(0).distortion.now_db.unwrap();
    assert!((now - expected).abs() < 0.5, "{now} {expected}");
    // Channels that are missing or short are silence, or end the block.
    meter.process(&[], &[]);
    meter.process(&[&clean[0][..100]], &[&[&clean[0][..50]]]);
    meter.process(&clean, &[]);
    assert!(
        meter
            .readings(0)
            .bands
            .iter()
            .all(|band| band.reduction.max_db.is_some())
    );
}

#[test]
fn silence_has_neither_reduction_nor_distortion() {
    let silence = [vec![0.0; 48_000], vec![0.0; 48_000]];
    let reading = measured(&silence, &silence, RATE_HZ);
    assert_eq!(reading.distortion, Trend::default());
    assert!(
        reading
            .bands
            .iter()
            .all(|band| band.reduction == Trend::default() && band.distortion == Trend::default())
    );
    // A mute is a very large reduction.
    let tone = mono(tone(RATE_HZ, 350.0, 0.25, 1.0));
    let muted = measured(&tone, &silence, RATE_HZ);
    assert_eq!(muted.bands[1].reduction.now_db, Some(60.0));
}
