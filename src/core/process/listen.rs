//! What is heard: one of several signals that are all in step, crossfaded, and turned down to match
//! where that is asked for.
//!
//! Nothing here ever makes a signal louder than it is. Where a switch, of whatever kind, would
//! bring a jump upwards by more than 3 dB, the new signal comes in at the level of the old one and
//! rises over a second; a fall is done with the crossfade. Of two sources that goes by the loudness
//! of the whole, also where only some bands are heard.
//!
//! Matched, the louder signals are turned down to the quietest as fast as push moves; once that
//! rests on seconds of sound it moves by no more than 1 dB/s. It survives a reset and holds in
//! silence, where only settings bring it down. A rise waits for something to hear, and goes on
//! after a reset; a switch made while nothing was played is one like any other. What is written to
//! a file takes no part in any of it.

mod jump;
mod level;
mod loudness;
mod reference;
mod residue;
mod signals;
mod solo;

use self::level::{Aim, Level};
use self::reference::{Beside, LIVE};
use self::residue::Residue;
use self::solo::Solo;
use crate::dsp::quantum::{Lane, QUANTUM};
use crate::dsp::ramp::{Ramp, SWITCH_MS, smooth};

pub use self::loudness::RecentLoudness;
pub use self::reference::{REFERENCES, ReferenceLoudness, References};
pub use self::signals::Signals;

/// A signal to listen to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Source {
    /// What the chain makes.
    #[default]
    Output,
    /// The same without the saturator.
    Clean,
    /// What arrives, delayed by the latency.
    Input,
    /// What the chain changed: output less the best-fitting gain times the input.
    Residue,
}

/// Signals that have a level of their own: output, clean, input, residue, and the places of a
/// reference.
const SIGNALS: usize = 4 + REFERENCES;
const OUTPUT: usize = 0;
const CLEAN: usize = 1;
const INPUT: usize = 2;
const RESIDUE: usize = 3;
const REFERENCE: usize = 4;

impl Source {
    fn index(self) -> usize {
        match self {
            Self::Output => OUTPUT,
            Self::Clean => CLEAN,
            Self::Input => INPUT,
            Self::Residue => RESIDUE,
        }
    }
}

/// Settings of [`Listen`].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ListenSettings {
    /// The signal to hear.
    pub source: Source,
    /// Hear the reference in its place, if there is one.
    pub reference: bool,
    /// The reference is what the side-chain carries, while that has a loudness.
    pub side_chain: bool,
    /// Turn the louder signals down to the quietest.
    pub matched: bool,
    /// Hear these bands alone, low to high, of whatever is heard; all of it if none is chosen.
    pub solo: [bool; 4],
    /// Hear the input as it is, whatever else is set.
    pub bypass: bool,
    /// A file is written and nobody listens: what is louder comes at once, within its crossfade, and
    /// what has been found of a reference, and whether the side-chain is one, holds.
    pub written: bool,
}

/// Frames between two updates of the gains, counted from the last reset.
const QUANTUM_FRAMES: u32 = QUANTUM as u32;
/// A switch that would be louder by more than this comes in gradually, dB.
pub const JUMP_DB: f64 = 3.0;
/// The furthest down that it begins, also where nothing was heard before: what lies lower does not
/// count as heard either, dB.
pub const MOST_JUMP_DB: f64 = 60.0;
/// The listen switch.
#[derive(Clone, Debug)]
pub struct Listen {
    quantum_s: f64,
    levels: [Level; SIGNALS],
    /// Shares of the signals in what was heard when the last crossfade began (they sum to one), and
    /// how far it has come, 0…1.
    shares: [f64; SIGNALS],
    fade: Ramp,
    /// Nothing has been heard yet: gains are taken at once.
    fresh: bool,
    /// What was heard last before a reset or a file that was written, and at what gain, dB.
    left: Option<(usize, f64)>,
    written: bool,
    /// The signal that is being switched to.
    selected: Option<usize>,
    /// Levels were matched last, and were to be, were it not for bypass.
    matched: bool,
    matched_unless_bypassed: bool,
    /// Frames until the next quantum.
    until_quantum: u32,
    residue: Residue,
    beside: Beside,
    solo: Solo,
}

impl Listen {
    /// A switch at rest. Allocates nothing.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            quantum_s: f64::from(QUANTUM_FRAMES) / sample_rate_hz,
            levels: [Level::FULL; SIGNALS],
            shares: [0.0; SIGNALS],
            fade: Ramp::new(sample_rate_hz, SWITCH_MS),
            fresh: true,
            left: None,
            written: false,
            selected: None,
            matched: false,
            matched_unless_bypassed: false,
            until_quantum: 0,
            residue: Residue::new(sample_rate_hz),
            beside: Beside::default(),
            solo: Solo::new(sample_rate_hz),
        }
    }

    /// Forgets the signals: the next settings are taken at once, and so are the gains that match.
    /// How far the mix is turned down to a reference, and what is left of a rise, holds.
    pub fn reset(&mut self) {
        self.leave();
        self.shares = [0.0; SIGNALS];
        self.fade.reset();
        self.fresh = true;
        self.selected = None;
        self.matched = false;
        self.until_quantum = 0;
        self.residue.reset();
        self.solo.reset();
    }

    /// The same, and what still rises is there at once, too.
    pub fn cut(&mut self) {
        self.reset();
        self.levels = [Level::FULL; SIGNALS];
        self.solo.cut();
    }

    /// Keeps in mind what is heard, to go on from there.
    fn leave(&mut self) {
        if let Some(signal) = self.selected.filter(|_| !self.written) {
            self.left = Some((signal, self.levels[signal].db()));
        }
    }

    /// Goes on where another left off, whose signals are not known any more: how far the mix was
    /// turned down to a reference, and at what gain what was heard.
    pub fn go_on_from(&mut self, other: &Self) {
        let mut other = other.clone();
        other.reset();
        self.beside = other.beside.without_place();
        self.solo.go_on_from(&other.solo);
        (self.left, self.matched_unless_bypassed) = (other.left, other.matched_unless_bypassed);
    }

    /// Gain at which the selected signal is heard, dB, 0 or less.
    pub fn gain_db(&self) -> f64 {
        self.selected.map_or(0.0, |signal| self.levels[signal].db())
    }

    /// By how much what is heard is rising after a switch, dB: the whole of the rise until it is
    /// over; 0 while nothing rises by more than 3 dB.
    pub fn rising_db(&self) -> f64 {
        let of = |signal: usize| self.levels[signal].rising_db();
        self.selected.map_or(0.0, of).max(self.solo.rising_db())
    }

    /// Share of the output's power that a gain of the input explains, over the last 0.4 s.
    pub fn explained(&self) -> f64 {
        self.residue.explained()
    }

    /// The linear gain of the residue, while that is heard alone.
    pub(crate) fn residue_gain(&self) -> Option<f64> {
        let alone = self.fade.is_settled() && self.selected == Some(RESIDUE);
        alone.then(|| f64::from(self.levels[RESIDUE].at(self.until_quantum)))
    }

    /// Matching gain of output, clean path and input, dB, 0 or less.
    pub fn match_db(&self) -> [f64; 3] {
        [OUTPUT, CLEAN, INPUT].map(|signal| self.levels[signal].match_db)
    }

    /// Whether anything is heard of the reference in this place.
    pub fn hears_reference(&self, place: usize) -> bool {
        self.hears(REFERENCE + place)
    }

    fn hears(&self, signal: usize) -> bool {
        self.selected == Some(signal) || !self.fade.is_settled() && self.shares[signal] > 0.0
    }

    /// Fills `heard` with what is to be heard of `signals`; `loudness` steers the matching.
    ///
    /// # Realtime
    /// Yes.
    pub fn process(
        &mut self,
        heard: &mut [&mut [f32]],
        signals: &Signals<'_>,
        settings: ListenSettings,
        loudness: &RecentLoudness,
    ) {
        self.beside.follow(loudness);
        match (self.written, settings.written) {
            (false, true) => self.leave(),
            // Nobody has heard what was written: nothing fades from there.
            (true, false) => self.reset(),
            _ => {}
        }
        self.written = settings.written;
        self.select(settings, loudness);
        let frames = heard.first().map_or(0, |channel| channel.len());
        let mut start = 0;
        while start < frames {
            if self.until_quantum == 0 {
                self.quantum(loudness);
                self.until_quantum = QUANTUM_FRAMES;
            }
            let end = frames.min(start + self.until_quantum as usize);
            self.stretch(heard, signals, start..end);
            self.until_quantum -= (end - start) as u32;
            start = end;
        }
    }

    /// Leaves of what is heard the bands between these corners that are to be heard alone.
    ///
    /// # Realtime
    /// Yes.
    pub fn solo(
        &mut self,
        heard: &mut [&mut [f32]],
        settings: ListenSettings,
        corners_hz: [f64; 3],
    ) {
        let bands = settings.solo.map(|solo| solo && !settings.bypass);
        self.solo.process(heard, bands, corners_hz);
    }

    /// Starts a crossfade where another signal is asked for, and holds back whatever would jump
    /// upwards.
    fn select(&mut self, settings: ListenSettings, loudness: &RecentLoudness) {
        let reference = loudness.references.current.filter(|_| settings.reference);
        let wanted = match (settings.bypass, reference) {
            (true, _) => INPUT,
            (false, Some(place)) => REFERENCE + place,
            (false, None) => settings.source.index(),
        };
        let matched = settings.matched && !settings.bypass;
        self.follow_reference(loudness);
        let was_matched = std::mem::replace(&mut self.matched, matched);
        // What is written is not matched, but nobody has switched that off.
        if !settings.written {
            let was_asked = std::mem::replace(&mut self.matched_unless_bypassed, settings.matched);
            if was_asked && !settings.matched {
                self.beside.begin_anew();
            }
        }
        let before = self.selected.replace(wanted);
        let Some(old) = before else {
            self.fade.jump(1.0);
            return;
        };
        if matched != was_matched {
            self.match_anew(old, loudness);
        }
        if old == wanted {
            return;
        }
        let come = smooth(self.fade.value());
        for (signal, share) in self.shares.iter_mut().enumerate() {
            *share += come * (if signal == old { 1.0 } else { 0.0 } - *share);
        }
        self.fade.jump(0.0);
        self.fade.set_target(1.0);
        if self.shares[wanted] > 0.0 {
            // It is still heard: its gain must not jump, and that it comes back surprises nobody.
            return;
        }
        if wanted == RESIDUE && !loudness.steady {
            // What was kept may be of other settings, whose gain fits none of what comes.
            self.residue.reset();
        }
        if wanted >= REFERENCE {
            // Its gain is known at once.
            let aim_db = self.beside.aims_db(loudness)[wanted];
            self.levels[wanted].jump(aim_db.filter(|_| matched).unwrap_or(0.0));
        }
        let old_db = self.levels[old].db();
        let jump_db = self.jump_db(old, old_db, wanted, loudness);
        let jump_db = if jump_db > JUMP_DB && !settings.written {
            jump_db.min(MOST_JUMP_DB)
        } else {
            0.0
        };
        self.levels[wanted].arrive(jump_db, self.quantum_s);
    }

    /// Matching was switched on or off while `old` was heard. What is heard goes to its new gain:
    /// downwards with the next quanta, upwards gradually. What is not heard, or silent, takes it at
    /// once: the first of what comes after a silence is to be matched already.
    fn match_anew(&mut self, old: usize, loudness: &RecentLoudness) {
        let fading = !self.fade.is_settled();
        let aims_db = self.beside.aims_db(loudness);
        for (signal, (level, aim_db)) in self.levels.iter_mut().zip(aims_db).enumerate() {
            let heard = signal == old || fading && self.shares[signal] > 0.0;
            match (heard, self.matched, aim_db) {
                (true, false, _) => level.release(self.quantum_s),
                (false, true, Some(aim_db)) => level.jump(aim_db),
                (true, true, Some(aim_db)) if loudness.is_unheard(signal) => {
                    level.match_db = aim_db;
                }
                (true, true, Some(aim_db)) => level.catch(aim_db, self.quantum_s),
                (false, false, _) => level.jump(0.0),
                (_, true, _) => {}
            }
        }
    }

    /// After a reset: what is left of a rise goes on, and what has been switched to meanwhile rises.
    fn go_on(&mut self, loudness: &RecentLoudness) {
        let Some(new) = self.selected.filter(|_| !self.written) else {
            return;
        };
        let Some((old, old_db)) = self.left.take() else {
            return;
        };
        let jump_db = self.jump_db(old, old_db, new, loudness);
        let switched = old != new || self.levels[new].db() > old_db + JUMP_DB;
        if switched && jump_db > JUMP_DB {
            self.levels[new].arrive(jump_db.min(MOST_JUMP_DB), self.quantum_s);
        }
    }

    fn quantum(&mut self, loudness: &RecentLoudness) {
        let fresh = std::mem::take(&mut self.fresh);
        // In silence there is nothing to go by but what settings promise, and that is taken at once.
        let follows = self.matched && !loudness.is_silent();
        let falls = self.matched && !loudness.steady;
        self.keep_up_with_reference(loudness);
        let aims_db = self.beside.aims_db(loudness);
        if fresh {
            for (level, aim_db) in self.levels.iter_mut().zip(aims_db) {
                level.begin(aim_db.filter(|_| self.matched).unwrap_or(0.0));
            }
            self.go_on(loudness);
        }
        for (signal, (level, aim_db)) in self.levels.iter_mut().zip(aims_db).enumerate() {
            let unheard = loudness.is_unheard(signal);
            if let Some(aim_db) = aim_db.filter(|_| unheard && falls) {
                level.match_db = level.match_db.min(aim_db);
            }
            let aim = Aim {
                db: aim_db.filter(|_| follows),
                steady: loudness.steady
                    && !(signal == REFERENCE + LIVE && loudness.references.moving),
                jumps: loudness.jumps,
                input: signal == INPUT || signal >= REFERENCE,
                unheard,
            };
            level.quantum(aim, self.quantum_s);
        }
        self.residue.quantum();
    }

    /// Mixes frames that lie within one quantum.
    fn stretch(
        &mut self,
        heard: &mut [&mut [f32]],
        signals: &Signals<'_>,
        range: std::ops::Range<usize>,
    ) {
        let Some(target) = self.selected else {
            return;
        };
        let at_rest = self.fade.is_settled();
        let level = self.levels[target];
        let left_at_start = self.until_quantum;
        let with_residue = target == RESIDUE || !at_rest && self.shares[RESIDUE] > 0.0;
        if !with_residue {
            self.residue.pass(signals, range.clone());
        }
        if at_rest && target != RESIDUE {
            let full = level.constant() == Some(1.0);
            let mut gains: Lane = [1.0; QUANTUM];
            for (offset, gain) in gains.iter_mut().take(range.len()).enumerate() {
                *gain = level.at(left_at_start - offset as u32 - 1);
            }
            for (channel, heard) in heard.iter_mut().enumerate().take(2) {
                let heard = &mut heard[range.clone()];
                let Some(signal) = signals.of(target)[channel].get(range.clone()) else {
                    heard.fill(0.0);
                    continue;
                };
                if full {
                    heard.copy_from_slice(signal);
                } else {
                    for ((heard, sample), gain) in heard.iter_mut().zip(signal).zip(gains) {
                        *heard = sample * gain;
                    }
                }
            }
            return;
        }
        for (offset, frame) in range.enumerate() {
            let left = left_at_start - offset as u32 - 1;
            let rest = 1.0 - smooth(self.fade.advance());
            let shares = self.shares.map(|share| (share * rest) as f32);
            let gains = self.levels.each_ref().map(|level| level.at(left));
            let pick = |of: &[&[f32]; 2]| of.map(|of| of.get(frame).copied().unwrap_or_default());
            let (output, clean, input) = (
                pick(&signals.output),
                pick(&signals.clean),
                pick(&signals.input),
            );
            let references = signals.references.each_ref().map(pick);
            let residue = if with_residue {
                self.residue.next(output, input, left)
            } else {
                [0.0; 2]
            };
            for (channel, heard) in heard.iter_mut().enumerate().take(2) {
                let values = [
                    output[channel],
                    clean[channel],
                    input[channel],
                    residue[channel],
                    references[0][channel],
                    references[1][channel],
                    references[2][channel],
                ];
                let base = values[target] * gains[target];
                // Written as a difference, so that fading between equal signals is exact.
                let others = (0..SIGNALS).filter(|signal| *signal != target);
                // Arrived, the signal is heard to the last bit, wherever in a stretch that is.
                heard[frame] = if rest > 0.0 {
                    base + others
                        .map(|signal| shares[signal] * (values[signal] * gains[signal] - base))
                        .sum::<f32>()
                } else {
                    base
                };
            }
        }
    }
}
