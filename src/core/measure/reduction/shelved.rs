//! Gains that move as shelves do, which turn the phase no more than they must.
//!
//! Bands that are split, turned down and added up again keep each other's phase. Dynamic shelves do
//! not: what they turn down they turn in phase as well, and a gain of the bands alone cannot say
//! so. At each corner the magnitude `(a + b·r⁴)/(1 + r⁴)` of a Linkwitz-Riley pair with the gains
//! `a` below and `b` above is, with `c⁴ = a/b` and `d = c − 1`, that of
//!
//! ```text
//! b·((s² + √2·c·s + c²)/(s² + √2·s + 1))²
//!   = b·(1 + d·(2√2·B + 4c·L + d·(2√2·c·B·L + (c² + 2c − 1)·L²)))
//! ```
//!
//! with the low-pass `L` and the band-pass `B` of the denominator. Its zeros lie to the left, so
//! that it has the least phase that goes with the magnitude (A. Oppenheim, R. Schafer,
//! *Discrete-Time Signal Processing*, section 5.6).

use super::moving_gain::MovingGain;
use crate::dsp::biquad::{Biquad, Coefficients};
use std::f64::consts::FRAC_1_SQRT_2;
use wide::f64x2;

/// Points to either side over which the gains of shelves are smoothed that are found first, and then
/// anew, each time against what the last ones made. What a window of 40 ms cannot tell would
/// otherwise add up from round to round.
const SMOOTHED_FIRST: usize = 4;
const SMOOTHED: [usize; 3] = [4, 2, 1];

/// Shelves at three corners, for one or two channels with gains of their own.
struct Shelves([Shelf; 3]);

struct Shelf {
    low_pass: Coefficients,
    all_pass: Coefficients,
    states: [Biquad; 4],
}

impl Shelves {
    fn new(sample_rate_hz: f64, corners_hz: [f64; 3]) -> Self {
        Self(corners_hz.map(|hz| Shelf {
            low_pass: Coefficients::low_pass(sample_rate_hz, hz),
            all_pass: Coefficients::all_pass(sample_rate_hz, hz, FRAC_1_SQRT_2),
            states: [Biquad::default(); 4],
        }))
    }

    fn step(&mut self, frame: f64x2, gains: [f64x2; 4]) -> f64x2 {
        let through = self
            .0
            .iter_mut()
            .zip(gains.windows(2))
            .fold(frame, |frame, (shelf, pair)| {
                shelf.step(frame, (pair[0] / pair[1]).sqrt().sqrt())
            });
        through * gains[3]
    }
}

impl Shelf {
    /// `c` is the fourth root of the gain below over the gain above. `2√2·B` is what an all-pass of
    /// the same corner leaves to be added.
    fn step(&mut self, x: f64x2, c: f64x2) -> f64x2 {
        let [first, second, third, fourth] = &mut self.states;
        let once = first.step(&self.low_pass, x);
        let band = x - second.step(&self.all_pass, x);
        let twice = third.step(&self.low_pass, once);
        let band_of_low = once - fourth.step(&self.all_pass, once);
        let (one, two, four) = (f64x2::ONE, f64x2::splat(2.0), f64x2::splat(4.0));
        let d = c - one;
        x + d * (band + four * c * once + d * (c * band_of_low + (c * (c + two) - one) * twice))
    }
}

impl MovingGain {
    /// The gains of shelves between two signals in step, the same for both channels, and what they
    /// leave unexplained. A round may leave more than the one before it here and less there: of
    /// each point, the gains of the round that left least there are kept. Allocates.
    pub fn of_shelves(
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        before: &[Vec<f32>],
        after: &[Vec<f32>],
    ) -> Self {
        let against =
            |before: &[Vec<f32>]| Self::between(sample_rate_hz, corners_hz, before, after);
        let on_top = |gains: &Self| against(&gains.shelved(sample_rate_hz, corners_hz, before));
        let mut gains = against(before).by_power().linked().smoothed(SMOOTHED_FIRST);
        let mut more = on_top(&gains);
        gains.leave(&more);
        let mut best = gains.clone();
        for reach in SMOOTHED {
            gains.take_on(&more.linked().smoothed(reach));
            more = on_top(&gains);
            gains.leave(&more);
            best.take_better(&gains);
        }
        let left = on_top(&best);
        best.leave(&left);
        best
    }

    /// `signal` through shelves of these gains.
    pub fn shelved(
        &self,
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        signal: &[Vec<f32>],
    ) -> Vec<Vec<f32>> {
        let mut curve = self.curve(|gain| gain);
        through_shelves(sample_rate_hz, corners_hz, signal, |frame| curve.at(frame))
    }

    /// What such shelves add to `signal`.
    pub fn shelved_movement(
        &self,
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        signal: &[Vec<f32>],
    ) -> Vec<Vec<f32>> {
        let mut moved = self.shelved(sample_rate_hz, corners_hz, signal);
        let samples = moved.iter_mut().flatten().zip(signal.iter().flatten());
        for (moved, sample) in samples {
            *moved -= sample;
        }
        moved
    }

    /// `signal` through shelves that take these gains back, as far as shelves can.
    pub fn unshelved(
        &self,
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        signal: &[Vec<f32>],
    ) -> Vec<Vec<f32>> {
        let mut curve = self.curve(|gain| 1.0 / gain);
        through_shelves(sample_rate_hz, corners_hz, signal, |frame| curve.at(frame))
    }

    /// `signal` through shelves of these gains, which both channels have in common, and the gain of
    /// each band in each frame.
    pub fn shelved_beside_gains(
        &self,
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        signal: &[Vec<f32>],
    ) -> (Vec<Vec<f32>>, Vec<[f32; 4]>) {
        let mut curve = self.curve(|gain| gain);
        let mut beside = Vec::with_capacity(signal.first().map_or(0, Vec::len));
        let shelved = through_shelves(sample_rate_hz, corners_hz, signal, |frame| {
            let gains = curve.at(frame);
            beside.push(gains.map(|gain| gain.to_array()[0] as f32));
            gains
        });
        (shelved, beside)
    }
}

fn through_shelves(
    sample_rate_hz: f64,
    corners_hz: [f64; 3],
    signal: &[Vec<f32>],
    mut gains: impl FnMut(usize) -> [f64x2; 4],
) -> Vec<Vec<f32>> {
    let mut shelves = Shelves::new(sample_rate_hz, corners_hz);
    let frames = signal.first().map_or(0, Vec::len);
    let mut through = vec![Vec::with_capacity(frames); signal.len()];
    for frame in 0..frames {
        let sample = |channel: usize| {
            let samples = signal.get(channel).and_then(|samples| samples.get(frame));
            samples.map_or(0.0, |sample| f64::from(*sample))
        };
        let value = shelves.step(f64x2::new([sample(0), sample(1)]), gains(frame));
        for (channel, value) in through.iter_mut().zip(value.to_array()) {
            channel.push(value as f32);
        }
    }
    through
}

#[cfg(test)]
mod tests {
    use super::*;

    // The magnitude of a Linkwitz-Riley pair with these gains, at frequencies warped by the
    // bilinear transform (S. Linkwitz, JAES 24(1), 1976).
    #[test]
    fn shelves_have_the_magnitude_of_the_bands() {
        const RATE_HZ: f64 = 48_000.0;
        let gains = [0.5, 1.0, 0.25, 2.0];
        let corners_hz = [120.0, 1000.0, 6000.0];
        let mut shelves = Shelves::new(RATE_HZ, corners_hz);
        let response: Vec<f64> = (0..32_768)
            .map(|frame| {
                let x = f64x2::splat(if frame == 0 { 1.0 } else { 0.0 });
                shelves.step(x, gains.map(f64x2::splat)).to_array()[1]
            })
            .collect();
        let warped = |hz: f64| (std::f64::consts::PI * hz / RATE_HZ).tan();
        for hz in [30.0, 120.0, 300.0, 1000.0, 2500.0, 6000.0, 15_000.0] {
            let w = std::f64::consts::TAU * hz / RATE_HZ;
            let (re, im) = response
                .iter()
                .zip(0..)
                .fold((0.0, 0.0), |(re, im), (y, n)| {
                    let phase = w * f64::from(n);
                    (re + y * phase.cos(), im - y * phase.sin())
                });
            let found_db = 10.0 * (re * re + im * im).log10();
            let shelf = |corner: usize| {
                let r4 = (warped(hz) / warped(corners_hz[corner])).powi(4);
                (gains[corner] / gains[corner + 1] + r4) / (1.0 + r4)
            };
            let expected = gains[3] * shelf(0) * shelf(1) * shelf(2);
            let expected_db = 20.0 * expected.log10();
            assert!(
                (found_db - expected_db).abs() < 1e-6,
                "{hz}: {found_db} {expected_db}"
            );
        }
    }
}
