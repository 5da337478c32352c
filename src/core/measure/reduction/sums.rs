//! The signals of a run in bands, and the sums of their products.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use super::window::{BeforeSlot, PairSlot};
use super::{MAX_RUN, SIGNALS};
use crate::dsp::crossover::{BandLanes, Crossover};
use crate::dsp::fault::LARGEST_SAMPLE;
use crate::dsp::quad::{Level, Quad, dispatch, exchanged};
use fearless_simd::prelude::*;
use wide::{f64x2, f64x4};

/// Bands of a run.
pub(super) type Split = [BandLanes; MAX_RUN];

static SILENCE: [f32; MAX_RUN] = [0.0; MAX_RUN];

/// The signals on their way into bands: the one before, then those to compare with it.
#[derive(Clone, Debug)]
pub(super) struct Bands {
    level: Level,
    pub crossover: Crossover<SIGNALS>,
    splits: [Box<Split>; SIGNALS],
    /// Scratch: the frames of the signals.
    frames: [[f64x2; MAX_RUN]; SIGNALS],
}

/// [`BeforeSlot`] in the making, a lane a channel: products of bands 00 and 22, 11 and 33, 01 and
/// 23, 02 and 02, 13 and 13, 03 and 12.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct BeforeSums([Quad; 6]);

/// [`PairSlot`] in the making, a lane a channel: `xy`, `yy` and `xs` of bands 0 and 2, and of bands
/// 1 and 3, then `ss` twice.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct PairSums([Quad; 7]);

impl Bands {
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            level: Level::new(),
            crossover: Crossover::new(sample_rate_hz),
            splits: std::array::from_fn(|_| Box::new([[Quad::ZERO; 2]; MAX_RUN])),
            frames: [[f64x2::ZERO; MAX_RUN]; SIGNALS],
        }
    }

    /// Splits a run of the first `N` signals.
    pub fn split<const N: usize>(&mut self, lanes: [Lanes<'_>; N]) {
        const { assert!(N <= SIGNALS) };
        let count = lanes[0].left.len().min(MAX_RUN);
        for (frames, lanes) in self.frames.iter_mut().zip(lanes) {
            for (frame, (left, right)) in frames.iter_mut().zip(lanes.left.iter().zip(lanes.right))
            {
                *frame = sound(*left, *right);
            }
        }
        let (Some(frames), Some(splits)) = (
            self.frames.first_chunk::<N>(),
            self.splits.first_chunk_mut::<N>(),
        ) else {
            return;
        };
        self.crossover.split_run(
            frames.each_ref().map(|frames| &frames[..count]),
            splits.each_mut().map(|split| &mut split[..count]),
        );
    }

    /// Gives the bands of the signal before back what they were turned down by.
    pub fn turn_back_up(&mut self, turned_down: &[[f32; 4]]) {
        if !turned_down.is_empty() {
            let [before, ..] = &mut self.splits;
            dispatch!(self.level, simd => turn_back_up(simd, before, turned_down));
        }
    }

    /// Adds `frames` frames of the signal before.
    pub fn add_before(&self, sums: &mut BeforeSums, frames: usize) {
        let [before, ..] = &self.splits;
        dispatch!(self.level, simd => sums.add(simd, before, frames));
    }

    /// Adds `frames` frames of the signal before and of the signal to compare `index`.
    pub fn add_pair(&self, sums: &mut PairSums, index: usize, frames: usize) {
        let [before, afters @ ..] = &self.splits;
        if let Some(after) = afters.get(index) {
            dispatch!(self.level, simd => sums.add(simd, before, after, frames));
        }
    }
}

#[inline(always)]
fn turn_back_up<S: Simd>(simd: S, before: &mut Split, turned_down: &[[f32; 4]]) {
    for ([even, odd], factors) in before.iter_mut().zip(turned_down) {
        let down = Quad(factors.map(f64::from)).load(simd);
        let [a, b, c, d] = Quad::of(fearless_simd::f64x4::splat(simd, 1.0) / down).0;
        *even = Quad::of(even.load(simd) * Quad::of_two(a, c).load(simd));
        *odd = Quad::of(odd.load(simd) * Quad::of_two(b, d).load(simd));
    }
}

impl BeforeSums {
    #[inline(always)]
    fn add<S: Simd>(&mut self, simd: S, split: &Split, frames: usize) {
        let mut sums = [Quad::ZERO.load(simd); 6];
        for (register, sum) in sums.iter_mut().zip(&self.0) {
            *register = sum.load(simd);
        }
        for [even, odd] in split.iter().take(frames) {
            let (even, odd) = (even.load(simd), odd.load(simd));
            let odd_exchanged = exchanged(odd);
            let products = [
                even * even,
                odd * odd,
                even * odd,
                even * exchanged(even),
                odd * odd_exchanged,
                even * odd_exchanged,
            ];
            for (sum, product) in sums.iter_mut().zip(products) {
                *sum += product;
            }
        }
        for (sum, register) in self.0.iter_mut().zip(sums) {
            *sum = Quad::of(register);
        }
    }

    /// Bands 00, 11, 22, 33, 01, 12, 23, 02, 13, 03, a lane a channel.
    fn products(&self) -> [f64x2; 10] {
        let [even, odd, near, low, high, far] = self.0.each_ref().map(Quad::pairs);
        [
            even[0], odd[0], even[1], odd[1], near[0], far[1], near[1], low[0], high[0], far[0],
        ]
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
        let [aa, bb, cc, dd, ab, bc, cd, ac, bd, ad] = self.products().map(pick);
        BeforeSlot {
            same: f64x4::new([aa, bb, cc, dd]),
            near: f64x4::new([ab, bc, cd, ac]),
            far: f64x4::new([bd, ad, 0.0, 0.0]),
        }
    }
}

impl PairSums {
    /// The pair of a signal and itself.
    pub fn of_duplicate(own: &BeforeSums) -> Self {
        let [aa, bb, cc, dd, ab, bc, cd, ac, bd, ad] = own.products();
        let xs = [
            aa + ab + ac + ad,
            ab + bb + bc + bd,
            ac + bc + cc + cd,
            ad + bd + cd + dd,
        ];
        let ss = (xs[0] + xs[1]) + (xs[2] + xs[3]);
        let (even, odd) = (Quad::of_pairs(aa, cc), Quad::of_pairs(bb, dd));
        let (xs_even, xs_odd) = (Quad::of_pairs(xs[0], xs[2]), Quad::of_pairs(xs[1], xs[3]));
        let ss = Quad::of_pairs(ss, ss);
        Self([even, odd, even, odd, xs_even, xs_odd, ss])
    }

    #[inline(always)]
    fn add<S: Simd>(&mut self, simd: S, before: &Split, after: &Split, frames: usize) {
        let mut sums = [Quad::ZERO.load(simd); 7];
        for (register, sum) in sums.iter_mut().zip(&self.0) {
            *register = sum.load(simd);
        }
        for (x, y) in before.iter().zip(after).take(frames) {
            let (x_even, x_odd) = (x[0].load(simd), x[1].load(simd));
            let (y_even, y_odd) = (y[0].load(simd), y[1].load(simd));
            let half = y_even + y_odd;
            let s = half + exchanged(half);
            let products = [
                x_even * y_even,
                x_odd * y_odd,
                y_even * y_even,
                y_odd * y_odd,
                x_even * s,
                x_odd * s,
                s * s,
            ];
            for (sum, product) in sums.iter_mut().zip(products) {
                *sum += product;
            }
        }
        for (sum, register) in self.0.iter_mut().zip(sums) {
            *sum = Quad::of(register);
        }
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
        let pairs = self.0.each_ref().map(Quad::pairs);
        let lanes = |even: usize| {
            let ([a, c], [b, d]) = (pairs[even], pairs[even + 1]);
            f64x4::new([a, b, c, d].map(&pick))
        };
        let [.., [ss, _]] = pairs;
        PairSlot {
            xy: lanes(0),
            yy: lanes(2),
            xs: lanes(4),
            ss: f64x4::splat(pick(ss)),
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
    left: &'a [f32],
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_level_adds_up_alike() {
        let signal = |step: usize| -> Vec<f32> {
            (0..6_400)
                .map(|n| (n * step % 41) as f32 / 41.0 - 0.5)
                .collect()
        };
        let (before, after) = ([signal(3), signal(7)], [signal(4), signal(13)]);
        let [before, after] = [&before, &after].map(|of| of.each_ref().map(Vec::as_slice));
        let turned_down: Vec<[f32; 4]> = (0..MAX_RUN)
            .map(|n| [1.0, 0.5 + n as f32 / 200.0, 0.3, 0.9])
            .collect();
        let mut told = Vec::new();
        for level in crate::dsp::quad::levels() {
            let mut bands = Bands::new(48_000.0);
            bands.level = level;
            let (mut own, mut pair) = (BeforeSums::default(), PairSums::default());
            for start in (0..6_400).step_by(MAX_RUN) {
                let lanes = |signal| Lanes::new(signal, start, start + MAX_RUN, true);
                bands.split([lanes(&before), lanes(&after)]);
                bands.turn_back_up(&turned_down);
                bands.add_before(&mut own, MAX_RUN);
                bands.add_pair(&mut pair, 0, MAX_RUN);
            }
            told.push((own.total(), pair.total()));
        }
        assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
    }
}
