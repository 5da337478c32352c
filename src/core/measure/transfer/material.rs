//! What all models of a device are made from.

use super::arrangement::Arrangement;
use super::correlation::Correlator;
use super::least_squares::NormalEquations;
use crate::measure::reduction::turned;
use std::cell::OnceCell;

/// A channel this far below what it was before (−90 dB) is muted.
const MUTED: f64 = 1e-9;

/// A constant below this share of what sounds (−50 dB) makes no difference.
const OFFSET: f64 = 1e-5;

/// Both signals over a while, in step to within a few milliseconds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stretch {
    /// One vector a channel, one or two of them.
    pub before: Vec<Vec<f32>>,
    /// As many, of the same length.
    pub after: Vec<Vec<f32>>,
}

/// What all models are made from.
pub(super) struct Material<'a> {
    over: &'a dyn Fn() -> bool,
    sample_rate_hz: f64,
    corners_hz: [f64; 3],
    pub channels: usize,
    pub means: [[f64; 2]; 2],
    /// Without their means.
    pub stretches: Vec<Stretch>,
    /// The signals before through the crossover's all-pass, which the gains put on those after.
    pub turned: Vec<Vec<Vec<f32>>>,
    /// Those after through the same, once they are asked for: every turn begins with them.
    after_turned: OnceCell<Vec<Vec<Vec<f32>>>>,
    pub equations: NormalEquations,
}

/// Shortest stretch of which something can be told, frames.
pub(super) fn least_frames(taps: usize) -> usize {
    3 * taps
}

impl<'a> Material<'a> {
    /// What there is to know of the stretches that are long enough; `None` if none is. `over` tells
    /// whether what is made of them is wanted no more. Allocates.
    pub fn new(
        sample_rate_hz: f64,
        corners_hz: [f64; 3],
        correlator: &Correlator,
        taps: usize,
        stretches: &[Stretch],
        over: &'a dyn Fn() -> bool,
    ) -> Option<Self> {
        let long = |stretch: &&Stretch| {
            let lengths = stretch.before.iter().chain(&stretch.after).map(Vec::len);
            lengths.min().unwrap_or(0) >= least_frames(taps)
        };
        let stretches: Vec<&Stretch> = stretches.iter().filter(long).collect();
        let channels = stretches.first()?.before.len().min(2);
        let means = [0, 1].map(|side| {
            std::array::from_fn(|channel| {
                let samples = stretches.iter().flat_map(|stretch| {
                    let signal = if side == 0 {
                        &stretch.before
                    } else {
                        &stretch.after
                    };
                    signal.get(channel).into_iter().flatten()
                });
                let (sum, count) = samples.fold((0.0, 0.0), |(sum, count), sample| {
                    (sum + f64::from(*sample), count + 1.0)
                });
                if count > 0.0 { sum / count } else { 0.0 }
            })
        });
        let centred = |signal: &[Vec<f32>], means: &[f64; 2]| -> Vec<Vec<f32>> {
            let channels = signal.iter().zip(means);
            channels
                .map(|(channel, mean)| {
                    let centre = |sample: &f32| (f64::from(*sample) - mean) as f32;
                    channel.iter().map(centre).collect()
                })
                .collect()
        };
        let stretches: Vec<Stretch> = stretches
            .into_iter()
            .map(|stretch| Stretch {
                before: centred(&stretch.before, &means[0]),
                after: centred(&stretch.after, &means[1]),
            })
            .collect();
        let mut sums = correlator.none(channels);
        let turned: Vec<_> = stretches
            .iter()
            .map(|stretch| turned(sample_rate_hz, corners_hz, &stretch.before))
            .collect();
        for before in &turned {
            correlator.add(&mut sums, before, before);
        }
        let equations = NormalEquations::new(taps, &correlator.correlations(sums));
        Some(Self {
            over,
            sample_rate_hz,
            corners_hz,
            channels,
            means,
            stretches,
            turned,
            after_turned: OnceCell::new(),
            equations,
        })
    }

    /// Called between steps, which others may take their turn in; `None` once nothing is wanted any
    /// more.
    pub fn go_on(&self) -> Option<()> {
        (!(self.over)()).then_some(())
    }

    /// A stretch after through the crossover's all-pass.
    pub fn after_turned(&self, index: usize) -> Vec<Vec<f32>> {
        let turn = |of: &Stretch| turned(self.sample_rate_hz, self.corners_hz, &of.after);
        let all = self
            .after_turned
            .get_or_init(|| self.stretches.iter().map(turn).collect());
        all.get(index).cloned().unwrap_or_default()
    }

    /// A stretch before as a model has it: bands put the crossover's all-pass on the signal after,
    /// shelves do not.
    pub fn before(&self, index: usize, shelving: bool) -> &[Vec<f32>] {
        if shelving {
            &self.stretches[index].before
        } else {
            &self.turned[index]
        }
    }

    /// Puts the channels after where they were before, and upright.
    pub fn straighten(&mut self, arrangement: Arrangement) {
        self.after_turned = OnceCell::new();
        for stretch in &mut self.stretches {
            arrangement.undo(&mut stretch.after, |channel| {
                for sample in channel {
                    *sample = -*sample;
                }
            });
        }
        arrangement.undo(&mut self.means[1], |mean| *mean = -*mean);
    }

    /// Whether constants, before or after, are worth looking at.
    pub fn has_offset(&self) -> bool {
        let frames = self.frames() as f64;
        let stands_out = |mean: f64, energy: f64| mean * mean * frames > OFFSET * energy;
        (0..self.channels).any(|channel| {
            let [before, after] = self.means.map(|means| means[channel]);
            stands_out(before, self.energy(|stretch| &stretch.before, channel))
                || stands_out(after, self.energy(|stretch| &stretch.after, channel))
        })
    }

    /// The stretches without these constants before and after, and not without their own.
    pub fn without(&self, means: [[f64; 2]; 2]) -> Vec<Stretch> {
        let [before, after] = [0, 1].map(|side| {
            let channels = self.means[side].iter().zip(means[side]);
            channels.map(|(own, other)| own - other).collect::<Vec<_>>()
        });
        let raised = |signal: &[Vec<f32>], by: &[f64]| -> Vec<Vec<f32>> {
            let raise = |(channel, by): (&Vec<f32>, &f64)| {
                let raised = channel
                    .iter()
                    .map(|sample| (f64::from(*sample) + by) as f32);
                raised.collect()
            };
            signal.iter().zip(by).map(raise).collect()
        };
        let stretch = |stretch: &Stretch| Stretch {
            before: raised(&stretch.before, &before),
            after: raised(&stretch.after, &after),
        };
        self.stretches.iter().map(stretch).collect()
    }

    /// Length of all stretches.
    pub fn frames(&self) -> usize {
        let lengths = self.stretches.iter().map(|stretch| &stretch.before);
        lengths
            .filter_map(|before| before.first())
            .map(Vec::len)
            .sum()
    }

    /// Whether nothing comes out of the left or the right channel, though something goes in.
    pub fn muted(&self) -> [bool; 2] {
        std::array::from_fn(|channel| {
            let energy = |signal| self.energy(signal, channel);
            energy(|stretch| &stretch.after) < MUTED * energy(|stretch| &stretch.before)
        })
    }

    fn energy(&self, signal: fn(&Stretch) -> &[Vec<f32>], channel: usize) -> f64 {
        let channels = self
            .stretches
            .iter()
            .filter_map(|stretch| signal(stretch).get(channel));
        let samples = channels.flatten();
        samples.map(|sample| f64::from(*sample).powi(2)).sum()
    }
}
