//! The band compressor: what it leaves alone, its responses, curves and times.

use crestline_core::process::{BandSettings, Bands, BandsSettings};
use kit::engine_run::compress;
use kit::spectrum;
use realfft::num_complex::Complex;

use super::linear::{
    RATES_HZ, Stages, busy, first_difference, gain_db, impulse, noise, sine, warped,
};

/// Bands that are on but turn nothing up or down.
fn idle_bands() -> BandsSettings {
    let mut settings = BandsSettings {
        on: true,
        ..BandsSettings::default()
    };
    settings.bands[1].enabled = false;
    settings.bands[2].ratio = 1.0;
    settings
}

// Nothing is what becomes of a signal that no band turns up or down: compared bit for bit, through
// every switch.
#[test]
fn idle_bands_pass_every_sample_bit_for_bit_switched_on_and_off_and_moved() {
    for rate in RATES_HZ {
        // At an eighth of full scale no band of it comes near the knee below 0 dBFS.
        let mut source: Vec<f32> = noise(rate as usize).iter().map(|x| 0.25 * x).collect();
        source[40_000] = -0.0;
        let (mut left, mut right) = (source.clone(), source.clone());
        let mut bands = Bands::new(rate);
        for (number, (left, right)) in left
            .chunks_mut(3000)
            .zip(right.chunks_mut(3000))
            .enumerate()
        {
            let mut settings = idle_bands();
            settings.on = number % 3 > 0;
            settings.crossovers_hz[1] = 500.0 + 100.0 * number as f64;
            compress(&mut bands, &mut [left, right], &settings);
        }
        assert_eq!(first_difference(&left, &source), None);
        assert_eq!(first_difference(&right, &source), None);
    }
}

/// Level of bands with these gains at a frequency: each crossover turns the level from the gain
/// below it to that above it as the Linkwitz-Riley pair would, `(a + b·r⁴)/(1 + r⁴)` (closed form;
/// Linkwitz 1976), relative to the gain above.
fn bands_db(gains_db: [f64; 4], corners_hz: [f64; 3], freq_hz: f64, rate: f64) -> f64 {
    let gains = gains_db.map(|db| 10.0_f64.powf(db / 20.0));
    let mut gain = gains[3];
    for (pair, corner_hz) in gains.windows(2).zip(corners_hz) {
        let r4 = warped(freq_hz, corner_hz, rate).powi(4);
        gain *= (pair[0] / pair[1] + r4) / (1.0 + r4);
    }
    20.0 * gain.log10()
}

/// Level of the sum of the four bands of the Linkwitz-Riley tree with these gains: closed form, all
/// bands in phase.
fn sum_of_bands_db(gains_db: [f64; 4], corners_hz: [f64; 3], freq_hz: f64, rate: f64) -> f64 {
    let [a, b, c, d] = gains_db.map(|db| 10.0_f64.powf(db / 20.0));
    let r4 = corners_hz.map(|corner_hz| warped(freq_hz, corner_hz, rate).powi(4));
    let (low, high) = (r4.map(|r4| 1.0 / (1.0 + r4)), r4.map(|r4| r4 / (1.0 + r4)));
    20.0 * (low[1] * (low[0] * a + high[0] * b) + high[1] * (low[2] * c + high[2] * d)).log10()
}

#[test]
fn the_gains_of_bands_have_the_magnitude_of_a_linkwitz_riley_split() {
    for rate in RATES_HZ {
        for corners_hz in [[120.0, 1000.0, 6000.0], [60.0, 2500.0, 3000.0]] {
            for makeup_db in [
                [6.0, 0.0, 0.0, 0.0],
                [0.0, -6.0, 0.0, 0.0],
                [-3.0, 3.0, -3.0, 3.0],
                [12.0, -12.0, 9.0, 12.0],
                [5.0; 4],
            ] {
                let mut settings = BandsSettings {
                    on: true,
                    crossovers_hz: corners_hz,
                    ..BandsSettings::default()
                };
                for (band, makeup_db) in settings.bands.iter_mut().zip(makeup_db) {
                    (band.ratio, band.makeup_db) = (1.0, makeup_db);
                }
                let mut response = impulse((0.4 * rate) as usize);
                compress(&mut Bands::new(rate), &mut [&mut response], &settings);
                let mut widest = 0.0_f64;
                for step in 0..=33 {
                    let freq_hz = 10.0 * 2000.0_f64.powf(f64::from(step) / 33.0);
                    let expected_db = bands_db(makeup_db, corners_hz, freq_hz, rate);
                    let measured_db = gain_db(&response, freq_hz / rate);
                    assert!(
                        (measured_db - expected_db).abs() < 0.005,
                        "{rate} {makeup_db:?} {freq_hz}: {measured_db} {expected_db}"
                    );
                    let summed_db = sum_of_bands_db(makeup_db, corners_hz, freq_hz, rate);
                    widest = widest.max((measured_db - summed_db).abs());
                }
                // Where corners lie well apart the product of the shelves is the sum of the bands.
                if corners_hz[2] > 2.0 * corners_hz[1] && makeup_db[0] <= 6.0 {
                    assert!(widest < 0.02, "{rate} {makeup_db:?}: {widest} dB");
                }
            }
        }
    }
}

/// Phase of the least that any filter of this magnitude turns, radians, at each line of a spectrum:
/// the causal part of the cepstrum (Oppenheim and Schafer, *Discrete-Time Signal Processing*, the
/// complex cepstrum of minimum-phase sequences; from memory).
fn least_phase(magnitudes: &[f64]) -> Vec<f64> {
    let lines = magnitudes.len();
    let frames = 2 * (lines - 1);
    let (forward, inverse) = (spectrum::forward(frames), spectrum::inverse(frames));
    let mut logarithm: Vec<_> = magnitudes
        .iter()
        .map(|magnitude| Complex::new(magnitude.ln() / frames as f64, 0.0))
        .collect();
    let mut cepstrum = inverse.make_output_vec();
    inverse.process(&mut logarithm, &mut cepstrum).unwrap();
    let (causal, mirrored) = cepstrum.split_at_mut(lines);
    causal[1..lines - 1].iter_mut().for_each(|x| *x *= 2.0);
    mirrored.fill(0.0);
    forward.process(&mut cepstrum, &mut logarithm).unwrap();
    logarithm.iter().map(|line| line.im).collect()
}

// What moves phases is what differs from band to band: equal gains are a gain, sample by sample,
// and other gains turn no more than their magnitude asks for. An all-pass behind them, as that of
// a split that is added up again, would not be seen in a magnitude.
#[test]
fn bands_turn_phases_only_as_far_as_their_gains_differ() {
    let rate = 48_000.0;
    let made_up = |makeup_db: [f64; 4]| {
        let mut settings = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        for (band, makeup_db) in settings.bands.iter_mut().zip(makeup_db) {
            (band.ratio, band.makeup_db) = (1.0, makeup_db);
        }
        settings
    };
    let source = noise(48_000);
    let mut samples = source.clone();
    compress(
        &mut Bands::new(rate),
        &mut [&mut samples],
        &made_up([5.0; 4]),
    );
    // Against the gain that fits best, and that one against what was asked for.
    let pairs = || {
        samples
            .iter()
            .zip(&source)
            .map(|(y, x)| (f64::from(*y), f64::from(*x)))
    };
    let fit = pairs().map(|(y, x)| x * y).sum::<f64>() / pairs().map(|(_, x)| x * x).sum::<f64>();
    let off_db = 20.0 * fit.log10() - 5.0;
    let worst = pairs()
        .map(|(y, x)| (y - fit * x).abs())
        .fold(0.0, f64::max);
    println!("four equal gains: {off_db:+.5} dB off, and {worst:.1e} off a gain at most");
    assert!(off_db.abs() < 0.001 && worst < 2e-7, "{off_db} {worst}");
    for makeup_db in [
        [6.0, 0.0, 0.0, 0.0],
        [0.0, -6.0, 0.0, 0.0],
        [-3.0, 3.0, -3.0, 3.0],
    ] {
        let mut response = impulse(1 << 17);
        compress(
            &mut Bands::new(rate),
            &mut [&mut response],
            &made_up(makeup_db),
        );
        let forward = spectrum::forward(response.len());
        let mut time: Vec<f64> = response.iter().map(|x| f64::from(*x)).collect();
        let mut lines = forward.make_output_vec();
        forward.process(&mut time, &mut lines).unwrap();
        let magnitudes: Vec<f64> = lines.iter().map(|line| line.norm()).collect();
        let off = lines
            .iter()
            .zip(least_phase(&magnitudes))
            .map(|(line, least)| (line.arg() - least).abs().to_degrees())
            .fold(0.0, f64::max);
        println!("{makeup_db:?} dB: {off:.4} degrees off the least phase");
        assert!(off < 0.1, "{makeup_db:?}: {off} degrees");
    }
}

// A tone's level moves from what one setting makes of it to what the other does and never passes
// either: a fade between signals whose phases differ would cut a notch between them.
#[test]
fn switching_working_bands_cuts_no_notch_and_nothing_makes_a_bump() {
    let rate = 48_000.0;
    let working = |on: bool| {
        let mut settings = BandsSettings {
            on,
            ..BandsSettings::default()
        };
        for (band, makeup_db) in settings.bands.iter_mut().zip([-4.0, 3.0, -6.0, 5.0]) {
            (band.ratio, band.makeup_db) = (1.0, makeup_db);
        }
        settings
    };
    for (from, to) in [
        (working(false), working(true)),
        (working(true), working(false)),
    ] {
        for freq_hz in [300.0, 1000.0, 4000.0] {
            let period = (rate / freq_hz) as usize;
            let mut tone = sine(48_000, 0.1, freq_hz / rate);
            let mut bands = Bands::new(rate);
            compress(&mut bands, &mut [&mut tone[..24_000]], &from);
            compress(&mut bands, &mut [&mut tone[24_000..]], &to);
            let peak = |cycle: &[f32]| cycle.iter().fold(0.0, |peak: f32, x| peak.max(x.abs()));
            let levels: Vec<f32> = tone[20_000..30_000]
                .chunks_exact(period)
                .map(peak)
                .collect();
            let (first, last) = (levels[0], levels[levels.len() - 1]);
            let (least, most) = (first.min(last), first.max(last));
            for level in levels {
                assert!(
                    level > 0.97 * least && level < 1.03 * most,
                    "{freq_hz} Hz, {to:?}: {level} between {first} and {last}"
                );
            }
        }
    }
}

/// A band whose knee and ratio move may turn a tone down by as much as the harder of the two static
/// curves does at its level, and not more.
#[test]
fn a_jump_of_the_knee_punches_no_hole() {
    let rate = 48_000.0;
    let settings = |knee_db: f64| {
        let mut settings = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        settings.bands[0] = BandSettings {
            threshold_db: -40.0,
            ratio: 4.0,
            knee_db,
            ..settings.bands[0]
        };
        settings
    };
    for (from_db, to_db) in [(24.0, 0.1), (0.1, 24.0), (24.0, 0.0), (0.0, 24.0)] {
        let mut bands = Bands::new(rate);
        let mut tone = sine(96_000, 10.0_f64.powf(-30.0 / 20.0), 60.0 / rate);
        compress(&mut bands, &mut [&mut tone[..48_000]], &settings(from_db));
        bands.take_activity();
        compress(&mut bands, &mut [&mut tone[48_000..]], &settings(to_db));
        // Nor may the tone itself, period by period: an octave below the crossover it gets the
        // band's gain at most.
        let quietest_db = tone[48_000..]
            .chunks_exact(800)
            .map(|period| period.iter().fold(0.0, |peak: f32, x| peak.max(x.abs())))
            .map(|peak| 20.0 * f64::from(peak).log10() + 30.0)
            .fold(f64::MAX, f64::min);
        let deepest_db = f64::from(bands.take_activity().gain_db[0]);
        let least_db = [from_db, to_db]
            .map(|knee_db| settings(knee_db).bands[0].output_db(-30.0) + 30.0)
            .into_iter()
            .fold(0.0, f64::min);
        println!(
            "knee {from_db} to {to_db} dB: {deepest_db:.2} dB, heard {quietest_db:.2} dB, settled {least_db:.2} dB"
        );
        assert!(deepest_db > least_db - 0.05, "{deepest_db} {least_db}");
        assert!(quietest_db > least_db - 0.05, "{quietest_db} {least_db}");
    }
}

#[test]
fn what_bands_tell_misses_nothing_wherever_blocks_end() {
    let told = |sizes: &[usize]| {
        let mut stages = Stages::new(48_000.0);
        let mut samples = noise(20_000);
        let (mut start, mut sizes) = (0, sizes.iter().cycle());
        while start < samples.len() {
            let end = samples.len().min(start + sizes.next().unwrap());
            stages.process(&mut [&mut samples[start..end]], &busy());
            start = end;
        }
        stages.bands.take_activity()
    };
    let whole = told(&[20_000]);
    assert!(whole.gain_db.iter().all(|gain_db| *gain_db < -1.0));
    for sizes in [&[1][..], &[32], &[64, 333, 7]] {
        assert_eq!(told(sizes), whole);
    }
}

/// Values of eq. 4 of Giannoulis, Massberg, Reiss, JAES 60(6) 2012, computed: threshold −20 dB,
/// ratio 4, knee 10 dB. A constant signal belongs to the lowest band alone.
#[test]
fn a_steady_level_comes_out_where_the_static_curve_says() {
    let table = [
        (-25.0, -25.0),
        (-23.0, -23.15),
        (-22.0, -22.3375),
        (-20.0, -20.9375),
        (-18.0, -19.8375),
        (-17.0, -19.4),
        (-15.0, -18.75),
        (0.0, -15.0),
    ];
    for (input_db, output_db) in table {
        let mut settings = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        settings.bands[0] = BandSettings {
            threshold_db: -20.0,
            ratio: 4.0,
            knee_db: 10.0,
            makeup_db: 1.5,
            ..settings.bands[0]
        };
        let mut bands = Bands::new(48_000.0);
        let level = 10.0_f32.powf(input_db / 20.0);
        // The quieter channel shares the gain of the louder.
        let (mut left, mut right) = (vec![level; 96_000], vec![-level / 4.0; 96_000]);
        compress(&mut bands, &mut [&mut left, &mut right], &settings);
        let measured_db = 20.0 * f64::from(left[95_999]).log10();
        assert!(
            (measured_db - 1.5 - output_db).abs() < 0.02,
            "{input_db}: {measured_db}"
        );
        assert!((left[95_999] / right[95_999] + 4.0).abs() < 1e-5);
        bands.take_activity();
        compress(
            &mut bands,
            &mut [&mut left[..1], &mut right[..1]],
            &settings,
        );
        let gain_db = f64::from(bands.take_activity().gain_db[0]);
        assert!(
            (gain_db - (output_db - f64::from(input_db))).abs() < 0.02,
            "{input_db}: {gain_db}"
        );
    }
}

/// The level of a tone in each band is known from the Linkwitz-Riley closed form (bilinear: r is
/// the warped frequency ratio). The long release holds the gain between the tone's peaks; 20 s let
/// it forget the tone's beginning.
#[test]
fn a_tone_turns_each_band_down_as_its_level_there_demands() {
    let rate = 48_000.0;
    for freq_hz in [171.7, 371.3, 1000.7, 2411.9, 7003.3] {
        let mut settings = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        for band in &mut settings.bands {
            *band = BandSettings {
                threshold_db: -30.0,
                ratio: 3.0,
                knee_db: 12.0,
                release_ms: 2000.0,
                attack_ms: 5.0,
                ..*band
            };
        }
        let mut bands = Bands::new(rate);
        let mut tone = sine(960_000, 0.5, freq_hz / rate);
        compress(&mut bands, &mut [&mut tone[..959_900]], &settings);
        bands.take_activity();
        compress(&mut bands, &mut [&mut tone[959_900..]], &settings);
        let r4 = [120.0, 1000.0, 6000.0].map(|corner_hz| warped(freq_hz, corner_hz, rate).powi(4));
        let (low, high) = (r4.map(|r4| 1.0 / (1.0 + r4)), r4.map(|r4| r4 / (1.0 + r4)));
        let gains = [
            low[1] * low[0],
            low[1] * high[0],
            high[1] * low[2],
            high[1] * high[2],
        ];
        let activity = bands.take_activity();
        for ((gain, settings), measured_db) in
            gains.iter().zip(&settings.bands).zip(activity.gain_db)
        {
            let level_db = 20.0 * (0.5 * gain).log10();
            let expected_db = settings.output_db(level_db) - level_db;
            assert!(
                (f64::from(measured_db) - expected_db).abs() < 0.02,
                "{freq_hz}: {measured_db} {expected_db}"
            );
        }
    }
}

/// By definition 63.2 % of the way after the time constant. The tone's own rise through the
/// crossover takes about a millisecond.
#[test]
fn attack_and_release_take_their_time_through_the_whole_stage() {
    let rate = 48_000.0;
    let mut settings = BandsSettings {
        on: true,
        ..BandsSettings::default()
    };
    settings.bands[2] = BandSettings {
        threshold_db: -40.0,
        ratio: 2.0,
        knee_db: 0.0,
        attack_ms: 100.0,
        release_ms: 1000.0,
        ..settings.bands[2]
    };
    let mut bands = Bands::new(rate);
    let at = |bands: &mut Bands, amplitude: f64, frames: usize, settings: &BandsSettings| {
        let mut tone = sine(frames, amplitude, 2411.9 / rate);
        compress(bands, &mut [&mut tone[..frames - 1]], settings);
        bands.take_activity();
        compress(bands, &mut [&mut tone[frames - 1..]], settings);
        f64::from(bands.take_activity().gain_db[2])
    };
    at(&mut bands, 0.0, 4800, &settings);
    let attacked = at(&mut bands, 0.5, 4800, &settings);
    let settled = at(&mut bands, 0.5, 96_000, &settings);
    assert!(
        (attacked / settled - 0.632).abs() < 0.015,
        "{attacked} {settled}"
    );
    settings.bands[2].attack_ms = 0.1;
    let full = at(&mut bands, 0.5, 48_000, &settings);
    let released = at(&mut bands, 0.0, 48_000, &settings);
    assert!(
        (1.0 - released / full - 0.632).abs() < 0.005,
        "{full} {released}"
    );
}
