//! The gain that moves, band by band and channel by channel, over a stretch that lies in memory.

use super::MAX_RUN;
use super::sums::{Bands, BeforeSums, Lanes, PairSums};
use super::window::{
    BeforeSlot, Fit, PairSlot, SLOTS, SLOTS_PER_SECOND, SLOTS_PER_UPDATE, Slots, Windows,
};
use crate::dsp::crossover::{Crossover, low_to_high};
use crate::dsp::quad::Quad;
use crate::measure::time_grid::TimeGrid;
use wide::f64x2;

/// A band below this power (mean square of the channel, −70 dBFS) does not count.
const GATE: f64 = 1e-7;
/// A gain is held where the band is weaker than this, or so far below the channel (−50 dB), or
/// where it explains less than this share.
const TELLING_GATE: f64 = 1e-9;
const LEAK: f64 = 1e-5;
const LEAST_EXPLAINED: f64 = 0.3;
/// Gains are held to ±26 dB.
const LOWEST: f64 = 0.05;
const HIGHEST: f64 = 20.0;

/// One gain a channel and band.
type Gains = [[f64; 4]; 2];

/// Gains in steps of 10 ms, and what they leave unexplained.
#[derive(Clone, Debug, Default)]
pub(in crate::measure) struct MovingGain {
    points: Vec<Point>,
    /// Energy of the second signal, and the part of it that no gain explains.
    whole: f64,
    residual: f64,
    /// Sum of each channel's gains, weighted by the energy that they act on; negative if the second
    /// signal's is upside down.
    common: [f64; 2],
}

#[derive(Clone, Copy, Debug)]
struct Point {
    /// Middle of the window, frames.
    frame: f64,
    gains: Gains,
    /// From the powers alone, whatever the phases.
    by_power: Gains,
    /// Energy that the gain acts on; 0 where it is only held.
    weights: Gains,
    /// Energy of the second signal in the window that no gain explains.
    residual: f64,
}

impl MovingGain {
    /// The gains between two signals that lie in step, one or two channels each, with bands that
    /// meet at `corners_hz`. Allocates.
    pub fn between(
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        before: &[Vec<f32>],
        after: &[Vec<f32>],
    ) -> Self {
        let channels = before.len().min(after.len()).min(2);
        let lengths = before.iter().chain(after).map(Vec::len);
        let frames = lengths.min().unwrap_or(0);
        let [x, y] =
            [before, after].map(|signal| signal.iter().map(Vec::as_slice).collect::<Vec<_>>());
        let (mut bands, windows) = (Bands::new(sample_rate_hz), Windows::new());
        bands.crossover.reset(corners_hz);
        let mut grid = TimeGrid::with_steps(sample_rate_hz, SLOTS_PER_SECOND);
        let (mut own, mut pair) = (BeforeSums::default(), PairSums::default());
        let mut slots: [(Slots<BeforeSlot>, Slots<PairSlot>); 2] =
            std::array::from_fn(|_| (Slots::new(), Slots::new()));
        let mut found = Self::default();
        let mut point = Point {
            frame: 0.0,
            gains: [[1.0; 4]; 2],
            by_power: [[1.0; 4]; 2],
            weights: [[0.0; 4]; 2],
            residual: 0.0,
        };
        let mut start = 0;
        while start < frames {
            let end = frames.min(start + grid.remaining().min(MAX_RUN));
            let lanes = [&x, &y].map(|signal| Lanes::new(signal, start, end, channels == 2));
            bands.split(lanes);
            bands.add_before(&mut own, end - start);
            bands.add_pair(&mut pair, 0, end - start);
            if grid.advance(end - start) {
                let (own, pair) = (std::mem::take(&mut own), std::mem::take(&mut pair));
                for (channel, (before, pairs)) in slots.iter_mut().enumerate().take(channels) {
                    before.push(own.of_channel(channel));
                    pairs.push(pair.of_channel(channel));
                }
                if grid.steps().is_multiple_of(SLOTS_PER_UPDATE) && grid.steps() >= SLOTS as u64 {
                    let per_slot = grid.frames_in_last(SLOTS as u64) / SLOTS as f64;
                    point.frame = end as f64 - per_slot * SLOTS as f64 / 2.0;
                    point.residual = 0.0;
                    for (channel, (before, pairs)) in slots.iter().enumerate().take(channels) {
                        let fit = windows.fit(&windows.before(before), pairs, per_slot);
                        found.take(&mut point, channel, &fit);
                    }
                    found.points.push(point);
                }
            }
            start = end;
        }
        found
    }

    fn take(&mut self, point: &mut Point, channel: usize, fit: &Fit) {
        let all: f64 = fit.xx.iter().sum();
        for band in 0..4 {
            let xx = fit.xx[band];
            let loud = xx > TELLING_GATE.max(LEAK * all);
            let told = loud && fit.explained[band] > LEAST_EXPLAINED && fit.gain[band] > 0.0;
            if told {
                point.gains[channel][band] = fit.gain[band].clamp(LOWEST, HIGHEST);
            }
            if loud {
                let by_power = (fit.through[band] / xx).sqrt();
                point.by_power[channel][band] = by_power.clamp(LOWEST, HIGHEST);
            }
            self.common[channel] += fit.gain[band] * xx;
            point.weights[channel][band] = if loud { xx } else { 0.0 };
        }
        point.residual += fit.whole_residual;
        if fit.whole > GATE {
            self.whole += fit.whole;
            self.residual += fit.whole_residual;
        }
    }

    /// The same with gains taken from the powers alone, which no turn of phase disturbs.
    #[must_use]
    pub fn by_power(mut self) -> Self {
        for point in &mut self.points {
            point.gains = point.by_power;
        }
        self
    }

    /// The same with one gain for both channels: their mean, weighted by the energy it acts on.
    #[must_use]
    pub fn linked(mut self) -> Self {
        for point in &mut self.points {
            for band in 0..4 {
                let [a, b] = point.weights.map(|weights| weights[band]);
                if a + b > 0.0 {
                    let [left, right] = point.gains.map(|gains| gains[band]);
                    let mean = (a * left + b * right) / (a + b);
                    point.gains.iter_mut().for_each(|gains| gains[band] = mean);
                }
            }
        }
        self
    }

    /// The same with gains that are means in dB over so many points to either side, weighted by a
    /// Hann window and the energy that they act on.
    #[must_use]
    pub fn smoothed(&self, reach: usize) -> Self {
        let mut smooth = self.clone();
        let weight = |distance: usize| {
            0.5 + 0.5 * (std::f64::consts::PI * distance as f64 / (reach + 1) as f64).cos()
        };
        let window: Vec<f64> = (0..=reach).map(weight).collect();
        for (at, point) in smooth.points.iter_mut().enumerate() {
            let around = at.saturating_sub(reach)..self.points.len().min(at + reach + 1);
            for band in 0..4 {
                for channel in 0..2 {
                    let (mut sum, mut weights) = (0.0, 0.0);
                    for near in around.clone() {
                        let other = &self.points[near];
                        let weight = window[near.abs_diff(at)]
                            * (other.weights[0][band] + other.weights[1][band]);
                        sum += weight * other.gains[channel][band].ln();
                        weights += weight;
                    }
                    if weights > 0.0 {
                        point.gains[channel][band] = (sum / weights).exp();
                    }
                }
            }
        }
        smooth
    }

    /// Takes on gains that were found on top of these, over the same frames.
    pub fn take_on(&mut self, more: &Self) {
        for (point, more) in self.points.iter_mut().zip(&more.points) {
            for (gains, more) in point.gains.iter_mut().zip(&more.gains) {
                for (gain, more) in gains.iter_mut().zip(more) {
                    *gain = (*gain * more).clamp(LOWEST, HIGHEST);
                }
            }
        }
    }

    /// Notes that these gains leave what others leave that were found on top of them, over the same
    /// frames.
    pub fn leave(&mut self, left: &Self) {
        (self.whole, self.residual, self.common) = (left.whole, left.residual, left.common);
        for (point, left) in self.points.iter_mut().zip(&left.points) {
            point.residual = left.residual;
        }
    }

    /// Takes the gains of others, over the same frames, at those points where they leave less.
    pub fn take_better(&mut self, others: &Self) {
        for (point, other) in self.points.iter_mut().zip(&others.points) {
            if other.residual < point.residual {
                *point = *other;
            }
        }
    }

    /// Whether a channel of the second signal is upside down against the first's.
    pub fn upside_down(&self) -> bool {
        self.common.iter().any(|common| *common < 0.0)
    }

    /// Energies of the second signal: all of it, and the part that no gain explains.
    pub fn energies(&self) -> [f64; 2] {
        [self.whole, self.residual]
    }

    /// Energy-weighted mean of each channel's and band's gain in dB over some stretches. Both
    /// channels are weighted alike, so that gains that move together have means that differ only by
    /// what lies between the channels for good.
    pub fn means_db(stretches: &[Self]) -> [[f64; 4]; 2] {
        let (mut sums, mut weights) = ([[0.0; 4]; 2], [0.0; 4]);
        for point in stretches.iter().flat_map(|stretch| &stretch.points) {
            for band in 0..4 {
                let weight = point.weights[0][band] + point.weights[1][band];
                weights[band] += weight;
                for (sum, gains) in sums.iter_mut().zip(&point.gains) {
                    sum[band] += weight * 20.0 * gains[band].log10();
                }
            }
        }
        sums.map(|sums| {
            std::array::from_fn(|band| {
                if weights[band] > 0.0 {
                    sums[band] / weights[band]
                } else {
                    0.0
                }
            })
        })
    }

    /// Takes constants off the gains, dB.
    pub fn less(&mut self, gain_db: &[[f64; 4]; 2]) {
        let factors = gain_db.map(|bands| bands.map(|db| 10.0_f64.powf(-db / 20.0)));
        for point in &mut self.points {
            for (gains, factors) in point.gains.iter_mut().zip(&factors) {
                for (gain, factor) in gains.iter_mut().zip(factors) {
                    *gain *= factor;
                }
            }
        }
    }

    /// 95th percentile of each band's gain in dB over some stretches: the gain at rest.
    pub fn rest_db(stretches: &[Self]) -> [f64; 4] {
        std::array::from_fn(|band| {
            let points = stretches.iter().flat_map(|stretch| &stretch.points);
            let mut told: Vec<f64> = points
                .filter(|point| point.weights[0][band] + point.weights[1][band] > GATE)
                .map(|point| {
                    let weights = point.weights.map(|weights| weights[band]);
                    let gains = point.gains.map(|gains| gains[band]);
                    let sum = weights[0] * gains[0] + weights[1] * gains[1];
                    20.0 * (sum / (weights[0] + weights[1])).log10()
                })
                .collect();
            told.sort_by(f64::total_cmp);
            told.get(told.len() * 95 / 100).copied().unwrap_or(0.0)
        })
    }

    /// The bands of `signal`, each divided by its gain, added up.
    pub fn taken_out(
        &self,
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        signal: &[Vec<f32>],
    ) -> Vec<Vec<f32>> {
        self.applied(sample_rate_hz, corners_hz, signal, |gain| 1.0 / gain)
    }

    /// What the gains add to `signal`: its bands, each times its gain less 1, added up.
    pub fn movement(
        &self,
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        signal: &[Vec<f32>],
    ) -> Vec<Vec<f32>> {
        self.applied(sample_rate_hz, corners_hz, signal, |gain| gain - 1.0)
    }

    /// What is made of the gains of a channel's bands, frame by frame.
    pub(super) fn curve(&self, of: impl Fn([f64; 4]) -> [f64; 4]) -> Curve {
        let point = |point: &Point| {
            let [left, right] = point.gains.map(&of);
            let band = |band: usize| f64x2::new([left[band], right[band]]);
            (point.frame, std::array::from_fn(band))
        };
        Curve {
            points: self.points.iter().map(point).collect(),
            next: 0,
            still: of([1.0; 4]).map(f64x2::splat),
        }
    }

    fn applied(
        &self,
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        signal: &[Vec<f32>],
        of: impl Fn(f64) -> f64,
    ) -> Vec<Vec<f32>> {
        let mut crossover: Crossover = Crossover::new(sample_rate_hz);
        crossover.reset(corners_hz);
        let frames = signal.first().map_or(0, Vec::len);
        let mut applied = vec![Vec::with_capacity(frames); signal.len()];
        let mut curve = self.curve(|gains| gains.map(&of));
        let mut bands = [[Quad::ZERO; 2]; MAX_RUN];
        for start in (0..frames).step_by(MAX_RUN) {
            let mut run = [f64x2::ZERO; MAX_RUN];
            let count = MAX_RUN.min(frames - start);
            for (lane, channel) in signal.iter().take(2).enumerate() {
                for (frame, sample) in run.iter_mut().zip(channel.get(start..).unwrap_or_default())
                {
                    frame.as_mut_array()[lane] = f64::from(*sample);
                }
            }
            crossover.split_run([&run[..count]], [&mut bands[..count]]);
            for (frame, bands) in (start..start + count).zip(&bands) {
                let factor = curve.at(frame);
                let [a, b, c, d] = low_to_high(bands);
                let sum = (a * factor[0] + b * factor[1]) + (c * factor[2] + d * factor[3]);
                for (channel, value) in applied.iter_mut().zip(sum.to_array()) {
                    channel.push(value as f32);
                }
            }
        }
        applied
    }
}

/// Gains frame by frame: straight lines between the points, beyond which they are held.
pub(super) struct Curve {
    points: Vec<(f64, [f64x2; 4])>,
    next: usize,
    still: [f64x2; 4],
}

impl Curve {
    /// The gains of a frame that is none of those before the last one asked for.
    pub fn at(&mut self, frame: usize) -> [f64x2; 4] {
        let (time, points) = (frame as f64, &self.points);
        while points.get(self.next).is_some_and(|(at, _)| *at <= time) {
            self.next += 1;
        }
        let last = self.next.checked_sub(1).and_then(|last| points.get(last));
        match (last, points.get(self.next)) {
            (Some((from, a)), Some((to, b))) => {
                let share = f64x2::splat((time - from) / (to - from));
                std::array::from_fn(|band| a[band] + share * (b[band] - a[band]))
            }
            (Some((_, only)), None) | (None, Some((_, only))) => *only,
            (None, None) => self.still,
        }
    }
}

/// A signal through the crossover's all-pass.
pub(in crate::measure) fn turned(
    sample_rate_hz: f64,
    corners_hz: [f64; 3],
    signal: &[Vec<f32>],
) -> Vec<Vec<f32>> {
    MovingGain::default().taken_out(sample_rate_hz, corners_hz, signal)
}
