//! Gains that move as shelves do, which turn the phase no more than they must.
//!
//! Bands that are split, turned down and added up again keep each other's phase. Dynamic shelves do
//! not (`dsp::crossover::Shelves`): what they turn down they turn in phase as well, and a gain of the
//! bands alone cannot say so.

use super::MAX_RUN;
use super::moving_gain::{Curve, MovingGain};
use crate::dsp::crossover::{ShelfWeights, Shelves};
use wide::f64x2;

/// Points to either side over which the gains of shelves are smoothed that are found first, and then
/// anew, each time against what the last ones made. What a window of 40 ms cannot tell would
/// otherwise add up from round to round.
const SMOOTHED_FIRST: usize = 4;
const SMOOTHED: [usize; 3] = [4, 2, 1];

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

    /// `signal` through shelves of these gains, which both channels have in common.
    pub fn shelved(
        &self,
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        signal: &[Vec<f32>],
    ) -> Vec<Vec<f32>> {
        let curve = self.curve(weights);
        through_shelves(sample_rate_hz, corners_hz, signal, curve, |_| {})
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
        let curve = self.curve(|gains| weights(gains.map(f64::recip)));
        through_shelves(sample_rate_hz, corners_hz, signal, curve, |_| {})
    }

    /// [`shelved`](Self::shelved), and the gain of each band in each frame.
    pub fn shelved_beside_gains(
        &self,
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        signal: &[Vec<f32>],
    ) -> (Vec<Vec<f32>>, Vec<[f32; 4]>) {
        let mut beside = Vec::with_capacity(signal.first().map_or(0, Vec::len));
        let curve = self.curve(weights);
        let shelved = through_shelves(sample_rate_hz, corners_hz, signal, curve, |weights| {
            beside.push(gains(weights).map(|gain| gain as f32));
        });
        (shelved, beside)
    }
}

/// What makes shelves of the gains of four bands.
fn weights([a, b, c, d]: [f64; 4]) -> ShelfWeights {
    let root = |below: f64, above: f64| (below / above).sqrt().sqrt();
    [root(a, b), root(b, c), root(c, d), d]
}

/// The gains of which shelves are made.
fn gains([low, middle, high, d]: ShelfWeights) -> [f64; 4] {
    let c = d * high.powi(4);
    let b = c * middle.powi(4);
    [b * low.powi(4), b, c, d]
}

/// A signal through shelves whose weights are those of the curve's first channel; hands them over.
fn through_shelves(
    sample_rate_hz: f64,
    corners_hz: [f64; 3],
    signal: &[Vec<f32>],
    mut curve: Curve,
    mut told: impl FnMut(ShelfWeights),
) -> Vec<Vec<f32>> {
    let mut shelves = Shelves::new(sample_rate_hz);
    shelves.reset(corners_hz);
    let frames = signal.first().map_or(0, Vec::len);
    let mut through: Vec<Vec<f32>> = signal.to_vec();
    let mut run = [f64x2::ZERO; MAX_RUN];
    let mut weights = [[[1.0; 4]; 2]; MAX_RUN];
    let mut start = 0;
    while start < frames {
        let (count, _) = shelves.advance(MAX_RUN.min(frames - start));
        let range = start..start + count;
        for (frame, [weights, _]) in range.clone().zip(&mut weights) {
            *weights = curve.at(frame).map(|channels| channels.to_array()[0]);
            told(*weights);
        }
        for (lane, channel) in through.iter().take(2).enumerate() {
            for (frame, sample) in run.iter_mut().zip(&channel[range.clone()]) {
                frame.as_mut_array()[lane] = f64::from(*sample);
            }
        }
        let mut none = [f64x2::ZERO; MAX_RUN];
        shelves.filter(&mut run[..count], &mut none, &weights[..count]);
        for (lane, channel) in through.iter_mut().take(2).enumerate() {
            for (sample, frame) in channel[range.clone()].iter_mut().zip(&run) {
                *sample = frame.as_array()[lane] as f32;
            }
        }
        start += count;
    }
    through
}
