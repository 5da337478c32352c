//! The signals of a run in bands, and the sums of their products.

use super::window::{BeforeSlot, PairSlot};
use super::{MAX_RUN, SIGNALS};
use crate::dsp::crossover::Crossover;
use crate::dsp::fault::LARGEST_SAMPLE;
use wide::{f64x2, f64x4};

/// Bands of a run.
pub(super) type Split = [[f64x2; 4]; MAX_RUN];

static SILENCE: [f32; MAX_RUN] = [0.0; MAX_RUN];

/// The signals on their way into bands: the one before, then those to compare with it.
#[derive(Clone, Debug)]
pub(super) struct Bands {
    pub crossover: Crossover<SIGNALS>,
    pub splits: [Box<Split>; SIGNALS],
}

/// [`BeforeSlot`] in the making, one lane a channel: bands 00, 11, 22, 33, 01, 12, 23, 02, 13, 03.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct BeforeSums([f64x2; 10]);

/// [`PairSlot`] in the making, one lane a channel.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct PairSums {
    xy: [f64x2; 4],
    yy: [f64x2; 4],
    xs: [f64x2; 4],
    ss: f64x2,
}

impl Bands {
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            crossover: Crossover::new(sample_rate_hz),
            splits: std::array::from_fn(|_| Box::new([[f64x2::ZERO; 4]; MAX_RUN])),
        }
    }

    /// Splits a run of the first `N` signals.
    pub fn split<const N: usize>(&mut self, lanes: [Lanes<'_>; N]) {
        let frames = lanes[0].left.len().min(MAX_RUN);
        let lanes = lanes.map(|lanes| (&lanes.left[..frames], &lanes.right[..frames]));
        let mut signals = [[f64x2::ZERO; N]; MAX_RUN];
        for (frame, signals) in signals.iter_mut().take(frames).enumerate() {
            *signals = lanes.map(|(left, right)| sound(left[frame], right[frame]));
        }
        let splits = &mut self.splits;
        self.crossover
            .split_run(&signals[..frames], |frame, bands| {
                for (n, split) in splits.iter_mut().take(N).enumerate() {
                    split[frame] = bands.map(|band| band[n]);
                }
            });
    }

    /// Gives the bands of the signal before back what they were turned down by.
    pub fn turn_back_up(&mut self, turned_down: &[[f32; 4]]) {
        let [before, ..] = &mut self.splits;
        for (bands, factors) in before.iter_mut().zip(turned_down) {
            // Two divisions at once.
            let [a, b, c, d] = factors.map(f64::from);
            let [low, high] =
                [[a, b], [c, d]].map(|pair| (f64x2::ONE / f64x2::new(pair)).to_array());
            for (band, factor) in bands.iter_mut().zip(low.iter().chain(&high)) {
                *band *= f64x2::splat(*factor);
            }
        }
    }
}

impl BeforeSums {
    pub fn add(&mut self, split: &Split, frames: usize) {
        let Self(mut sums) = *self;
        for [a, b, c, d] in split.iter().take(frames).copied() {
            let products = [
                a * a,
                b * b,
                c * c,
                d * d,
                a * b,
                b * c,
                c * d,
                a * c,
                b * d,
                a * d,
            ];
            for (sum, product) in sums.iter_mut().zip(products) {
                *sum += product;
            }
        }
        self.0 = sums;
    }

    /// Of both channels together.
    pub fn total(&self) -> BeforeSlot {
        self.slot(over_channels)
    }

    /// Of one channel.
    pub fn of_channel(&self, channel: usize) -> BeforeSlot {
        self.slot(|lanes| lanes.to_array()[channel % 2])
    }

    fn slot(&self, pick: impl Fn(f64x2) -> f64) -> BeforeSlot {
        let [aa, bb, cc, dd, ab, bc, cd, ac, bd, ad] = self.0.map(pick);
        BeforeSlot {
            same: f64x4::new([aa, bb, cc, dd]),
            near: f64x4::new([ab, bc, cd, ac]),
            far: f64x4::new([bd, ad, 0.0, 0.0]),
        }
    }
}

impl PairSums {
    /// The pair of a signal and itself.
    pub fn of_duplicate(BeforeSums(own): &BeforeSums) -> Self {
        let [aa, bb, cc, dd, ab, bc, cd, ac, bd, ad] = *own;
        let xs = [
            aa + ab + ac + ad,
            ab + bb + bc + bd,
            ac + bc + cc + cd,
            ad + bd + cd + dd,
        ];
        let energies = [aa, bb, cc, dd];
        Self {
            xy: energies,
            yy: energies,
            xs,
            ss: (xs[0] + xs[1]) + (xs[2] + xs[3]),
        }
    }

    pub fn add(&mut self, before: &Split, after: &Split, frames: usize) {
        let mut sums = *self;
        for (x, y) in before.iter().zip(after).take(frames) {
            let s = (y[0] + y[1]) + (y[2] + y[3]);
            for band in 0..4 {
                sums.xy[band] += x[band] * y[band];
                sums.yy[band] += y[band] * y[band];
                sums.xs[band] += x[band] * s;
            }
            sums.ss += s * s;
        }
        *self = sums;
    }

    /// Of both channels together.
    pub fn total(&self) -> PairSlot {
        self.slot(over_channels)
    }

    /// Of one channel.
    pub fn of_channel(&self, channel: usize) -> PairSlot {
        self.slot(|lanes| lanes.to_array()[channel % 2])
    }

    fn slot(&self, pick: impl Fn(f64x2) -> f64) -> PairSlot {
        let lanes = |products: [f64x2; 4]| f64x4::new(products.map(&pick));
        PairSlot {
            xy: lanes(self.xy),
            yy: lanes(self.yy),
            xs: lanes(self.xs),
            ss: f64x4::splat(pick(self.ss)),
        }
    }
}

fn over_channels(lanes: f64x2) -> f64 {
    let [left, right] = lanes.to_array();
    left + right
}

/// Two channels of a run.
#[derive(Clone, Copy)]
pub(super) struct Lanes<'a> {
    pub left: &'a [f32],
    right: &'a [f32],
}

impl<'a> Lanes<'a> {
    pub fn new(signal: &[&'a [f32]], start: usize, end: usize, stereo: bool) -> Self {
        let silence = &SILENCE[..end - start];
        let part = |channel: usize| {
            signal
                .get(channel)
                .and_then(|samples| samples.get(start..end))
                .unwrap_or(silence)
        };
        Self {
            left: part(0),
            right: if stereo { part(1) } else { silence },
        }
    }

    pub fn first(self, frames: usize) -> Self {
        Self {
            left: &self.left[..frames],
            right: &self.right[..frames],
        }
    }

    /// How many frames there are before the first that differs.
    pub fn alike(self, other: Self) -> usize {
        let alike = |a: &[f32], b: &[f32]| {
            let pairs = a.iter().zip(b);
            pairs
                .take_while(|(a, b)| a.to_bits() == b.to_bits())
                .count()
        };
        alike(self.left, other.left).min(alike(self.right, other.right))
    }

    pub fn differ(self, other: Self) -> bool {
        // Without a way out in between: 32 samples are compared in no time.
        let bits = |a: &[f32], b: &[f32]| {
            a.iter()
                .zip(b)
                .fold(0, |bits, (a, b)| bits | (a.to_bits() ^ b.to_bits()))
        };
        bits(self.left, other.left) | bits(self.right, other.right) != 0
    }
}

/// A frame, with what is no audio replaced by silence.
fn sound(left: f32, right: f32) -> f64x2 {
    let frame = f64x2::new([f64::from(left), f64::from(right)]);
    frame & frame.abs().simd_le(f64x2::splat(f64::from(LARGEST_SAMPLE)))
}
