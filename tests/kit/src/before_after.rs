//! A signal from before and one from after a process, measured against each other.

use crestline_core::dsp::crossover::{Crossover, low_to_high};
use crestline_core::dsp::quad::Quad;
use crestline_core::measure::{GainMemory, Reduction, ReductionMeter, RestGain};
use std::f64::consts::{PI, TAU};
use wide::f64x2;

pub const RATE_HZ: f64 = 48_000.0;
pub const CORNERS_HZ: [f64; 3] = [120.0, 1000.0, 6000.0];
/// A tone in the middle of each band.
pub const TONES_HZ: [f64; 4] = [50.0, 350.0, 2500.0, 10_000.0];

pub type Stereo = [Vec<f32>; 2];

pub fn db(gain: f64) -> f64 {
    20.0 * gain.log10()
}

pub fn gain(db: f64) -> f64 {
    10.0_f64.powf(db / 20.0)
}

pub fn mono(samples: impl Iterator<Item = f64>) -> Stereo {
    let samples: Vec<f32> = samples.map(|sample| sample as f32).collect();
    [samples.clone(), samples]
}

pub fn tone(rate_hz: f64, hz: f64, amplitude: f64, seconds: f64) -> impl Iterator<Item = f64> {
    let frames = (0..).take_while(move |frame| f64::from(*frame) < seconds * rate_hz);
    frames.map(move |frame| amplitude * (TAU * hz * f64::from(frame) / rate_hz).sin())
}

/// A signal in the four bands of a crossover, frame by frame.
pub fn split(rate_hz: f64, corners_hz: [f64; 3], [left, right]: [&[f32]; 2]) -> Vec<[f64x2; 4]> {
    let mut crossover: Crossover = Crossover::new(rate_hz);
    crossover.reset(corners_hz);
    let frames = left.iter().zip(right);
    let frames: Vec<f64x2> = frames
        .map(|(left, right)| f64x2::new([f64::from(*left), f64::from(*right)]))
        .collect();
    let mut bands = vec![[Quad::ZERO; 2]; frames.len()];
    crossover.split_run([&frames], [&mut bands]);
    bands.iter().map(low_to_high).collect()
}

pub fn meter(rate_hz: f64) -> ReductionMeter {
    ReductionMeter::new(rate_hz, 2, 1, GainMemory::Nothing, RestGain::Known(0.0))
}

/// Measures in blocks of 480 frames and calls `look` after each with the frames so far.
pub fn watch(
    meter: &mut ReductionMeter,
    before: &Stereo,
    after: &Stereo,
    mut look: impl FnMut(usize, &Reduction),
) {
    let frames = before[0].len();
    for start in (0..frames).step_by(480) {
        let end = frames.min(start + 480);
        let part = |signal: &'_ Stereo| -> [Vec<f32>; 2] {
            [
                signal[0][start..end].to_vec(),
                signal[1][start..end].to_vec(),
            ]
        };
        let (before, after) = (part(before), part(after));
        meter.process(&[&before[0], &before[1]], &[&[&after[0], &after[1]]]);
        look(end, &meter.readings(0));
    }
    meter.finish();
}

pub fn measured(before: &Stereo, after: &Stereo, rate_hz: f64) -> Reduction {
    let mut meter = meter(rate_hz);
    watch(&mut meter, before, after, |_, _| {});
    meter.readings(0)
}

/// Power gain of each Linkwitz-Riley band: products of `1/(1+r⁴)` and `r⁴/(1+r⁴)` (closed form,
/// Linkwitz 1976), r warped by the bilinear transform.
pub fn band_power(hz: f64, rate_hz: f64) -> [f64; 4] {
    let [low, mid, high] = CORNERS_HZ
        .map(|corner_hz| ((PI * hz / rate_hz).tan() / (PI * corner_hz / rate_hz).tan()).powi(4));
    let (below, above) = (|r4: f64| 1.0 / (1.0 + r4), |r4: f64| r4 / (1.0 + r4));
    [
        below(mid) * below(low),
        below(mid) * above(low),
        above(mid) * below(high),
        above(mid) * above(high),
    ]
    .map(|gain| gain * gain)
}
