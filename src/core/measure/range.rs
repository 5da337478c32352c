//! Loudness range (EBU Tech 3342), bounded for sessions of any length.

use super::histogram::{Bin, Histogram, percentile_rank};
use super::lufs::{ABSOLUTE_GATE_LUFS, lufs};

/// The relative gate lies this far below the mean loudness of what passes the absolute gate.
const RELATIVE_GATE_LU: f64 = -20.0;
/// The range spans these percentiles of the short-term loudness.
const LOW_PERCENT: u64 = 10;
const HIGH_PERCENT: u64 = 95;

/// Loudness range of everything pushed, from bins of 0.01 LU.
#[derive(Clone, Debug)]
pub(super) struct LoudnessRange {
    values: Histogram,
}

impl LoudnessRange {
    pub fn new() -> Self {
        Self {
            values: Histogram::new(-70, 20, 100),
        }
    }

    pub fn reset(&mut self) {
        self.values.reset();
    }

    /// Takes the weighted mean square of a 3 s window, ten times a second.
    pub fn push(&mut self, mean_square: f64) {
        if let Some(short_term_lufs) = lufs(mean_square)
            && short_term_lufs >= ABSOLUTE_GATE_LUFS
        {
            let bin = self.values.bin_of(short_term_lufs);
            self.values.add(bin, mean_square);
        }
    }

    /// Loudness range, LU; `None` while nothing has passed the gates.
    pub fn range_lu(&self) -> Option<f64> {
        let gate_lufs = self.values.total_from(0).mean().and_then(lufs)? + RELATIVE_GATE_LU;
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
