//! Gains from each channel to each: balance, width, exchanged channels, and nothing else.
//!
//! Where both channels hold the same lines, as of a pad or of strings, long responses across the
//! channels are badly conditioned: there are many that explain what was heard, and none of them is
//! what was done. Four numbers are found from all of it.

use super::{Estimator, Material, Model, NOTHING_LEFT, PLAIN_IS_AS_GOOD, Transfer};

/// Two channels that are the same but for this share of their power (−90 dB) do not tell what came
/// from which.
const APART: f64 = 1e-9;

impl Estimator {
    /// The best model so far, or four gains where they leave about as little; where it is two gains,
    /// where they leave so much less. And whether it is of plain gains.
    pub(super) fn or_placed(
        &self,
        material: &Material<'_>,
        best: Model,
        is_plain: bool,
    ) -> (Model, bool) {
        let at_most = if is_plain {
            best.share / PLAIN_IS_AS_GOOD
        } else {
            PLAIN_IS_AS_GOOD * best.share.max(NOTHING_LEFT)
        };
        if at_most < NOTHING_LEFT {
            return (best, is_plain);
        }
        match self.placed(material) {
            Some(placed) if placed.share <= at_most => (placed, true),
            _ => (best, is_plain),
        }
    }

    /// The model in which each channel after is a sum of both before, by least squares; `None` of
    /// one channel, or of two that cannot be told apart.
    fn placed(&self, material: &Material<'_>) -> Option<Model> {
        let [mut lefts, mut rights, mut both] = [0.0; 3];
        // Of each channel after with the left and the right before.
        let mut with = [[0.0; 2]; 2];
        for stretch in &material.stretches {
            let ([left, right], after @ [_, _]) = (&*stretch.before, &*stretch.after) else {
                return None;
            };
            for (index, (left, right)) in left.iter().zip(right).enumerate() {
                let [left, right] = [left, right].map(|sample| f64::from(*sample));
                lefts += left * left;
                rights += right * right;
                both += left * right;
                for (with, after) in with.iter_mut().zip(after) {
                    let after = after.get(index).copied().map_or(0.0, f64::from);
                    with[0] += left * after;
                    with[1] += right * after;
                }
            }
        }
        let apart = lefts * rights - both * both;
        if apart <= APART * lefts * rights {
            return None;
        }
        let gains = with.map(|[left, right]| {
            [
                (rights * left - both * right) / apart,
                (lefts * right - both * left) / apart,
            ]
        });
        let gain = |out: usize, into: usize| gains.get(out)?.get(into).copied();
        let transfer = Transfer::of_gains(2, gain, self.taps, material.means);
        self.model(material, transfer, false)
    }
}
