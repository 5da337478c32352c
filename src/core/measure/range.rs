//! Loudness range (EBU Tech 3342), bounded for sessions of any length.

use super::histogram::{Bin, Histogram, percentile_rank};
use super::lufs::{ABSOLUTE_GATE_LUFS, audible, lufs};

/// The relative gate lies this far below the mean loudness of what passes the absolute gate.
const RELATIVE_GATE_LU: f64 = -20.0;
/// The range spans these percentiles of the short-term loudness.
const LOW_PERCENT: u64 = 10;
const HIGH_PERCENT: u64 = 95;
/// Steps of 100 ms in the short-term window of 3 s.
const WINDOW_STEPS: usize = 30;

/// Loudness range of everything pushed, from bins of 0.01 LU.
///
/// The windows must lie inside the programme, which runs from the first to the last 100 ms above
/// the absolute gate (ours; the document measures files). A host rolls through silence before and
/// after a song, and windows that reach into it hold levels that were never in the music. Silence
/// *between* sounds is part of the programme, so windows that end in silence wait until it is known
/// whether more is to come.
#[derive(Clone, Debug)]
pub(super) struct LoudnessRange {
    values: Histogram,
    /// Steps since the first audible one, that one included; no more than a window holds.
    steps: usize,
    /// Mean squares of the windows that ended in silence since the last sound.
    waiting: [f64; WINDOW_STEPS],
    waiting_count: usize,
}

impl LoudnessRange {
    /// Allocates.
    pub fn new() -> Self {
        Self {
            values: Histogram::new(-70, 20, 100),
            steps: 0,
            waiting: [0.0; WINDOW_STEPS],
            waiting_count: 0,
        }
    }

    pub fn reset(&mut self) {
        self.values.reset();
        self.steps = 0;
        self.waiting_count = 0;
    }

    /// Takes the weighted mean squares of the last 100 ms and of the 3 s window that ends with
    /// them, ten times a second.
    pub fn push(&mut self, last_100ms: f64, short_term: f64) {
        let sounding = audible(last_100ms);
        if sounding || self.steps > 0 {
            self.steps = (self.steps + 1).min(WINDOW_STEPS);
        }
        if sounding {
            for index in 0..self.waiting_count {
                self.count(self.waiting[index]);
            }
            self.waiting_count = 0;
        }
        if self.steps < WINDOW_STEPS {
            return;
        }
        if sounding {
            self.count(short_term);
        } else if let Some(free) = self.waiting.get_mut(self.waiting_count) {
            // When there is no room left, the whole window is silent and would not count.
            *free = short_term;
            self.waiting_count += 1;
        }
    }

    fn count(&mut self, short_term: f64) {
        if let Some(short_term_lufs) = lufs(short_term)
            && short_term_lufs >= ABSOLUTE_GATE_LUFS
        {
            let bin = self.values.bin_of(short_term_lufs);
            self.values.add(bin, short_term);
        }
    }

    /// Loudness range, LU; `None` while nothing has passed the gates.
    pub fn range_lu(&self) -> Option<f64> {
        let gate_lufs = self.values.total().mean().and_then(lufs)? + RELATIVE_GATE_LU;
        let first = self.values.first_above(gate_lufs, |mean_square| {
            lufs(mean_square).is_some_and(|loudness| loudness >= gate_lufs)
        });
        let count = self.values.total_from(first).count;
        let percentile = |percent| {
            self.values
                .bin_of_rank(first, percentile_rank(count, percent))
                .and_then(Bin::mean)
                .and_then(lufs)
        };
        Some(percentile(HIGH_PERCENT)? - percentile(LOW_PERCENT)?)
    }
}
