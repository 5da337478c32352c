//! Test signals, synthesised: tones, noise, sweeps, and what an ideal interpolator makes of them.
//!
//! Levels are those of the peaks in dBFS, as EBU Tech 3341 and 3342 give them; times are in
//! seconds.

#![allow(clippy::cast_sign_loss, reason = "counts of frames are not negative")]

use crate::spectrum;
use realfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// No signal, as a level.
pub const SILENCE: f64 = f64::NEG_INFINITY;

/// Frames in a stretch of time, to the nearest.
pub fn frames(rate_hz: f64, seconds: f64) -> usize {
    (rate_hz * seconds).round() as usize
}

/// Amplitude of a level in dB.
pub fn amplitude(level_db: f64) -> f64 {
    10_f64.powf(level_db / 20.0)
}

/// Level of an amplitude in dB.
pub fn decibels(amplitude: f64) -> f64 {
    20.0 * amplitude.abs().log10()
}

/// A sine that starts at zero and keeps its phase while its level changes: a list of durations and
/// peak levels.
pub fn tone_steps(rate_hz: f64, hz: f64, steps: &[(f64, f64)]) -> Vec<f32> {
    let mut signal = Vec::new();
    let mut end_s = 0.0;
    for (seconds, level_dbfs) in steps {
        end_s += seconds;
        let amplitude = amplitude(*level_dbfs);
        for n in signal.len()..frames(rate_hz, end_s) {
            signal.push((amplitude * (TAU * hz * n as f64 / rate_hz).sin()) as f32);
        }
    }
    signal
}

/// A sine of one level.
pub fn tone(rate_hz: f64, hz: f64, level_dbfs: f64, seconds: f64) -> Vec<f32> {
    tone_steps(rate_hz, hz, &[(seconds, level_dbfs)])
}

/// A sine given in cycles per sample, with its starting phase in degrees and its amplitude as a
/// factor.
pub fn tone_at_phase(
    cycles_per_sample: f64,
    degrees: f64,
    amplitude: f64,
    frames: usize,
) -> Vec<f32> {
    let phase = degrees.to_radians();
    (0..frames)
        .map(|n| (amplitude * (TAU * cycles_per_sample * n as f64 + phase).sin()) as f32)
        .collect()
}

/// Raises the first `length` frames from nothing and lowers the last to nothing, by half a period
/// of a cosine.
pub fn fade(signal: &mut [f32], length: usize) {
    let last = signal.len().saturating_sub(1);
    for n in 0..length.min(signal.len()) {
        let gain = (0.5 - 0.5 * (PI * n as f64 / length as f64).cos()) as f32;
        signal[n] *= gain;
        signal[last - n] *= gain;
    }
}

/// A sine whose frequency rises by equal ratios in equal times.
pub fn sweep(rate_hz: f64, from_hz: f64, to_hz: f64, level_dbfs: f64, seconds: f64) -> Vec<f32> {
    let (amplitude, ratio) = (amplitude(level_dbfs), (to_hz / from_hz).ln());
    let mut signal: Vec<f32> = (0..frames(rate_hz, seconds))
        .map(|n| {
            let part = n as f64 / rate_hz / seconds;
            let cycles = from_hz * seconds / ratio * ((ratio * part).exp() - 1.0);
            (amplitude * (TAU * cycles).sin()) as f32
        })
        .collect();
    fade(&mut signal, frames(rate_hz, 0.01));
    signal
}

/// Numbers that look random, the same for the same seed (64-bit linear congruence, constants of
/// Knuth's MMIX).
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(2_654_435_761).wrapping_add(1))
    }

    /// Evenly spread over 0…1.
    pub fn draw(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// White noise, evenly spread over ±`peak`.
pub fn white_noise(seed: u64, peak: f64, frames: usize) -> Vec<f32> {
    let mut random = Random::new(seed);
    (0..frames)
        .map(|_| (peak * (2.0 * random.draw() - 1.0)) as f32)
        .collect()
}

/// Pink noise from `low_hz` to the highest frequency, with equal power in bands of equal ratio, and
/// that power.
pub struct Pink {
    pub samples: Vec<f32>,
    /// Mean square in a band whose upper edge is `e` times its lower one.
    pub power_per_nat: f64,
}

/// Pink noise by inverse Fourier transform: exact magnitudes, random phases. It repeats without a
/// seam.
pub fn pink_noise(seed: u64, rate_hz: f64, low_hz: f64, rms_dbfs: f64, seconds: f64) -> Pink {
    let count = frames(rate_hz, seconds).next_multiple_of(2);
    let transform = spectrum::inverse(count);
    let mut spectrum = transform.make_input_vec();
    let mut random = Random::new(seed);
    let lines = count / 2;
    let first = (low_hz * count as f64 / rate_hz).ceil().max(1.0) as usize;
    // A line of magnitude A contributes a mean square of 2·A².
    let power: f64 = (first..lines).map(|line| 2.0 / line as f64).sum();
    let scale = 10_f64.powf(rms_dbfs / 10.0) / power;
    for (line, value) in spectrum.iter_mut().enumerate().take(lines).skip(first) {
        *value = Complex64::from_polar((scale / line as f64).sqrt(), TAU * random.draw());
    }
    let mut samples = transform.make_output_vec();
    transform.process(&mut spectrum, &mut samples).unwrap();
    Pink {
        samples: samples.iter().map(|sample| *sample as f32).collect(),
        power_per_nat: 2.0 * scale,
    }
}

/// The signal at `factor` times its rate by ideal band-limited interpolation: its spectrum, with
/// nothing added above it.
///
/// Takes the signal as surrounded by silence.
pub fn interpolated(signal: &[f32], factor: usize) -> Vec<f64> {
    let count = (signal.len() + 2_048).next_power_of_two();
    let (forward, inverse) = (spectrum::forward(count), spectrum::inverse(count * factor));
    let mut padded = forward.make_input_vec();
    for (padded, sample) in padded[1_024..].iter_mut().zip(signal) {
        *padded = f64::from(*sample);
    }
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut padded, &mut spectrum).unwrap();
    let mut wider = inverse.make_input_vec();
    wider[..count / 2].copy_from_slice(&spectrum[..count / 2]);
    let mut output = inverse.make_output_vec();
    inverse.process(&mut wider, &mut output).unwrap();
    output.iter().map(|sample| sample / count as f64).collect()
}

/// True peak in dB by ideal band-limited interpolation at 16 times the rate: low by at most 0.034
/// dB at 0.45 of the rate (ITU-R BS.1770-5, Annex 2: `20·log10 cos(π·f/(16·rate))`).
pub fn ideal_true_peak_dbtp(signal: &[f32]) -> f64 {
    decibels(
        interpolated(signal, 16)
            .iter()
            .fold(0.0, |peak, sample| sample.abs().max(peak)),
    )
}

/// Leaves only what lies below `cutoff` (cycles per sample), without any transition. The signal
/// should begin and end in silence.
pub fn brick_wall(signal: &[f64], cutoff: f64) -> Vec<f64> {
    let (forward, inverse) = (
        spectrum::forward(signal.len()),
        spectrum::inverse(signal.len()),
    );
    let mut spectrum = forward.make_output_vec();
    forward
        .process(&mut signal.to_vec(), &mut spectrum)
        .unwrap();
    let kept = (cutoff * signal.len() as f64).ceil() as usize;
    for value in spectrum.iter_mut().skip(kept) {
        *value = Complex64::ZERO;
    }
    let mut output = inverse.make_output_vec();
    inverse.process(&mut spectrum, &mut output).unwrap();
    output
        .iter()
        .map(|sample| sample / signal.len() as f64)
        .collect()
}
