//! Signals that try to get past a ceiling, and the stick that measures whether they did.

#![expect(clippy::cast_sign_loss, reason = "lengths are positive")]

use kit::spectrum;
use std::f64::consts::{PI, TAU};

use ebur128::{EbuR128, Mode};
use realfft::num_complex::Complex;

pub fn db(amplitude: f64) -> f64 {
    20.0 * amplitude.log10()
}

/// Largest magnitude of the band-limited signal through the samples, at 16 points a sample, with
/// silence around it.
pub fn true_peak(samples: &[f32]) -> f64 {
    interpolated(samples, 16)
        .iter()
        .fold(0.0_f64, |peak, x| peak.max(x.abs()))
}

/// The same at 8 points a sample: two through the spectrum, where the filter of the `ebur128` crate
/// is flat, and four by it.
pub fn true_peak_by_crate(samples: &[f32]) -> f64 {
    let doubled: Vec<f64> = interpolated(samples, 2);
    let mut meter = EbuR128::new(1, 48_000, Mode::TRUE_PEAK).unwrap();
    meter.add_frames_f64(&doubled).unwrap();
    meter.true_peak(0).unwrap()
}

/// The band-limited signal through the samples at `factor` points a sample, with silence around it.
fn interpolated(samples: &[f32], factor: usize) -> Vec<f64> {
    let padded = (samples.len() + 4096).next_power_of_two();
    let mut time = vec![0.0; padded];
    for (cell, sample) in time[2048..].iter_mut().zip(samples) {
        *cell = f64::from(*sample) / padded as f64;
    }
    let forward = spectrum::forward(padded);
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut time, &mut spectrum).unwrap();
    let inverse = spectrum::inverse(factor * padded);
    let mut wide = inverse.make_input_vec();
    wide[..spectrum.len()].copy_from_slice(&spectrum);
    wide[padded / 2] *= 0.5;
    let mut fine = inverse.make_output_vec();
    inverse.process(&mut wide, &mut fine).unwrap();
    fine
}

/// White noise from a fixed seed, −1…1.
fn white(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed;
    move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }
}

/// Takes away what is above 0.45 of the rate.
fn band_limited(samples: &[f64]) -> Vec<f64> {
    let padded = (samples.len() + 2048).next_power_of_two();
    let (forward, inverse) = (spectrum::forward(padded), spectrum::inverse(padded));
    let mut time = samples.to_vec();
    time.resize(padded, 0.0);
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut time, &mut spectrum).unwrap();
    for (bin, value) in spectrum.iter_mut().enumerate() {
        if bin as f64 > 0.45 * padded as f64 {
            *value = Complex::new(0.0, 0.0);
        }
    }
    inverse.process(&mut spectrum, &mut time).unwrap();
    time.iter()
        .take(samples.len())
        .map(|x| x / padded as f64)
        .collect()
}

/// Drums, bass and chords, as dense as a mix.
pub fn programme(rate_hz: f64, frames: usize) -> Vec<f64> {
    let mut noise = white(77);
    let samples: Vec<f64> = (0..frames)
        .map(|n| {
            let time = n as f64 / rate_hz;
            let beat = time * 2.2;
            let since_beat = beat.fract() / 2.2;
            let kick = (TAU * (50.0 * since_beat + 8.0 * (1.0 - (-since_beat * 40.0).exp()))).sin()
                * (-since_beat * 9.0).exp();
            let hat = noise() * (-(beat * 4.0).fract() * 14.0).exp() * 0.3;
            let snare = if beat % 2.0 >= 1.0 {
                (noise() * 0.6 + (TAU * 190.0 * since_beat).sin() * 0.4)
                    * (-since_beat * 18.0).exp()
            } else {
                0.0
            };
            let bass = (TAU * 55.0 * time).sin() * 0.35 + (TAU * 110.0 * time + 0.3).sin() * 0.15;
            let chord: f64 = [220.0, 277.2, 329.6, 440.0, 659.3]
                .iter()
                .map(|frequency| ((time * frequency).fract() - 0.5) * 0.18)
                .sum();
            0.8 * kick + hat + 0.6 * snare + bass + chord
        })
        .collect();
    band_limited(&samples)
}

/// Scaled so that its largest sample is `peak_db` above full scale.
pub fn pushed(samples: &[f64], peak_db: f64) -> Vec<f32> {
    let peak = samples.iter().fold(0.0_f64, |peak, x| peak.max(x.abs()));
    let gain = 10.0_f64.powf(peak_db / 20.0) / peak;
    samples.iter().map(|x| (x * gain) as f32).collect()
}

/// Signals that try to get past a ceiling, by group.
#[expect(clippy::too_many_lines, reason = "a list")]
pub fn challenges(rate_hz: f64) -> Vec<(&'static str, Vec<Vec<f32>>)> {
    let frames = (rate_hz * 0.6).min(58_000.0) as usize;
    let mix = programme(rate_hz, frames);
    let mut random = white(5);
    let noise = band_limited(&(0..frames).map(|_| random()).collect::<Vec<f64>>());
    let gated: Vec<f64> = noise
        .iter()
        .enumerate()
        .map(|(n, x)| if n / 700 % 3 == 0 { *x } else { 0.1 * x })
        .collect();
    let sweep: Vec<f64> = (0..frames)
        .map(|n| {
            let (first, octaves) = (0.0004_f64, (0.45_f64 / 0.0004).ln());
            let done = n as f64 / frames as f64;
            (TAU * first * frames as f64 / octaves * ((done * octaves).exp() - 1.0)).sin()
        })
        .collect();
    let impulses = |peak_db: f64, base: &[f32]| {
        let mut samples = base.to_vec();
        let amplitude = 10.0_f32.powf(peak_db as f32 / 20.0);
        for k in 0..12 {
            samples[1000 + k * frames / 13 + k] += if k % 2 == 0 { amplitude } else { -amplitude };
        }
        samples
    };
    let bursts = |frequency: f64, peak_db: f64, hard: bool| {
        let len = (rate_hz * 0.0008) as usize;
        let mut samples: Vec<f32> = (0..frames)
            .map(|n| (0.3 * (TAU * 0.01 * n as f64).sin()) as f32)
            .collect();
        for k in 0..6 {
            for i in 0..len {
                let fade = if hard {
                    1.0
                } else {
                    (PI * (i as f64 + 0.5) / len as f64).sin().powi(2)
                };
                let tone = (TAU * frequency * i as f64 + k as f64).sin();
                samples[2000 + k * frames / 7 + k + i] +=
                    (10.0_f64.powf(peak_db / 20.0) * fade * tone) as f32;
            }
        }
        samples
    };
    let steps = |low: f32, high: f32| -> Vec<f32> {
        (0..frames)
            .map(|n| if n / 3001 % 2 == 0 { low } else { high })
            .collect()
    };
    let tone = |frequency: f64, phase: f64, peak_db: f64| -> Vec<f32> {
        let amplitude = 10.0_f64.powf(peak_db / 20.0);
        (0..frames)
            .map(|n| (amplitude * (TAU * frequency * n as f64 + phase).sin()) as f32)
            .collect()
    };
    let silence = vec![0.0; frames];
    vec![
        (
            "programme",
            [0.0, 3.0, 6.0, 12.0, 18.0]
                .map(|push| pushed(&mix, push))
                .to_vec(),
        ),
        (
            "noise",
            [0.0, 6.0, 18.0].map(|push| pushed(&noise, push)).to_vec(),
        ),
        (
            "gated noise",
            [6.0, 18.0].map(|push| pushed(&gated, push)).to_vec(),
        ),
        (
            "sweep",
            [0.0, 6.0, 18.0].map(|push| pushed(&sweep, push)).to_vec(),
        ),
        (
            "impulses",
            [0.0, 6.0, 18.0]
                .map(|peak| impulses(peak, &silence))
                .to_vec(),
        ),
        (
            "impulses on programme",
            [6.0, 12.0, 18.0]
                .map(|peak| impulses(peak, &pushed(&mix, -3.0)))
                .to_vec(),
        ),
        (
            "bursts",
            [0.45, 0.31, 0.25, 0.1, 0.02]
                .iter()
                .flat_map(|frequency| {
                    [(3.0, true), (18.0, true), (12.0, false)]
                        .map(|(db, hard)| bursts(*frequency, db, hard))
                })
                .collect(),
        ),
        (
            "steps",
            [
                (0.0, 1.0),
                (0.0, 8.0),
                (-2.0, 2.0),
                (0.9, 1.5),
                (-8.0, 8.0),
                (0.5, -4.0),
            ]
            .map(|(low, high)| steps(low, high))
            .to_vec(),
        ),
        (
            "quarter of the rate",
            [0.0, 3.0, 18.0]
                .map(|peak| tone(0.25, PI / 4.0, peak + 3.01))
                .to_vec(),
        ),
        (
            "tones",
            [0.01, 0.2, 0.3333, 0.4, 0.4499]
                .map(|frequency| tone(frequency, 0.2, 6.0))
                .to_vec(),
        ),
    ]
}
