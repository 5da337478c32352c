//! A constant that goes through the device.
//!
//! Gains that move make of it something that moves, which is in the signal after and not in one
//! before without its constant; and of a signal without a constant they make one that has one. It
//! is therefore tried what a model leaves if a constant comes out of its response, and only what is
//! left of the one after is taken out: nothing, or what has been added behind the gains.

use super::{Estimator, Material, Model, STATIC_SHARE};
use crate::measure::reduction::turned;

/// Gains and constants depend on each other, and are found in turns; before these it is tried what
/// a constant makes that goes through as all else does.
const TURNS: usize = 3;

/// Sums over time of what the gains are, and of what is left of a channel.
#[derive(Clone, Copy, Default)]
struct Sums {
    frames: f64,
    gain: f64,
    squares: f64,
    left: f64,
    product: f64,
}

impl Sums {
    /// The constant that goes through the gains besides, and the one behind them that is `added` no
    /// more.
    fn without_added(&self, added: f64) -> [f64; 2] {
        [(self.left + added * self.frames) / self.gain, -added]
    }

    /// What went through the gains and what has been added behind them, by least squares.
    fn line(&self) -> [f64; 2] {
        let spread = self.frames * self.squares - self.gain * self.gain;
        if spread <= 0.0 {
            return [0.0, self.left / self.frames];
        }
        let through = (self.frames * self.product - self.gain * self.left) / spread;
        [through, (self.left - through * self.gain) / self.frames]
    }
}

/// Energy that a model leaves. As a share it would be less of more that is constant.
fn left(model: &Model) -> f64 {
    let gains = model.gains.iter();
    gains.map(|gains| gains.energies()[1]).sum()
}

impl Estimator {
    /// The model, or the same with a constant that goes through it if that leaves less.
    pub(super) fn with_offset(&self, material: &Material<'_>, model: Model) -> Model {
        if model.share <= STATIC_SHARE || !material.has_offset() {
            return model;
        }
        let mut best = model;
        for turn in 0..=TURNS {
            let mut transfer = best.transfer.clone();
            let mut through = transfer.through.unwrap_or_default();
            if turn == 0 {
                (through, transfer.means[1]) = (transfer.made_of(transfer.means[0]), [0.0; 2]);
            } else {
                let sums = self.sums(material, &best);
                for (channel, sums) in sums.iter().enumerate().take(material.channels) {
                    let [more, added] = if turn == 1 {
                        sums.without_added(transfer.means[1][channel])
                    } else {
                        sums.line()
                    };
                    through[channel] += more;
                    transfer.means[1][channel] += added;
                }
            }
            transfer.through = Some(through);
            let kept = self.model(material, transfer, best.shelving);
            best = kept.filter(|kept| left(kept) < left(&best)).unwrap_or(best);
        }
        best
    }

    fn sums(&self, material: &Material<'_>, model: &Model) -> [Sums; 2] {
        let mut sums = [Sums::default(); 2];
        let stretches = material.without(model.transfer.means);
        for (index, (stretch, filtered)) in stretches.iter().zip(&model.filtered).enumerate() {
            let ones: Vec<Vec<f32>> = filtered.iter().map(|of| vec![1.0; of.len()]).collect();
            let gains = self.moved(model, index, &ones);
            let moved = self.moved(model, index, filtered);
            let mut left = stretch.after.clone();
            for (left, filtered) in left.iter_mut().flatten().zip(filtered.iter().flatten()) {
                *left -= filtered;
            }
            if !model.shelving {
                left = turned(self.sample_rate_hz, self.corners_hz, &left);
            }
            for (channel, sums) in sums.iter_mut().enumerate().take(material.channels) {
                let moving = gains[channel].iter().zip(&moved[channel]);
                for (left, (gain, moved)) in left[channel].iter().zip(moving) {
                    let (gain, left) = (1.0 + f64::from(*gain), f64::from(left - moved));
                    sums.frames += 1.0;
                    sums.gain += gain;
                    sums.squares += gain * gain;
                    sums.left += left;
                    sums.product += gain * left;
                }
            }
        }
        sums
    }
}
