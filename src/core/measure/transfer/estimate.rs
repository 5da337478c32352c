//! The response and the gain that moves, found in turns.

mod offset;
mod placed;
mod plain;
mod turn;

use super::arrangement::Arrangement;
use super::convolution::filtered;
use super::correlation::{Correlations, Correlator};
use super::linear_part::{LinearPart, Powers};
use super::material::{Material, Stretch, least_frames};
use super::wander::Phases;
use super::{Transfer, response_frames};
use crate::measure::reduction::MovingGain;

/// A response without a gain that moves is taken at once if it leaves no more than this share
/// (−50 dB).
const STATIC_SHARE: f64 = 1e-5;
/// Plain gains are taken, or an earlier response is kept, if they leave no more than this many times
/// what the best response leaves, which has some thousand unknowns to use up.
const PLAIN_IS_AS_GOOD: f64 = 1.15;
/// A response is found in so many times its length, and not in less (2.7 s at 48 kHz): a bell read
/// up to −22 dB of distortion in two seconds, −47 dB at worst in two and a half.
const ENOUGH_RESPONSES: usize = 16;
/// Below this share (−80 dB) nothing is left, whichever leaves less.
const NOTHING_LEFT: f64 = 1e-8;
/// Responses across the channels are kept only if they leave at most this part of what is left
/// without them, and only if more than rounding is left.
const ACROSS_IS_BETTER: f64 = 0.7;
const WORTH_IT: f64 = 1e-8;
/// Gains are taken for those of shelves only if bands that keep their phase leave more than this
/// (−45 dB), and shelves so many times less.
const SHELVES_ARE_WORTH_IT: f64 = 3e-5;
const SHELVES_ARE_BETTER: f64 = 0.7;
/// Turns of response and gain of either kind at most, and the improvement below which no further one
/// is made.
const TURNS: usize = 8;
const WORTH_A_TURN: f64 = 0.97;

/// What stands between the signals.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// Its static linear part.
    pub transfer: Transfer,
    /// The same in a few numbers.
    pub linear: LinearPart,
    /// Gain of the linear part in each band, dB: of the powers after and before.
    pub given_gain_db: [f64; 4],
    /// Whether its gains that move turn phases, as those of shelves do.
    pub shelving: bool,
    /// Share of the signal after that neither the linear part nor gains explain.
    pub share: f64,
    /// Whether it is a device of one response but for gains: not so a chorus, or a delay that
    /// moves.
    pub fixed: bool,
}

impl Estimate {
    /// The same, found of channels that were straightened, of those that were not.
    fn arranged(mut self, arrangement: Arrangement) -> Self {
        if !arrangement.is_straight() {
            self.transfer = self.transfer.arranged(arrangement);
            self.linear.exchanged ^= arrangement.exchanged;
            self.linear.opposed ^= arrangement.opposed;
            self.linear.inverted ^= arrangement.inverted;
        }
        self
    }
}

/// Whether what is being worked out is wanted no more.
type Over<'a> = &'a dyn Fn() -> bool;

/// Finds what stands between signals of one sample rate.
pub struct Estimator {
    sample_rate_hz: f64,
    corners_hz: [f64; 3],
    correlator: Correlator,
    taps: usize,
}

impl std::fmt::Debug for Estimator {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Estimator")
            .field("taps", &self.taps)
            .finish_non_exhaustive()
    }
}

/// A model of what stands between: the response, the signal through it, the gains that are left.
struct Model {
    transfer: Transfer,
    filtered: Vec<Vec<Vec<f32>>>,
    gains: Vec<MovingGain>,
    share: f64,
    /// Whether the gains are those of shelves.
    shelving: bool,
}

impl Estimator {
    /// An estimator for gains in bands that meet at `corners_hz`. Allocates.
    pub fn new(sample_rate_hz: f64, corners_hz: [f64; 3]) -> Self {
        let taps = response_frames(sample_rate_hz);
        Self {
            sample_rate_hz,
            corners_hz,
            correlator: Correlator::new(taps),
            taps,
        }
    }

    /// Shortest stretch of which something can be told, frames.
    pub fn least_frames(&self) -> usize {
        least_frames(self.taps)
    }

    /// What stands between the signals of some stretches, 20 s of programme or more at best;
    /// `None` if nothing sounds, none of them is long enough, or all of them are too short for
    /// anything but a plain gain; `None` too once `over` returns true, which is called between steps.
    /// At 48 kHz half a second of work for 20 s, three where something moves or bends; all of it
    /// again where channels are exchanged or one is upside down.
    pub fn estimate(&self, stretches: &[Stretch], over: Over<'_>) -> Option<Estimate> {
        let mut material = self.material(stretches, over)?;
        let (mut best, mut plain) = self.best(&material)?;
        let mut powers = self.powers(&material, &best);
        let arrangement = powers.arrangement();
        if !arrangement.is_straight() {
            // A plain gain crosses no channels and turns none upside down, and gains that move begin
            // with each channel against itself.
            material.straighten(arrangement);
            (best, plain) = self.best(&material)?;
            powers = self.powers(&material, &best);
        }
        if !plain && material.frames() < ENOUGH_RESPONSES * self.taps {
            return None;
        }
        Some(self.told(&material, best, &powers).arranged(arrangement))
    }

    /// The plainest model that leaves about as little as any, and whether it is of plain gains.
    fn best(&self, material: &Material<'_>) -> Option<(Model, bool)> {
        let gains = self.gains(&material.stretches, None, false);
        let share = share(&gains)?;
        let plain = self.with_offset(material, self.plain(material, gains.clone(), share));
        let mut across = None;
        let after = |index, _: &Stretch| material.after_turned(index);
        let still = self.responding(material, &mut across, false, after)?;
        let best = if still.share <= STATIC_SHARE || plain.share <= STATIC_SHARE {
            still
        } else {
            let by_power: Vec<_> = gains.into_iter().map(MovingGain::by_power).collect();
            let shelves = by_power.iter().cloned().map(MovingGain::linked).collect();
            let moving = self.moving(material, by_power, across, false, 1.0)?;
            let best = if moving.share < still.share {
                moving
            } else {
                still
            };
            if best.share > SHELVES_ARE_WORTH_IT {
                let shelving = self.moving(material, shelves, across, true, best.share)?;
                if shelving.share < SHELVES_ARE_BETTER * best.share {
                    shelving
                } else {
                    best
                }
            } else {
                best
            }
        };
        let is_plain = !plain.gains.iter().any(MovingGain::upside_down)
            && plain.share <= PLAIN_IS_AS_GOOD * best.share.max(NOTHING_LEFT);
        let best = if is_plain {
            plain
        } else {
            self.with_offset(material, best)
        };
        Some(self.or_placed(material, best, is_plain))
    }

    /// The same, from an earlier estimate on: one turn, kept only if it leaves
    /// less by 13 % and more.
    pub fn refine(
        &self,
        stretches: &[Stretch],
        from: &Estimate,
        over: Over<'_>,
    ) -> Option<Estimate> {
        let arrangement = from.linear.arrangement();
        let mut material = self.material(stretches, over)?;
        material.straighten(arrangement);
        let known = from.transfer.clone().straightened(arrangement);
        let old = self.model(&material, known, from.shelving)?;
        let new = self.turn(&material, &old, true);
        let best = match new.map(|new| self.with_offset(&material, new)) {
            Some(new) if PLAIN_IS_AS_GOOD * new.share < old.share => new,
            _ => old,
        };
        let powers = self.powers(&material, &best);
        Some(self.told(&material, best, &powers).arranged(arrangement))
    }

    /// Share that a device leaves of some stretches.
    pub fn share(&self, stretches: &[Stretch], device: &Estimate) -> Option<f64> {
        let material = self.material(stretches, &|| false)?;
        let model = self.model(&material, device.transfer.clone(), device.shelving)?;
        Some(model.share)
    }

    fn material<'a>(&self, stretches: &[Stretch], over: Over<'a>) -> Option<Material<'a>> {
        (!over()).then_some(())?;
        let (rate_hz, corners_hz) = (self.sample_rate_hz, self.corners_hz);
        let (correlator, taps) = (&self.correlator, self.taps);
        Material::new(rate_hz, corners_hz, correlator, taps, stretches, over)
    }

    /// Gains of the signals after against those before, or what was made of those.
    fn gains(
        &self,
        stretches: &[Stretch],
        made: Option<&[Vec<Vec<f32>>]>,
        shelving: bool,
    ) -> Vec<MovingGain> {
        let pair = |(index, stretch): (usize, &Stretch)| {
            let before = made
                .and_then(|made| made.get(index))
                .unwrap_or(&stretch.before);
            let of = if shelving {
                MovingGain::of_shelves
            } else {
                MovingGain::between
            };
            of(self.sample_rate_hz, self.corners_hz, before, &stretch.after)
        };
        stretches.iter().enumerate().map(pair).collect()
    }

    fn model(&self, material: &Material<'_>, transfer: Transfer, shelving: bool) -> Option<Model> {
        let kept;
        let stretches = if transfer.through.is_some() {
            kept = material.without(transfer.means);
            &kept
        } else {
            &material.stretches
        };
        let filtered: Vec<_> = stretches
            .iter()
            .map(|stretch| filtered(&without_means(&transfer), &stretch.before))
            .collect();
        material.go_on()?;
        let gains = self.gains(stretches, Some(&filtered), shelving);
        material.go_on()?;
        Some(Model {
            transfer,
            share: share(&gains)?,
            gains,
            filtered,
            shelving,
        })
    }

    /// What a model's gains add to a stretch that went through its response.
    fn moved(&self, model: &Model, index: usize, filtered: &[Vec<f32>]) -> Vec<Vec<f32>> {
        let (rate_hz, corners_hz) = (self.sample_rate_hz, self.corners_hz);
        let gains = &model.gains[index];
        if model.shelving {
            gains.shelved_movement(rate_hz, corners_hz, filtered)
        } else {
            gains.movement(rate_hz, corners_hz, filtered)
        }
    }

    /// The response that makes `target` of the signals before; then its gains. Whether channels reach
    /// across is found out where it is not known, and then only noted if they do.
    fn responding(
        &self,
        material: &Material<'_>,
        across: &mut Option<bool>,
        shelving: bool,
        target: impl Fn(usize, &Stretch) -> Vec<Vec<f32>>,
    ) -> Option<Model> {
        let mut sums = self.correlator.none(material.channels);
        let mut energies = vec![0.0; material.channels];
        for (index, stretch) in material.stretches.iter().enumerate() {
            let after = target(index, stretch);
            material.go_on()?;
            let before = material.before(index, shelving);
            self.correlator.add(&mut sums, before, &after);
            material.go_on()?;
            for (sum, energy) in energies.iter_mut().zip(self.correlator.energies(&after)) {
                *sum += energy;
            }
        }
        let right = self.correlator.correlations(sums);
        let transfer = self.respond(material, &right, &energies, across);
        material.go_on()?;
        self.model(material, transfer, shelving)
    }

    fn respond(
        &self,
        material: &Material<'_>,
        right: &Correlations,
        energies: &[f64],
        across: &mut Option<bool>,
    ) -> Transfer {
        let (taps, equations) = (self.taps, &material.equations);
        let lead = taps / 4;
        // The products lie at lags from −taps on; a response begins at −lead.
        let part = |into: usize, out: usize| &right[into][out][taps - lead..2 * taps - lead];
        let mut transfer = Transfer::plain(material.channels, [0.0; 2], taps, material.means);
        let (mut left, mut left_across) = (0.0, 0.0);
        let mut mixed = Vec::new();
        for out in 0..material.channels {
            let mut start = vec![0.0; taps];
            let own: f64 = equations.power(out).iter().sum::<f64>() / taps as f64;
            start[lead] = if own > 0.0 {
                part(out, out)[lead] / own
            } else {
                0.0
            };
            let right = [part(out, out)];
            let found = equations.solve(&[out], &right, energies[out], &[start]);
            left += equations.unexplained(&[out], &[part(out, out)], &found, energies[out]);
            if material.channels == 2 && *across != Some(false) {
                let both = [part(0, out), part(1, out)];
                let mut start = vec![vec![0.0; taps]; 2];
                start[out].clone_from(&found[0]);
                let found = equations.solve(&[0, 1], &both, energies[out], &start);
                left_across += equations.unexplained(&[0, 1], &both, &found, energies[out]);
                mixed.push(found);
            }
            transfer.responses[out][out] = found.into_iter().next();
        }
        let energy: f64 = energies.iter().sum();
        if material.channels == 2
            && *across != Some(false)
            && (*across == Some(true)
                || (left > WORTH_IT * energy && left_across < ACROSS_IS_BETTER * left))
        {
            *across = Some(true);
            for (row, found) in transfer.responses.iter_mut().zip(mixed) {
                *row = found.into_iter().map(Some).collect();
            }
        }
        transfer
    }

    /// Response and gains in turns, from gains that are roughly known; none where what these leave is
    /// more than `most`: shelves that are there are better from the first.
    fn moving(
        &self,
        material: &Material<'_>,
        mut gains: Vec<MovingGain>,
        mut across: Option<bool>,
        shelving: bool,
        most: f64,
    ) -> Option<Model> {
        centre(&mut gains);
        let mut best = self.responding(material, &mut across, shelving, |index, stretch| {
            let taken_out = if shelving {
                MovingGain::unshelved
            } else {
                MovingGain::taken_out
            };
            taken_out(
                &gains[index],
                self.sample_rate_hz,
                self.corners_hz,
                &stretch.after,
            )
        })?;
        if best.share > most {
            return Some(best);
        }
        for weighed in [true, false] {
            for _ in 0..TURNS {
                // The mean of the gain belongs to the response.
                centre(&mut best.gains);
                let next = self.turn(material, &best, weighed)?;
                let improved = next.share < WORTH_A_TURN * best.share;
                if next.share < best.share {
                    best = next;
                }
                if !improved {
                    break;
                }
            }
        }
        Some(best)
    }

    fn powers(&self, material: &Material<'_>, model: &Model) -> Powers {
        Powers::new(self.sample_rate_hz, &material.equations, &model.transfer)
    }

    fn told(&self, material: &Material<'_>, model: Model, powers: &Powers) -> Estimate {
        let mut phases = Phases::default();
        let signals = material.stretches.iter().zip(&model.filtered);
        for ((stretch, filtered), gains) in signals.zip(&model.gains) {
            if model.shelving {
                let shelved = gains.shelved(self.sample_rate_hz, self.corners_hz, filtered);
                phases.add(self.sample_rate_hz, &shelved, &stretch.after);
            } else {
                phases.add(self.sample_rate_hz, filtered, &stretch.after);
            }
        }
        let rest_db = MovingGain::rest_db(&model.gains);
        Estimate {
            linear: powers.told(self.corners_hz, rest_db, material.muted()),
            given_gain_db: powers.bands_db(self.corners_hz),
            shelving: model.shelving,
            share: model.share,
            fixed: !phases.wander(),
            transfer: model.transfer,
        }
    }
}

/// The signals are centred already.
fn without_means(transfer: &Transfer) -> Transfer {
    Transfer {
        means: [[0.0; 2]; 2],
        ..transfer.clone()
    }
}

fn centre(gains: &mut [MovingGain]) {
    let means_db = MovingGain::means_db(gains);
    for gains in gains {
        gains.less(&means_db);
    }
}

/// What gains leave unexplained; `None` if nothing sounds.
fn share(gains: &[MovingGain]) -> Option<f64> {
    let [whole, residual] = gains.iter().fold([0.0; 2], |[whole, residual], gains| {
        let energies = gains.energies();
        [whole + energies[0], residual + energies[1]]
    });
    (whole > 0.0).then(|| residual / whole)
}
