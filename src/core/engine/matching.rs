//! How much louder the paths are than the input, since the chain was last changed: what matched
//! listening goes by.
//!
//! The paths and the input are in step. Energies over the same moments need no gate and no long
//! window to be compared: their ratio says at once how far apart two signals are that sound the
//! same music. A change of the chain is known before it is heard, so the ratio is counted anew from
//! the moment at which the paths are made with it. Until then, and where the music has not told
//! yet, more push is taken for that much more loudness, which it can at most be, and less push for
//! as much loudness as before, or as push alone can make; and [other settings](bound) that let the
//! paths become louder for as much as they can. That errs towards too quiet: a limiter that is
//! switched off by itself is heard up to 9 dB too low for 15 ms, a saturator 7 for 20, where they
//! would be up to 10 dB too loud for some 80.
//!
//! Of a song that is known, what push, limiter and ceiling will do to it is
//! [foretold](prediction). Without, where push changes in a loud moment, which a limiter holds down
//! more than the song as a whole, a quiet one right after it is heard up to 1.9 LU louder than once
//! the match has settled (3.1 with a release by hand); with it, up to 0.8 LU, and by more than 0.5 LU
//! after 15 of 480 changes tried over the demo songs; up to 1.2 with shelves, 1.4 with a release by
//! hand, 1.8 with bands at work.

mod bound;
mod common;
mod prediction;
mod since;

use self::bound::{most_lu, rise_lu, straightened};
use self::common::Common;
use self::prediction::Prediction;
pub(super) use self::since::LONGEST_S;
use self::since::Since;
use super::CHUNK;
use crate::dsp::decibel::power_from_db;
use crate::process::{ChainSettings, PushSettings};

/// From here on the ratio is steady, s.
const STEADY_S: f64 = 5.0;
/// How much of the past is kept in a change: enough to go on from. Of a setting in motion more is
/// kept, for it brings the next change before there is anything else to go by.
const KEPT_S: f64 = 0.1;
const KEPT_OF_A_JUMP_S: f64 = 0.02;
/// What was kept is forgotten as so much is heard of the new setting, s.
const FORGOTTEN_S: f64 = 0.15;
/// A change by which the paths may become louder by more than this, or push falls, is a jump, dB.
const SETTINGS_JUMP_DB: f64 = 1.0;
/// And where the output path goes over to the clean one, or comes back, by more than this share.
const BLEND_JUMP: f64 = 0.1;
/// After a jump the gains of the stages take so long to move and the limiter to follow, s.
const TRANSITION_S: f64 = 0.03;
/// Energy a frame below which there is nothing to compare: −70 LUFS, the absolute gate of ITU-R
/// BS.1770-5, about.
const SILENCE: f64 = 1e-7;
/// Relative gate of ITU-R BS.1770-5: −10 LU.
const GATE: f64 = 0.1;

/// What is compared at a time, s: the meters tell energies of whole 5 ms. At high rates that is more
/// than a chunk.
const MOMENT_S: f64 = 0.005;
/// Peaks of a moment.
const PEAKS: usize = 4;

/// The paths in the order in which their energies come: output, clean, input.
const PATHS: usize = 2;
const OUTPUT: usize = 0;
const CLEAN: usize = 1;
const INPUT: usize = 2;

/// A moment that is being heard.
#[derive(Debug, Default)]
struct Moment {
    chunks: usize,
    /// K-weighted energies of output, clean path and input.
    energies: [f64; 3],
    /// Highest magnitudes that come to the limiters, of each part of it.
    peaks: [f32; PEAKS],
}

/// Compares the paths with the input, moment by moment.
#[derive(Debug)]
pub(super) struct Matching {
    chunks_per_moment: usize,
    moment_s: f64,
    moment: Moment,
    /// Settings of the chunks that have entered the chain but are not heard yet, a ring.
    entered: Box<[ChainSettings]>,
    next: usize,
    /// The chain is empty: whatever is heard next is made with the next settings.
    begins: bool,
    /// What the chunk that is heard was made with; `None` before the first.
    heard: Option<ChainSettings>,
    /// K-weighted energies of output, clean path and input.
    since: Since<3>,
    prediction: Prediction,
    common: Common,
    /// Time until energies count again, s.
    transition_s: f64,
    /// Time until a jump of what enters, up or down, has been heard, s: a limiter acts on what came in
    /// before.
    latency_s: f64,
    jumps_s: f64,
    over_input_lu: [f64; PATHS],
}

impl Matching {
    /// For a chain of this latency. Allocates.
    pub fn new(sample_rate_hz: f64, latency_frames: usize) -> Self {
        let chunk_s = CHUNK as f64 / sample_rate_hz;
        #[expect(clippy::cast_sign_loss, reason = "a ratio of lengths")]
        let chunks_per_moment = (MOMENT_S / chunk_s).ceil().max(1.0) as usize;
        let moment_s = chunks_per_moment as f64 * chunk_s;
        Self {
            chunks_per_moment,
            moment_s,
            moment: Moment::default(),
            // Rounded down: what is louder is turned down a little early rather than late.
            entered: vec![ChainSettings::default(); latency_frames / CHUNK].into(),
            next: 0,
            begins: true,
            heard: None,
            since: Since::new(moment_s, FORGOTTEN_S),
            prediction: Prediction::new(moment_s),
            common: Common::new(moment_s, chunks_per_moment * CHUNK),
            transition_s: 0.0,
            latency_s: latency_frames as f64 / sample_rate_hz,
            jumps_s: 0.0,
            over_input_lu: [0.0; PATHS],
        }
    }

    /// The chain has been cleared; what was found holds for what is heard next.
    pub fn reset(&mut self) {
        self.begins = true;
        self.moment = Moment::default();
    }

    /// A chunk enters the chain with these settings; `arrives`: a stage is on its way in.
    pub fn enter(&mut self, chain: &ChainSettings, arrives: bool) {
        if std::mem::take(&mut self.begins) {
            self.entered.fill(*chain);
            self.jumps_s = 0.0;
        }
        self.jumps_s -= self.moment_s / self.chunks_per_moment as f64;
        self.notice(chain, arrives);
        let made_with = match self.entered.get_mut(self.next) {
            Some(entered) => std::mem::replace(entered, *chain),
            None => *chain,
        };
        self.next = (self.next + 1) % self.entered.len().max(1);
        match self.heard.replace(made_with) {
            None => {
                self.over_input_lu = [most_lu(&made_with); PATHS];
                self.prediction.change(&made_with, false);
            }
            Some(before) if before != made_with => self.change(&before, &made_with),
            Some(_) => {}
        }
    }

    /// The chunk that enters goes on with these settings: all of it counts as made with them.
    pub fn enter_within(&mut self, chain: &ChainSettings) {
        self.notice(chain, false);
        let last = self.last();
        if let Some(entered) = self.entered.get_mut(last) {
            *entered = *chain;
        }
    }

    /// Notices a jump from what entered last, and `arrives`, a stage on its way in.
    fn notice(&mut self, chain: &ChainSettings, arrives: bool) {
        let last = self.entered.get(self.last()).or(self.heard.as_ref());
        let jumps = last.is_some_and(|last| {
            let either = |of: fn(&ChainSettings, &ChainSettings) -> f64| {
                f64::max(of(last, chain), of(chain, last))
            };
            last != chain
                && (either(rise_lu) > SETTINGS_JUMP_DB || either(straightened) > BLEND_JUMP)
        });
        if jumps || arrives {
            self.jumps_s = self.latency_s + TRANSITION_S;
        }
    }

    /// Where in the ring lies what entered last.
    fn last(&self) -> usize {
        let chunks = self.entered.len().max(1);
        (self.next + chunks - 1) % chunks
    }

    fn change(&mut self, before: &ChainSettings, after: &ChainSettings) {
        let rise_lu = rise_lu(before, after);
        let straightened = straightened(before, after);
        let louder_lu = rise_lu.max(self.straighter_lu(straightened));
        let jump = louder_lu.max(push_db(before) - push_db(after)) > SETTINGS_JUMP_DB;
        if jump {
            self.transition_s = TRANSITION_S;
        }
        self.since
            .begin(if jump { KEPT_OF_A_JUMP_S } else { KEPT_S });
        let most_lu = most_lu(after);
        let input = self.since.kept[INPUT];
        for (kept, over) in self.since.kept.iter_mut().zip(&mut self.over_input_lu) {
            *over = (*over + rise_lu).min(most_lu);
            *kept = (*kept * power_from_db(rise_lu)).min(input * power_from_db(most_lu));
        }
        if straightened > 0.0 {
            self.over_input_lu[OUTPUT] += self.straighter_lu(straightened);
            let kept = &mut self.since.kept;
            kept[OUTPUT] = between(straightened, kept[OUTPUT], kept[CLEAN]);
        }
        let foretold = before.shelves == after.shelves
            && before.bands == after.bands
            && before.saturator == after.saturator
            && before.limiter.release == after.limiter.release;
        self.prediction.change(after, foretold);
        self.common.forget();
        self.look_ahead();
    }

    /// What is foretold of the song, if it is, tells more than what the moments since the change do.
    fn look_ahead(&mut self) {
        if let (Some(over), Some(chain)) = (self.prediction.over_input_lu(), &self.heard) {
            let most_lu = most_lu(chain);
            self.over_input_lu = over.map(|over| over.min(most_lu));
        }
    }

    /// A chunk has been heard that brought these energies of output, clean path and input
    /// (K-weighted, summed over the channels) and came to the limiters as `before`.
    pub fn heard(&mut self, energies: [f64; 3], before: &[&[f32]]) {
        self.moment.add(energies, before, self.chunks_per_moment);
        if self.moment.chunks < self.chunks_per_moment {
            return;
        }
        let frames = (self.chunks_per_moment * CHUNK) as f64;
        let Moment {
            energies, peaks, ..
        } = std::mem::take(&mut self.moment);
        let moves = self.transition_s > 0.0;
        let silent = energies.iter().any(|energy| *energy < SILENCE * frames);
        if !silent {
            self.prediction.heard(energies, peaks, !moves);
        }
        if moves {
            self.transition_s -= self.moment_s;
            return;
        }
        if silent {
            return;
        }
        if self.since.is_empty() {
            // Nothing is known yet but what push promises: it stands for the time before.
            let before = energies[INPUT] * KEPT_OF_A_JUMP_S / self.moment_s;
            let [output, clean] = self.over_input_lu.map(power_from_db);
            let kept = [before * output, before * clean, before];
            self.since.keep(kept, KEPT_OF_A_JUMP_S);
        }
        self.since.add(energies);
        let step_ends = self.common.add(energies);
        if self.since.span_s() < LONGEST_S {
            let [output, clean, input] = self.since.known();
            self.over_input_lu = [output, clean].map(|path| 10.0 * (path / input).log10());
            self.look_ahead();
        } else if step_ends && let Some(over_input_lu) = self.common.over_input_lu() {
            self.over_input_lu = over_input_lu;
        }
    }

    /// Loudness of output path and clean path over that of the input, LU; `None` before the first
    /// chunk.
    pub fn over_input_lu(&self) -> Option<[f64; PATHS]> {
        self.heard.map(|_| self.over_input_lu)
    }

    /// By how much output path and clean path can become louder, LU, once this is heard.
    pub fn coming_lu(&self, chain: &ChainSettings) -> [f64; PATHS] {
        let Some(heard) = &self.heard else {
            return [0.0; PATHS];
        };
        let (rise_lu, most_lu) = (rise_lu(heard, chain), most_lu(chain));
        let mut coming_lu = self
            .over_input_lu
            .map(|over_lu| ((over_lu + rise_lu).min(most_lu) - over_lu).max(0.0));
        let straighter_lu = self.straighter_lu(straightened(heard, chain));
        coming_lu[OUTPUT] = coming_lu[OUTPUT].max(straighter_lu);
        coming_lu
    }

    /// By how much the output path becomes louder, LU, where it goes over to the clean one by this
    /// share.
    fn straighter_lu(&self, share: f64) -> f64 {
        let [output, clean] = self.over_input_lu.map(power_from_db);
        10.0 * (between(share, output, clean) / output).log10()
    }

    /// Loudness of the output path over that of the input, LU, once all of the last 10 s was made
    /// with the chain as it is.
    pub fn output_over_input_lu(&self) -> Option<f64> {
        let [output, _] = self.over_input_lu;
        (self.since.span_s() >= LONGEST_S).then_some(output)
    }

    /// Whether what is heard of the paths is just about to become other by a jump.
    pub fn is_in_transition(&self) -> bool {
        self.transition_s > 0.0 || self.jumps_s > 0.0
    }

    /// Whether it rests on so much sound that it can only change slowly.
    pub fn is_steady(&self) -> bool {
        self.since.span_s() >= STEADY_S
    }
}

/// Power of one signal that goes over to another by this share: their amplitudes add up, since what is
/// bent little is still the same.
fn between(share: f64, from: f64, to: f64) -> f64 {
    (from.sqrt() + share * (to.sqrt() - from.sqrt())).powi(2)
}

impl Moment {
    /// Another of its `chunks`.
    fn add(&mut self, energies: [f64; 3], before: &[&[f32]], chunks: usize) {
        for (sum, energy) in self.energies.iter_mut().zip(energies) {
            *sum += energy;
        }
        let part_frames = chunks * CHUNK / PEAKS;
        for channel in before {
            for (index, part) in channel.chunks(part_frames).enumerate() {
                let at = self.chunks * CHUNK / part_frames + index;
                if let Some(peak) = self.peaks.get_mut(at) {
                    *peak = part.iter().fold(*peak, |peak, x| peak.max(x.abs()));
                }
            }
        }
        self.chunks += 1;
    }
}

/// The push that a setting stands for, dB.
fn push_db(chain: &ChainSettings) -> f64 {
    PushSettings::PUSH_DB.held(chain.push.push_db)
}
