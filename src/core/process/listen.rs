//! What is heard: one of several signals that are all in step, crossfaded, and turned down to match
//! where that is asked for.
//!
//! Nothing here ever makes a signal louder than it is. Where a switch would bring a jump upwards,
//! the new signal comes in at the level of the old one and rises over a second.
//!
//! Matched, the louder signals are turned down to the quietest as fast as push moves; once that
//! rests on seconds of sound it moves by no more than 1 dB/s. It survives a reset and holds in
//! silence.

use crate::dsp::decibel::gain_from_db;
use crate::dsp::ramp::{Ramp, SWITCH_MS};

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

/// Signals that have a level of their own: output, clean, input, residue.
const SIGNALS: usize = 4;
const OUTPUT: usize = 0;
const CLEAN: usize = 1;
const INPUT: usize = 2;
const RESIDUE: usize = 3;

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
    /// Turn the louder signals down to the quietest.
    pub matched: bool,
    /// Hear the input as it is, whatever else is set.
    pub bypass: bool,
}

/// Loudness of output path, clean path and input in LUFS, in this order; `None` while there is
/// none.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RecentLoudness {
    /// Gated, of the last 10 s.
    pub gated_10s_lufs: [Option<f64>; 3],
    /// Of the last 400 ms: shows a jump even where a setting was changed a moment ago.
    pub momentary_lufs: [Option<f64>; 3],
    /// Loudness of output path and clean path over that of the input, LU, as far as it is known
    /// since their settings were last changed: what matching goes by.
    pub over_input_lu: Option<[f64; 2]>,
    /// That has been so for seconds, and only changes with the programme.
    pub steady: bool,
}

/// The signals, all in step, one slice a channel.
#[derive(Clone, Copy, Debug)]
pub struct Signals<'a> {
    /// Output path.
    pub output: [&'a [f32]; 2],
    /// Clean path.
    pub clean: [&'a [f32]; 2],
    /// Input, delayed by the latency.
    pub input: [&'a [f32]; 2],
}

/// Frames between two updates of the gains, counted from the last reset.
const QUANTUM_FRAMES: u32 = 32;
/// Fastest change of a matching gain once it has settled, dB/s.
const SETTLED_DB_PER_S: f64 = 1.0;
/// Fastest change before: 6 dB in the 20 ms that a change of push takes.
const SEEKING_FALL_DB_PER_S: f64 = 300.0;
const SEEKING_RISE_DB_PER_S: f64 = 60.0;
/// A gain that has come this close to its aim has settled, dB.
const SETTLED_WITHIN_DB: f64 = 0.1;
/// Fastest rise when matching is switched off, dB/s.
const RELEASE_DB_PER_S: f64 = 6.0;
/// A switch that would be louder by more than this comes in gradually, dB.
const JUMP_DB: f64 = 3.0;
/// Time that it takes, s.
const ARRIVAL_S: f64 = 1.0;
/// The furthest down that it begins: a longer rise would be a pause first, then a jump, dB.
const MOST_JUMP_DB: f64 = 40.0;
/// The jump assumed where one of the levels is not known, dB.
const UNKNOWN_JUMP_DB: f64 = 20.0;
/// Below this nothing is matched: the absolute gate of ITU-R BS.1770-5, LUFS.
const SILENCE_LUFS: f64 = -70.0;
/// Bound of the residue: far beyond audio, and small enough for sums of what is heard to stay
/// finite.
const LARGEST: f32 = 1e30;
/// Time constant of the products behind the residue's best-fitting gain, s.
const RESIDUE_S: f64 = 0.4;

/// The gain of one signal, in decibels and as heard.
#[derive(Clone, Copy, Debug)]
struct Level {
    /// Matching gain, 0 or less.
    match_db: f64,
    settled: bool,
    /// What is left of a gradual arrival, 0 or less, and its rise a quantum.
    arrival_db: f64,
    arrival_step_db: f64,
    /// Linear gain at the end of the current quantum, and its change a frame within it.
    gain: f64,
    slope: f64,
}

impl Level {
    const FULL: Self = Self {
        match_db: 0.0,
        settled: false,
        arrival_db: 0.0,
        arrival_step_db: 0.0,
        gain: 1.0,
        slope: 0.0,
    };

    /// Moves towards `aim_db` (`None`: stay) and lays out the linear gain for the next quantum.
    fn quantum(&mut self, aim_db: Option<f64>, matched: bool, steady: bool, quantum_s: f64) {
        if let Some(aim_db) = aim_db {
            let distance = aim_db - self.match_db;
            let (fall, rise) = if matched && steady && self.settled {
                (SETTLED_DB_PER_S, SETTLED_DB_PER_S)
            } else if matched {
                (SEEKING_FALL_DB_PER_S, SEEKING_RISE_DB_PER_S)
            } else {
                (RELEASE_DB_PER_S, RELEASE_DB_PER_S)
            };
            self.match_db += distance.clamp(-fall * quantum_s, rise * quantum_s);
            self.settled =
                matched && steady && (self.settled || distance.abs() < SETTLED_WITHIN_DB);
        }
        self.arrival_db = (self.arrival_db + self.arrival_step_db).min(0.0);
        let gain = gain_from_db(self.match_db + self.arrival_db);
        self.slope = (gain - self.gain) / f64::from(QUANTUM_FRAMES);
        self.gain = gain;
    }

    /// Lets a signal that is not heard yet start `jump_db` lower and arrive in a second; 0 for at
    /// once.
    fn arrive(&mut self, jump_db: f64, quantum_s: f64) {
        self.arrival_db = -jump_db;
        self.arrival_step_db = jump_db / ARRIVAL_S * quantum_s;
        self.gain = gain_from_db(self.match_db + self.arrival_db);
        self.slope = 0.0;
    }

    /// Takes a matching gain at once.
    fn jump(&mut self, match_db: f64) {
        *self = Self {
            match_db,
            gain: gain_from_db(match_db),
            ..Self::FULL
        };
    }

    /// Gain `left` frames before the end of the quantum.
    fn at(&self, left: u32) -> f32 {
        (self.gain - self.slope * f64::from(left)) as f32
    }
}

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
    /// What is being switched to: the signal, and whether by bypass.
    selected: Option<(usize, bool)>,
    /// Frames until the next quantum.
    until_quantum: u32,
    residue: Residue,
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
            selected: None,
            until_quantum: 0,
            residue: Residue::new(sample_rate_hz),
        }
    }

    /// Forgets the past: the next settings are taken at once, and so are the gains that match.
    pub fn reset(&mut self) {
        self.levels = [Level::FULL; SIGNALS];
        self.shares = [0.0; SIGNALS];
        self.fade.reset();
        self.fresh = true;
        self.selected = None;
        self.until_quantum = 0;
        self.residue.reset();
    }

    /// Gain at which the selected signal is heard, dB, 0 or less.
    pub fn gain_db(&self) -> f64 {
        self.selected.map_or(0.0, |(signal, _)| {
            self.levels[signal].match_db + self.levels[signal].arrival_db
        })
    }

    /// Matching gain of output, clean path and input, dB, 0 or less.
    pub fn match_db(&self) -> [f64; 3] {
        [OUTPUT, CLEAN, INPUT].map(|signal| self.levels[signal].match_db)
    }

    /// Fills `heard` with what is to be heard of `signals`; `loudness` steers the matching.
    ///
    /// # Realtime Safety
    /// Yes.
    pub fn process(
        &mut self,
        heard: &mut [&mut [f32]],
        signals: &Signals<'_>,
        settings: ListenSettings,
        loudness: &RecentLoudness,
    ) {
        self.select(settings, loudness);
        let frames = heard.first().map_or(0, |channel| channel.len());
        let mut start = 0;
        while start < frames {
            if self.until_quantum == 0 {
                self.quantum(settings, loudness);
                self.until_quantum = QUANTUM_FRAMES;
            }
            let end = frames.min(start + self.until_quantum as usize);
            self.stretch(heard, signals, start..end);
            self.until_quantum -= (end - start) as u32;
            start = end;
        }
    }

    /// Starts a crossfade where another signal is asked for, and holds it back where it would jump
    /// upwards.
    fn select(&mut self, settings: ListenSettings, loudness: &RecentLoudness) {
        let wanted = if settings.bypass {
            (INPUT, true)
        } else {
            (settings.source.index(), false)
        };
        let before = self.selected.replace(wanted);
        if before == Some(wanted) {
            return;
        }
        let Some((old, _)) = before else {
            self.fade.jump(1.0);
            return;
        };
        if old == wanted.0 {
            return;
        }
        let come = self.fade.value();
        for (signal, share) in self.shares.iter_mut().enumerate() {
            *share += come * (if signal == old { 1.0 } else { 0.0 } - *share);
        }
        self.fade.jump(0.0);
        self.fade.set_target(1.0);
        if self.shares[wanted.0] > 0.0 {
            // It is still heard: its gain must not jump, and that it comes back surprises nobody.
            return;
        }
        if wanted.0 == RESIDUE {
            self.residue.reset();
        }
        let jump_db = self.jump_db(old, wanted.0, loudness);
        let jump_db = if jump_db > JUMP_DB {
            jump_db.min(MOST_JUMP_DB)
        } else {
            0.0
        };
        self.levels[wanted.0].arrive(jump_db, self.quantum_s);
    }

    /// By how much `new` would be louder than what is heard of `old`, dB.
    fn jump_db(&self, old: usize, new: usize, loudness: &RecentLoudness) -> f64 {
        let gain_db =
            self.levels[new].match_db - self.levels[old].match_db - self.levels[old].arrival_db;
        // The residue is at most as loud as the output that it is taken from.
        let new = if new == RESIDUE { OUTPUT } else { new };
        let jump_db = |of: &[Option<f64>; 3]| match (of[new], of.get(old).copied().flatten()) {
            (Some(new), Some(old)) => new - old + gain_db,
            (Some(_), None) => UNKNOWN_JUMP_DB,
            (None, _) => 0.0,
        };
        jump_db(&loudness.gated_10s_lufs).max(jump_db(&loudness.momentary_lufs))
    }

    fn quantum(&mut self, settings: ListenSettings, loudness: &RecentLoudness) {
        let matched = settings.matched && !settings.bypass;
        // In silence there is nothing to go by.
        let silent = loudness
            .momentary_lufs
            .iter()
            .any(|now| now.is_none_or(|lufs| lufs < SILENCE_LUFS));
        let fresh = std::mem::take(&mut self.fresh);
        let [output, clean] = loudness.over_input_lu.unwrap_or_default();
        let quietest = output.min(clean).min(0.0);
        // The residue is heard in proportion to the output it was taken from.
        for (level, over_input) in self.levels.iter_mut().zip([output, clean, 0.0, output]) {
            let aim_db = if matched { quietest - over_input } else { 0.0 };
            if fresh {
                level.jump(aim_db);
            }
            let aim_db = (!matched || !silent).then_some(aim_db);
            level.quantum(aim_db, matched, loudness.steady, self.quantum_s);
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
        let Some((target, _)) = self.selected else {
            return;
        };
        let at_rest = self.fade.is_settled();
        let channels = heard.len().min(2);
        let level = self.levels[target];
        let left_at_start = self.until_quantum;
        if at_rest && target != RESIDUE {
            let full = level.slope == 0.0 && level.gain == 1.0;
            let mut gains = [1.0; QUANTUM_FRAMES as usize];
            for (offset, gain) in gains.iter_mut().take(range.len()).enumerate() {
                *gain = level.at(left_at_start - offset as u32 - 1);
            }
            for (channel, heard) in heard.iter_mut().enumerate().take(2) {
                let signal = [signals.output, signals.clean, signals.input][target][channel];
                let (heard, signal) = (&mut heard[range.clone()], &signal[range.clone()]);
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
            let rest = 1.0 - self.fade.advance();
            let shares = self.shares.map(|share| (share * rest) as f32);
            let gains = self.levels.each_ref().map(|level| level.at(left));
            let pick = |of: &[&[f32]; 2]| -> [f32; 2] {
                std::array::from_fn(|channel| {
                    if channel < channels {
                        of[channel][frame]
                    } else {
                        0.0
                    }
                })
            };
            let (output, clean, input) = (
                pick(&signals.output),
                pick(&signals.clean),
                pick(&signals.input),
            );
            let residue = if target == RESIDUE || shares[RESIDUE] > 0.0 {
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

/// Output less the best-fitting gain times the input, the gain from products over the last few
/// tenths of a second.
#[derive(Clone, Copy, Debug)]
struct Residue {
    keep: f64,
    /// Running sums of input·input and input·output over the channels.
    input_input: f64,
    input_output: f64,
    gain: f64,
    slope: f64,
    /// The gain has been laid out; until then it is fitted anew at each frame.
    fitted: bool,
}

impl Residue {
    fn new(sample_rate_hz: f64) -> Self {
        let keep = (-1.0 / (RESIDUE_S * sample_rate_hz)).exp();
        Self {
            keep,
            input_input: 0.0,
            input_output: 0.0,
            gain: 1.0,
            slope: 0.0,
            fitted: false,
        }
    }

    fn reset(&mut self) {
        *self = Self {
            input_input: 0.0,
            input_output: 0.0,
            gain: 1.0,
            slope: 0.0,
            fitted: false,
            ..*self
        };
    }

    /// The best-fitting gain; `None` while there is nothing to fit (below about −180 dBFS).
    fn fit(&self) -> Option<f64> {
        (self.input_input > 1e-18).then(|| self.input_output / self.input_input)
    }

    /// Lays out the gain for the next quantum.
    fn quantum(&mut self) {
        let Some(gain) = self.fit() else {
            self.slope = 0.0;
            return;
        };
        self.slope = if self.fitted {
            (gain - self.gain) / f64::from(QUANTUM_FRAMES)
        } else {
            0.0
        };
        self.gain = gain;
        self.fitted = true;
    }

    fn next(&mut self, output: [f32; 2], input: [f32; 2], left: u32) -> [f32; 2] {
        let product = |a: [f32; 2], b: [f32; 2]| {
            f64::from(a[0]) * f64::from(b[0]) + f64::from(a[1]) * f64::from(b[1])
        };
        self.input_input = self.keep * self.input_input + product(input, input);
        self.input_output = self.keep * self.input_output + product(input, output);
        let laid_out = || self.gain - self.slope * f64::from(left);
        let gain = if self.fitted {
            laid_out()
        } else {
            self.fit().unwrap_or(self.gain)
        } as f32;
        // Samples too large for audio may outgrow an `f32`.
        std::array::from_fn(|channel| {
            (output[channel] - gain * input[channel]).clamp(-LARGEST, LARGEST)
        })
    }
}
