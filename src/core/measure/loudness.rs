//! Momentary, short-term and integrated loudness and loudness range, from the weighted energy of 10
//! ms slots.

use super::gating::{GatedLoudness, RecentGatedLoudness};
use super::lufs::lufs;
use super::range::LoudnessRange;
use super::sliding::SlidingSum;

/// Slots in a second.
pub(super) const SLOTS_PER_SECOND: f64 = 100.0;
/// Slots of 10 ms in the momentary window of 400 ms and the short-term window of 3 s.
pub(super) const MOMENTARY_SLOTS: usize = 40;
pub(super) const SHORT_TERM_SLOTS: usize = 300;
/// The gating blocks and the values for the loudness range lie 100 ms apart (BS.1770-5: 75 %
/// overlap; EBU Tech 3342: at least 10 a second).
const SLOTS_PER_GATING_STEP: usize = 10;

/// All loudness measures of one point.
#[derive(Clone, Debug)]
pub(super) struct Loudness {
    slots: SlidingSum,
    count: u64,
    /// Mean squares of the two windows, once they are filled.
    momentary: Option<f64>,
    short_term: Option<f64>,
    momentary_max: f64,
    short_term_max: f64,
    gated: GatedLoudness,
    recent: RecentGatedLoudness,
    range: LoudnessRange,
}

impl Loudness {
    pub fn new() -> Self {
        Self {
            slots: SlidingSum::new(SHORT_TERM_SLOTS),
            count: 0,
            momentary: None,
            short_term: None,
            momentary_max: 0.0,
            short_term_max: 0.0,
            gated: GatedLoudness::new(),
            recent: RecentGatedLoudness::new(),
            range: LoudnessRange::new(),
        }
    }

    pub fn reset(&mut self) {
        self.slots.reset();
        self.count = 0;
        self.momentary = None;
        self.short_term = None;
        self.momentary_max = 0.0;
        self.short_term_max = 0.0;
        self.gated.reset();
        self.recent.reset();
        self.range.reset();
    }

    /// Takes the weighted energy of one 10 ms slot (sum over frames and channels); `frames` tells
    /// how many frames the last so many slots span, this one included.
    pub fn push(&mut self, energy: f64, frames: impl Fn(usize) -> f64) {
        self.slots.push(energy);
        self.count += 1;
        let mean_square = |slots: usize| self.slots.sum_of_last(slots) / frames(slots);
        let full = |slots: usize| self.count >= slots as u64;
        self.momentary = full(MOMENTARY_SLOTS).then(|| mean_square(MOMENTARY_SLOTS));
        self.short_term = full(SHORT_TERM_SLOTS).then(|| mean_square(SHORT_TERM_SLOTS));
        let (momentary, short_term) = (
            self.momentary.unwrap_or_default(),
            self.short_term.unwrap_or_default(),
        );
        self.momentary_max = self.momentary_max.max(momentary);
        self.short_term_max = self.short_term_max.max(short_term);
        if self.count.is_multiple_of(SLOTS_PER_GATING_STEP as u64) {
            let last_100ms = mean_square(SLOTS_PER_GATING_STEP);
            self.range.push(last_100ms, short_term);
            if self.momentary.is_some() {
                self.gated.push(momentary);
                self.recent.push(momentary);
            }
        }
    }

    /// Loudness of the last `slots` (at most [`SHORT_TERM_SLOTS`]; fewer while there are fewer),
    /// which span `frames`, LUFS.
    pub fn lufs_of_last(&self, slots: usize, frames: f64) -> Option<f64> {
        (frames > 0.0).then(|| lufs(self.slots.sum_of_last(slots) / frames))?
    }

    pub fn momentary_lufs(&self) -> Option<f64> {
        self.momentary.and_then(lufs)
    }

    pub fn momentary_max_lufs(&self) -> Option<f64> {
        lufs(self.momentary_max)
    }

    pub fn short_term_lufs(&self) -> Option<f64> {
        self.short_term.and_then(lufs)
    }

    pub fn short_term_max_lufs(&self) -> Option<f64> {
        lufs(self.short_term_max)
    }

    pub fn integrated_lufs(&self) -> Option<f64> {
        self.gated.loudness_lufs()
    }

    /// Relative gate of the integrated loudness, LUFS.
    pub fn relative_gate_lufs(&self) -> Option<f64> {
        self.gated.relative_gate_lufs()
    }

    pub fn gated_10s_lufs(&self) -> Option<f64> {
        self.recent.loudness_lufs()
    }

    pub fn range_lu(&self) -> Option<f64> {
        self.range.range_lu()
    }
}
