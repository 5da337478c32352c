//! One turn: from a response and its gains to a better one.

use super::super::convolution::filtered;
use super::super::least_squares::NormalEquations;
use super::super::material::{Material, Stretch};
use super::{Estimator, Model, without_means};

/// Blocks that are weighed one by one, s.
const BLOCK_S: f64 = 0.02;
/// So many of all blocks are held to be explained as well as can be: the best quarter.
const EXPLAINED: usize = 4;
/// Nothing is left (−120 dB).
const NOTHING: f64 = 1e-12;

/// What is left of a signal after, and what it is looked for in.
struct Rest {
    /// The signal before with the gains on it.
    before: Vec<Vec<f32>>,
    left: Vec<Vec<f32>>,
    /// Share of the signal after that is left, block by block; `None` where nothing sounds.
    shares: Vec<Option<f64>>,
}

impl Estimator {
    /// The response that leaves less with the gains of `model`; then its own gains.
    ///
    /// What is left is looked for in the signal before with those gains on it. `weighed`, blocks of
    /// which much is left count for little (least squares weighed anew with each turn; P. W. Holland
    /// and R. E. Welsch, *Communications in Statistics* A6(9), 1977, from memory): where a limiter
    /// moves, what it bends is no response. With all blocks alike a shelf before a limiter was found
    /// so far off that 4 dB too much was left, in a band 10. Of gains that move all the time nothing
    /// else is left to go by.
    pub(super) fn turn(
        &self,
        material: &Material<'_>,
        model: &Model,
        weighed: bool,
    ) -> Option<Model> {
        let mut rests = self.rests(material, model)?;
        let mut own = self.correlator.none(material.channels);
        let mut sums = self.correlator.none(material.channels);
        let mut energies = vec![0.0; material.channels];
        if weighed {
            let usual = usual(&rests)?;
            for rest in &mut rests {
                let weights = weights(&rest.shares, usual);
                for signal in [&mut rest.before, &mut rest.left] {
                    weigh(signal, &weights, self.block_frames());
                }
            }
        }
        for rest in &rests {
            self.correlator.add(&mut own, &rest.before, &rest.before);
            material.go_on()?;
            self.correlator.add(&mut sums, &rest.before, &rest.left);
            material.go_on()?;
            for (sum, energy) in energies
                .iter_mut()
                .zip(self.correlator.energies(&rest.left))
            {
                *sum += energy;
            }
        }
        let equations = NormalEquations::new(self.taps, &self.correlator.correlations(own));
        let right = self.correlator.correlations(sums);
        let lead = self.taps / 4;
        let lags = self.taps - lead..2 * self.taps - lead;
        let mut transfer = model.transfer.clone();
        for (out, row) in transfer.responses.iter_mut().enumerate() {
            let known = row
                .iter()
                .enumerate()
                .filter(|(_, response)| response.is_some());
            let from: Vec<usize> = known.map(|(into, _)| into).collect();
            let part = |into: &usize| &right[*into][out][lags.clone()];
            let parts: Vec<&[f64]> = from.iter().map(part).collect();
            let none = vec![vec![0.0; self.taps]; from.len()];
            let more = equations.solve(&from, &parts, energies[out], &none);
            for (response, more) in row.iter_mut().flatten().zip(more) {
                for (value, more) in response.iter_mut().zip(more) {
                    *value += more;
                }
            }
            material.go_on()?;
        }
        self.model(material, transfer, model.shelving)
    }

    fn rests(&self, material: &Material<'_>, model: &Model) -> Option<Vec<Rest>> {
        let mut rests = Vec::new();
        for (index, stretch) in material.stretches.iter().enumerate() {
            rests.push(self.rest(material, model, index, stretch));
            material.go_on()?;
        }
        Some(rests)
    }

    fn rest(
        &self,
        material: &Material<'_>,
        model: &Model,
        index: usize,
        stretch: &Stretch,
    ) -> Rest {
        let plain = material.before(index, model.shelving);
        let mut left = if model.shelving {
            stretch.after.clone()
        } else {
            material.after_turned(index)
        };
        let through = filtered(&without_means(&model.transfer), plain);
        let moved = self.moved(model, index, &model.filtered[index]);
        add(&mut left, &through, -1.0);
        add(&mut left, &moved, -1.0);
        let mut before = self.moved(model, index, &stretch.before);
        add(&mut before, plain, 1.0);
        Rest {
            before,
            shares: shares(&left, &stretch.after, self.block_frames()),
            left,
        }
    }

    #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
    fn block_frames(&self) -> usize {
        (BLOCK_S * self.sample_rate_hz).round().max(1.0) as usize
    }
}

fn add(signal: &mut [Vec<f32>], other: &[Vec<f32>], gain: f32) {
    for (sample, other) in signal.iter_mut().flatten().zip(other.iter().flatten()) {
        *sample += gain * other;
    }
}

fn shares(rest: &[Vec<f32>], whole: &[Vec<f32>], block: usize) -> Vec<Option<f64>> {
    let energies = |signal: &[Vec<f32>]| {
        let blocks = signal
            .first()
            .map_or(0, |channel| channel.len().div_ceil(block));
        let mut energies = vec![0.0; blocks];
        for channel in signal {
            for (sum, block) in energies.iter_mut().zip(channel.chunks(block)) {
                *sum += block.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>();
            }
        }
        energies
    };
    let pairs = energies(rest).into_iter().zip(energies(whole));
    pairs
        .map(|(rest, whole)| (whole > 0.0).then(|| rest / whole))
        .collect()
}

/// What is left where as much is explained as can be; `None` if nothing sounds.
fn usual(rests: &[Rest]) -> Option<f64> {
    let shares = rests.iter().flat_map(|rest| rest.shares.iter().flatten());
    let mut shares: Vec<f64> = shares.copied().collect();
    shares.sort_by(f64::total_cmp);
    let usual = shares.get(shares.len() / EXPLAINED)?;
    Some(usual.max(NOTHING))
}

/// Of amplitudes: half where as much again is left as usual.
fn weights(shares: &[Option<f64>], usual: f64) -> Vec<f64> {
    let weight = |share: &Option<f64>| usual / (usual + share.unwrap_or(0.0));
    shares.iter().map(weight).collect()
}

/// Puts the weights on a signal, straight from the middle of each block to that of the next.
fn weigh(signal: &mut [Vec<f32>], weights: &[f64], block: usize) {
    let at = |index: usize| {
        weights
            .get(index)
            .or(weights.last())
            .copied()
            .unwrap_or(1.0)
    };
    for channel in signal {
        for (n, sample) in channel.iter_mut().enumerate() {
            let place = (2 * n).saturating_sub(block);
            let index = place / (2 * block);
            let part = (place % (2 * block)) as f64 / (2 * block) as f64;
            let weight = at(index) + part * (at(index + 1) - at(index));
            *sample *= weight as f32;
        }
    }
}
