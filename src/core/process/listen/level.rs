//! The gain of one signal: what matches it, and how it comes in.

use super::{JUMP_DB, QUANTUM_FRAMES};
use crate::dsp::decibel::gain_from_db;
use std::f64::consts::PI;

/// Fastest change of a matching gain once it has settled, dB/s.
const SETTLED_DB_PER_S: f64 = 1.0;
/// Fastest fall before: 18 dB in the 20 ms that a change of push takes.
const SEEKING_FALL_DB_PER_S: f64 = 900.0;
/// The same while a setting jumps: push rises in a straight line of the linear gain, which is steepest
/// in decibels where it begins.
const JUMPING_FALL_DB_PER_S: f64 = 1_200.0;
/// Fastest rise before, of a path, which has just become quieter by as much.
const PATH_RISE_DB_PER_S: f64 = 40.0;
/// The same of the input, which is as loud as it was: 6 dB take a second.
const INPUT_RISE_DB_PER_S: f64 = 6.0;
/// A gain that has come this close to its aim has settled, dB.
const SETTLED_WITHIN_DB: f64 = 0.1;
/// Time that a rise takes, s.
const RISE_S: f64 = 1.0;

/// A rise from below: half a period of a cosine in decibels, gentle at both ends, of which the
/// first tenth is 1/40 of the whole.
#[derive(Clone, Copy, Debug)]
struct Rise {
    /// By how much, dB.
    from_db: f64,
    /// What is left of it, 1 to 0, and what a quantum takes of that.
    left: f64,
    step: f64,
}

impl Rise {
    const OVER: Self = Self {
        from_db: 0.0,
        left: 0.0,
        step: 0.0,
    };

    fn db(&self) -> f64 {
        if self.left == 0.0 {
            return 0.0;
        }
        -0.5 * self.from_db * (1.0 - (PI * self.left).cos())
    }
}

/// How a matching gain is to move.
#[derive(Clone, Copy, Debug)]
pub(super) struct Aim {
    /// Where to; `None`: it stays.
    pub db: Option<f64>,
    /// What it goes by only changes with the programme.
    pub steady: bool,
    /// A setting has just jumped.
    pub jumps: bool,
    /// It is the input's.
    pub input: bool,
    /// The signal is silent: it does not rise before there is something to hear.
    pub unheard: bool,
}

/// The gain of one signal, in decibels and as heard.
#[derive(Clone, Copy, Debug)]
pub(super) struct Level {
    /// Matching gain, 0 or less.
    pub match_db: f64,
    settled: bool,
    rise: Rise,
    /// Gain at the end of the current quantum, dB and linear, and the latter's change a frame
    /// within it.
    gain_db: f64,
    gain: f64,
    slope: f64,
}

impl Level {
    pub const FULL: Self = Self {
        match_db: 0.0,
        settled: false,
        rise: Rise::OVER,
        gain_db: 0.0,
        gain: 1.0,
        slope: 0.0,
    };

    /// Gain at which the signal is or would be heard, dB, 0 or less.
    pub fn db(&self) -> f64 {
        self.match_db + self.rise.db()
    }

    /// The linear gain, where it does not change.
    pub fn constant(&self) -> Option<f64> {
        (self.slope == 0.0).then_some(self.gain)
    }

    /// The whole of a rise by more than [`JUMP_DB`] that is under way, dB; 0 for none.
    pub fn rising_db(&self) -> f64 {
        let rises = self.rise.left > 0.0 && self.rise.from_db > JUMP_DB;
        if rises { self.rise.from_db } else { 0.0 }
    }

    /// Moves the matching gain towards its aim and lays out the linear gain for the next quantum.
    pub fn quantum(&mut self, aim: Aim, quantum_s: f64) {
        if let Some(aim_db) = aim.db {
            let distance = aim_db - self.match_db;
            let seeking_fall = if aim.jumps {
                JUMPING_FALL_DB_PER_S
            } else {
                SEEKING_FALL_DB_PER_S
            };
            let (fall, rise) = match (aim.steady && self.settled, aim.input) {
                (true, _) => (SETTLED_DB_PER_S, SETTLED_DB_PER_S),
                (false, true) => (seeking_fall, INPUT_RISE_DB_PER_S),
                (false, false) => (seeking_fall, PATH_RISE_DB_PER_S),
            };
            self.match_db += distance.clamp(-fall * quantum_s, rise * quantum_s);
            self.settled = aim.steady && (self.settled || distance.abs() < SETTLED_WITHIN_DB);
        }
        if !aim.unheard {
            self.rise.left = (self.rise.left - self.rise.step).max(0.0);
        }
        let gain = self.gain;
        self.follow_db();
        self.slope = (self.gain - gain) / f64::from(QUANTUM_FRAMES);
    }

    /// Brings the linear gain up to date: it is asked for with every quantum, and seldom another.
    fn follow_db(&mut self) {
        let gain_db = self.db();
        if gain_db != self.gain_db {
            (self.gain_db, self.gain) = (gain_db, gain_from_db(gain_db));
        }
    }

    /// Lets a signal that is not heard yet start `jump_db` lower and rise from there; 0 for at
    /// once.
    pub fn arrive(&mut self, jump_db: f64, quantum_s: f64) {
        self.rise_by(jump_db, quantum_s);
        self.follow_db();
        self.slope = 0.0;
    }

    /// Matches no more: a signal that is heard rises from where it is.
    pub fn release(&mut self, quantum_s: f64) {
        let from_db = -self.db();
        self.match_db = 0.0;
        self.settled = false;
        self.rise_by(from_db, quantum_s);
    }

    /// Is matched to `aim_db` while it is heard. Where it still rises, what is left of that is part of
    /// the way: turned down by as much beside it, it would be heard that much too low.
    pub fn catch(&mut self, aim_db: f64, quantum_s: f64) {
        if self.rise.left > 0.0 {
            let now_db = self.db();
            self.match_db = now_db.max(aim_db).min(0.0);
            self.rise_by(self.match_db - now_db, quantum_s);
        }
    }

    /// Raises the matching gain by `by_db`: gradually if the signal is `heard`, else at once.
    pub fn lift(&mut self, by_db: f64, heard: bool, quantum_s: f64) {
        let before_db = self.db();
        self.match_db = (self.match_db + by_db).min(0.0);
        if heard {
            self.rise_by(self.match_db - before_db, quantum_s);
        }
    }

    fn rise_by(&mut self, from_db: f64, quantum_s: f64) {
        self.rise = if from_db > 0.0 {
            Rise {
                from_db,
                left: 1.0,
                step: quantum_s / RISE_S,
            }
        } else {
            Rise::OVER
        };
    }

    /// Takes a matching gain at once; a rise goes on.
    pub fn begin(&mut self, match_db: f64) {
        let rise = self.rise;
        self.jump(match_db);
        self.rise = rise;
        self.follow_db();
    }

    /// Takes a matching gain at once.
    pub fn jump(&mut self, match_db: f64) {
        *self = Self {
            match_db,
            gain_db: match_db,
            gain: gain_from_db(match_db),
            ..Self::FULL
        };
    }

    /// Gain `left` frames before the end of the quantum.
    pub fn at(&self, left: u32) -> f32 {
        (self.gain - self.slope * f64::from(left)) as f32
    }
}
