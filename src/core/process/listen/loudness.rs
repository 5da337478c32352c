//! How loud the signals are, as far as that is known.

use super::{INPUT, OUTPUT, RESIDUE, References};

/// Below this nothing is matched: the absolute gate of ITU-R BS.1770-5, LUFS.
const SILENCE_LUFS: f64 = -70.0;

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
    /// By how much these can rise with settings that are on their way and not heard yet, LU.
    pub coming_lu: [f64; 2],
    /// What is heard of the paths becomes other by a jump.
    pub jumps: bool,
    /// What is heard has been so for seconds, and only changes with the programme.
    pub steady: bool,
    /// Loudness of the residue at its full level, LUFS: what it is at least, and at most. `None`
    /// while there is none.
    pub residue_lufs: [Option<f64>; 2],
    /// The reference to listen to.
    pub references: References,
}

impl RecentLoudness {
    /// Whether one of output, clean path and input is silent.
    pub(super) fn is_silent(&self) -> bool {
        (OUTPUT..=INPUT).any(|signal| self.is_unheard(signal))
    }

    /// Whether this signal is silent; a reference never counts as that.
    pub(super) fn is_unheard(&self, signal: usize) -> bool {
        let is_silent = |of: usize| self.momentary_lufs[of].is_none_or(|lufs| lufs < SILENCE_LUFS);
        match signal {
            OUTPUT..=INPUT => is_silent(signal),
            RESIDUE => is_silent(OUTPUT) && is_silent(INPUT),
            _ => false,
        }
    }
}
