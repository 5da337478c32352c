//! The saturator's promises: nothing below the shoulder is touched, what is above bends as the
//! curve says, and nothing folds back.

#![expect(clippy::unwrap_used, reason = "a failed transform is a failed test")]
#![expect(
    clippy::print_stdout,
    reason = "the measured figures are worth reading"
)]

use kit::spectrum;
use std::f64::consts::TAU;

use crestline_core::process::{Saturator, SaturatorSettings, curve};
use proptest::prelude::*;
use realfft::num_complex::Complex;

const ON: SaturatorSettings = SaturatorSettings {
    enabled: true,
    shoulder_db: 3.0,
    lean_percent: 0.0,
    blend_percent: 100.0,
};

const CEILING_DBTP: f64 = -1.0;

fn gain(db: f64) -> f64 {
    10.0_f64.powf(db / 20.0)
}

fn db(amplitude: f64) -> f64 {
    20.0 * amplitude.log10()
}

/// Amplitude of a tone `over_db` above the shoulder.
fn over_shoulder(settings: &SaturatorSettings, over_db: f64) -> f64 {
    gain(CEILING_DBTP - settings.shoulder_db + over_db)
}

/// Amplitudes by frequency in Hz (bin 0: the mean) of the third second of a tone on a whole number
/// of periods, and the phase of the fundamental against the delayed input's.
fn tone_spectrum(
    rate: usize,
    frequency: usize,
    amplitude: f64,
    settings: &SaturatorSettings,
) -> Vec<Complex<f64>> {
    let mut saturator = Saturator::new(rate as f64, 1);
    let late = saturator.latency_frames() as f64;
    let step = TAU * frequency as f64 / rate as f64;
    let mut tone: Vec<f32> = (0..3 * rate)
        .map(|n| (amplitude * (step * (n as f64 + late)).sin()) as f32)
        .collect();
    tone.chunks_mut(512)
        .for_each(|block| saturator.process(&mut [block], settings, CEILING_DBTP));
    let forward = spectrum::forward(rate);
    let mut time: Vec<f64> = tone[2 * rate..].iter().map(|x| f64::from(*x)).collect();
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut time, &mut spectrum).unwrap();
    spectrum[0] *= 0.5;
    spectrum
        .iter()
        .map(|value| value * 2.0 / rate as f64)
        .collect()
}

/// How far harmonic `n` of the output for `amplitude·sin` may lie from that of the curve: as far as
/// what a lean bends more has it in its mean (one pole at 2 Hz).
fn ripple(frequency: usize, amplitude: f64, n: u32, settings: &SaturatorSettings) -> f64 {
    let even = SaturatorSettings {
        lean_percent: 0.0,
        ..*settings
    };
    let leant = harmonic(amplitude, n, settings) - harmonic(amplitude, n, &even);
    (leant / Complex::new(1.0, 0.5 * f64::from(n) * frequency as f64)).norm()
}

/// Fourier integral of `curve(a·sin)` for harmonic `n`, by the rectangle rule (exact for a periodic
/// function of so many points).
fn harmonic(amplitude: f64, n: u32, settings: &SaturatorSettings) -> Complex<f64> {
    let points = 1 << 16;
    let sum: Complex<f64> = (0..points)
        .map(|k| {
            let angle = TAU * f64::from(k) / f64::from(points);
            Complex::from_polar(
                curve(amplitude * angle.sin(), settings, CEILING_DBTP),
                -f64::from(n) * angle,
            )
        })
        .sum();
    sum * 2.0 / f64::from(points)
}

#[test]
fn harmonics_are_those_of_the_curve() {
    for rate in [44100, 48000, 96000, 192_000] {
        for frequency in [997, 5003] {
            for (shoulder_db, lean_percent, blend_percent) in [
                (3.0, 0.0, 100.0),
                (6.0, 0.0, 100.0),
                (3.0, 100.0, 100.0),
                (12.0, 50.0, 40.0),
            ] {
                let settings = SaturatorSettings {
                    shoulder_db,
                    lean_percent,
                    blend_percent,
                    ..ON
                };
                let amplitude = over_shoulder(&settings, 6.0);
                let spectrum = tone_spectrum(rate, frequency, amplitude, &settings);
                let fundamental = harmonic(amplitude, 1, &settings).norm();
                for n in (1..=20_u32).take_while(|n| *n as usize * frequency < 20000) {
                    let told = spectrum[n as usize * frequency];
                    let error = (told - harmonic(amplitude, n, &settings)).norm();
                    let allowed = ripple(frequency, amplitude, n, &settings);
                    assert!(
                        error < 1e-4 * fundamental + allowed,
                        "{rate} Hz, {settings:?}, {frequency} Hz, harmonic {n}: {:.1} dB",
                        db(error / fundamental)
                    );
                }
            }
        }
    }
}

#[test]
fn without_a_lean_there_are_no_even_harmonics_and_with_it_there_are_but_no_offset() {
    let level = |lean_percent: f64| {
        let settings = SaturatorSettings { lean_percent, ..ON };
        let spectrum = tone_spectrum(48000, 997, over_shoulder(&settings, 6.0), &settings);
        let relative = |bin: usize| db(spectrum[bin].norm() / spectrum[997].norm());
        (
            relative(2 * 997),
            relative(4 * 997),
            relative(6 * 997),
            relative(0),
        )
    };
    let (second, fourth, sixth, _) = level(0.0);
    assert!(
        second.max(fourth).max(sixth) < -120.0,
        "{second} {fourth} {sixth}"
    );
    let (second, _, _, mean) = level(100.0);
    println!("full lean: second harmonic {second:.1} dB, mean {mean:.1} dB");
    assert!(second > -40.0, "{second}");
    assert!(mean < -120.0, "{mean}");
}

/// Everything that is not a harmonic, against the fundamental, for a tone so far above the shoulder.
fn folded_db(rate: usize, frequency: usize, over_db: f64, settings: &SaturatorSettings) -> f64 {
    let peak = over_shoulder(settings, over_db);
    let spectrum = tone_spectrum(rate, frequency, peak, settings);
    let folded: f64 = spectrum
        .iter()
        .enumerate()
        .filter(|(bin, _)| bin % frequency != 0)
        .map(|(_, x)| x.norm_sqr())
        .sum();
    let folded_db = db(folded.sqrt() / spectrum[frequency].norm());
    println!(
        "{rate} Hz, lean {} %, {frequency} Hz, {over_db} dB over a shoulder of {} dB: {folded_db:.1} dB",
        settings.lean_percent, settings.shoulder_db
    );
    folded_db
}

/// Covers shoulders from 3 dB on.
#[test]
fn nothing_folds_back() {
    for lean_percent in [0.0, 50.0, 100.0] {
        for (frequency, allowed_db) in [(997, -100.0), (5003, -100.0), (10007, -90.0)] {
            for shoulder_db in [3.0, 6.0, 12.0] {
                let settings = SaturatorSettings {
                    shoulder_db,
                    lean_percent,
                    ..ON
                };
                let folded_db = folded_db(48_000, frequency, 6.0, &settings);
                assert!(
                    folded_db < allowed_db,
                    "{settings:?}, {frequency} Hz: {folded_db}"
                );
            }
        }
    }
}

/// The figures of README.md, rounded.
#[test]
fn what_folds_back_is_what_is_said() {
    for (rate_hz, over_db, shoulder_db, said_db) in [
        (44_100, 6.0, 1.0, -62.0),
        (44_100, 6.0, 3.0, -98.0),
        (44_100, 12.0, 3.0, -66.0),
        (44_100, 18.0, 3.0, -59.0),
        (48_000, 18.0, 3.0, -53.0),
        (96_000, 18.0, 3.0, -50.0),
        (192_000, 18.0, 3.0, -45.0),
    ] {
        let settings = SaturatorSettings { shoulder_db, ..ON };
        let folded_db = folded_db(rate_hz, 10_007, over_db, &settings);
        assert!(
            folded_db < said_db + 0.5,
            "{over_db} dB over a shoulder of {shoulder_db} dB: {folded_db}"
        );
    }
}

/// Sharper shoulders make more harmonics than eight times the rate holds: these limits are those
/// of what is, not of what is wanted.
#[test]
fn what_sharp_shoulders_fold_back_is_as_stated() {
    for (shoulder_db, allowed_db) in [
        (2.0, [-100.0, -105.0, -72.0]),
        (1.0, [-100.0, -78.0, -63.0]),
        (0.5, [-100.0, -70.0, -58.0]),
    ] {
        for lean_percent in [0.0, 100.0] {
            for (frequency, allowed_db) in [997, 5003, 10007].into_iter().zip(allowed_db) {
                let settings = SaturatorSettings {
                    shoulder_db,
                    lean_percent,
                    ..ON
                };
                let folded_db = folded_db(48_000, frequency, 6.0, &settings);
                assert!(
                    folded_db < allowed_db,
                    "{settings:?}, {frequency} Hz: {folded_db}"
                );
            }
        }
    }
}

#[test]
fn below_the_shoulder_every_sample_passes_bit_for_bit() {
    for rate_hz in [8000.0, 44100.0, 96000.0, 192_000.0] {
        let peak = over_shoulder(&ON, -0.01);
        let input: Vec<f32> = (0..20000)
            .map(|n| {
                let time = f64::from(n);
                (peak * (0.7 * (0.031 * time).sin() + 0.3 * (0.83 * time + 1.0).sin())) as f32
            })
            .collect();
        let mut output = input.clone();
        let mut saturator = Saturator::new(rate_hz, 1);
        let late = saturator.latency_frames();
        output.chunks_mut(512).for_each(|block| {
            saturator.process(
                &mut [block],
                &SaturatorSettings {
                    lean_percent: 100.0,
                    ..ON
                },
                CEILING_DBTP,
            );
        });
        assert!(
            input
                .iter()
                .zip(&output[late..])
                .all(|(x, y)| x.to_bits() == y.to_bits()),
            "{rate_hz}"
        );
    }
}

/// By the curve: what is bent never passes the ceiling. Low notes stay at the tops of their waves for
/// the longest.
#[test]
fn low_notes_stay_below_the_ceiling_however_hard_they_are_pushed() {
    let ceiling = gain(CEILING_DBTP);
    for lean_percent in [0.0, 50.0, 100.0] {
        for hz in [30.0, 41.0, 110.0] {
            let amplitude = ceiling * gain(12.0);
            let mut tone: Vec<f32> = (0..144_000)
                .map(|n| (amplitude * (TAU * hz * f64::from(n) / 48_000.0).sin()) as f32)
                .collect();
            let mut saturator = Saturator::new(48_000.0, 1);
            let settings = SaturatorSettings { lean_percent, ..ON };
            tone.chunks_mut(512)
                .for_each(|block| saturator.process(&mut [block], &settings, CEILING_DBTP));
            let peak = tone.iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
            let over_db = db(f64::from(peak) / ceiling);
            println!("{hz} Hz, lean {lean_percent} %: {over_db:+.3} dB");
            assert!(
                over_db < 0.01,
                "{hz} Hz, lean {lean_percent} %: {over_db:+.3} dB"
            );
        }
    }
}

#[test]
fn after_a_loud_passage_a_quiet_one_is_exact_again() {
    let settings = SaturatorSettings {
        lean_percent: 100.0,
        ..ON
    };
    let input: Vec<f32> = (0..288_000)
        .map(|n| (if n < 48000 { 1.2 } else { 0.3 }) * (0.05 * n as f32).sin())
        .collect();
    let mut output = input.clone();
    let mut saturator = Saturator::new(48000.0, 1);
    let late = saturator.latency_frames();
    output
        .chunks_mut(512)
        .for_each(|block| saturator.process(&mut [block], &settings, CEILING_DBTP));
    assert_eq!(output[280_000..], input[280_000 - late..288_000 - late]);
}

#[test]
fn off_is_a_pure_delay_of_the_same_length_at_any_rate() {
    for (rate_hz, frames) in [
        (8000.0, 103),
        (44100.0, 103),
        (47_952.05, 103),
        (96000.0, 102),
        (192_000.0, 99),
        (384_000.0, 99),
    ] {
        let mut saturator = Saturator::new(rate_hz, 2);
        assert_eq!(saturator.latency_frames(), frames);
        let input: Vec<f32> = (0..5000).map(|n| 3.0 * (0.3 * n as f32).sin()).collect();
        let (mut left, mut right) = (input.clone(), input.clone());
        let off = SaturatorSettings::default();
        saturator.process(&mut [&mut left, &mut right], &off, CEILING_DBTP);
        assert_eq!(left[frames..], input[..5000 - frames]);
        assert_eq!(left, right);
    }
}

/// Largest second difference of a tone of 200 Hz while a setting changes, less that of the tone
/// itself.
fn roughness(before: (SaturatorSettings, f64), after: (SaturatorSettings, f64)) -> f64 {
    let mut saturator = Saturator::new(48000.0, 1);
    let mut tone: Vec<f32> = (0..48000)
        .map(|n| (1.2 * (TAU * 200.0 / 48000.0 * f64::from(n)).sin()) as f32)
        .collect();
    for (index, block) in tone.chunks_mut(480).enumerate() {
        let (settings, ceiling_dbtp) = if index < 50 { before } else { after };
        saturator.process(&mut [block], &settings, ceiling_dbtp);
    }
    let bend = |range: std::ops::Range<usize>| {
        tone[range]
            .windows(3)
            .map(|x| f64::from((x[0] - 2.0 * x[1] + x[2]).abs()))
            .fold(0.0, f64::max)
    };
    bend(23000..30000) - bend(20000..23000).max(bend(40000..48000))
}

#[test]
fn no_setting_clicks() {
    let off = SaturatorSettings {
        enabled: false,
        ..ON
    };
    let shouldered = SaturatorSettings {
        shoulder_db: 12.0,
        ..ON
    };
    let leaning = SaturatorSettings {
        lean_percent: 100.0,
        ..ON
    };
    let dry = SaturatorSettings {
        blend_percent: 0.0,
        ..ON
    };
    let on = (ON, CEILING_DBTP);
    let settings = [off, shouldered, leaning, dry].map(|settings| (settings, CEILING_DBTP));
    for after in settings.into_iter().chain([(ON, -6.0)]) {
        for (before, after) in [(on, after), (after, on)] {
            let roughness = roughness(before, after);
            assert!(roughness < 0.002, "{before:?} to {after:?}: {roughness}");
        }
    }
}

#[test]
fn faults_in_the_input_pass_without_a_trace() {
    let mut saturator = Saturator::new(48000.0, 2);
    let late = saturator.latency_frames();
    for fault in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, 1e-42] {
        let input: Vec<f32> = (0..480_000)
            .map(|n| 0.4 * (0.05 * n as f32).sin())
            .collect();
        let (mut left, mut right) = (input.clone(), input.clone());
        left[1000] = fault;
        right[1040..1100].fill(fault);
        for (left, right) in left.chunks_mut(512).zip(right.chunks_mut(512)) {
            saturator.process(&mut [left, right], &ON, CEILING_DBTP);
        }
        assert!(left.iter().chain(&right).all(|x| x.is_finite()), "{fault}");
        assert_eq!(
            left[470_000..],
            input[470_000 - late..480_000 - late],
            "{fault}"
        );
        assert_eq!(
            right[470_000..],
            input[470_000 - late..480_000 - late],
            "{fault}"
        );
    }
}

/// And any ceiling.
fn any_settings() -> impl Strategy<Value = (SaturatorSettings, f64)> {
    (
        any::<bool>(),
        -12.0..1.0,
        0.0..13.0,
        -5.0..105.0,
        -5.0..105.0,
    )
        .prop_map(
            |(enabled, ceiling_dbtp, shoulder_db, lean_percent, blend_percent)| {
                let settings = SaturatorSettings {
                    enabled,
                    shoulder_db,
                    lean_percent,
                    blend_percent,
                };
                (settings, ceiling_dbtp)
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn blocks_do_not_matter(
        rate_hz in 8000.0..400_000.0,
        sections in prop::collection::vec((1_usize..900, any_settings()), 2..6),
        cuts in prop::collection::vec(1_usize..300, 1..8),
    ) {
        let frames: usize = sections.iter().map(|section| section.0).sum();
        let signal: Vec<f32> = (0..frames).map(|n| 1.4 * (n as f32 * 0.02).sin() * (n as f32 * 0.0037).sin()).collect();
        let (mut whole, mut cut) = (Saturator::new(rate_hz, 2), Saturator::new(rate_hz, 2));
        let [mut left, mut right] = [signal.clone(), signal.iter().rev().copied().collect::<Vec<f32>>()];
        let [mut cut_left, mut cut_right] = [left.clone(), right.clone()];
        let mut lengths = cuts.iter().cycle();
        let mut start = 0;
        for (len, (settings, ceiling_dbtp)) in &sections {
            let end = start + len;
            whole.process(&mut [&mut left[start..end], &mut right[start..end]], settings, *ceiling_dbtp);
            while start < end {
                let stop = (start + lengths.next().unwrap()).min(end);
                cut.process(&mut [&mut cut_left[start..stop], &mut cut_right[start..stop]], settings, *ceiling_dbtp);
                start = stop;
            }
        }
        prop_assert!(left.iter().zip(&cut_left).all(|(x, y)| x.to_bits() == y.to_bits()));
        prop_assert!(right.iter().zip(&cut_right).all(|(x, y)| x.to_bits() == y.to_bits()));
        cut.reset();
        let (mut again, mut fresh) = (signal.clone(), signal);
        let (settings, ceiling_dbtp) = &sections[0].1;
        cut.process(&mut [&mut again], settings, *ceiling_dbtp);
        Saturator::new(rate_hz, 2).process(&mut [&mut fresh], settings, *ceiling_dbtp);
        prop_assert_eq!(again, fresh);
    }
}
