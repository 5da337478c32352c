//! Microdynamics: the loudness dynamic ratio (LDR) of Skovenborg, "Measures of Microdynamics",
//! AES 137 (2014).
//!
//! The paper's: the K-weighted level over 25 ms less that over 1 s, and the 95th percentile of the
//! difference. A published transcription centres both windows on the same moment, by delaying the
//! fast one by half the slow one's length. So do we: windows that end together set a moment against
//! what came before it alone, and every swell reads as punch.
//!
//! Ours: rectangular windows, one moment every 5 ms, and what counts. The second around a moment
//! must lie in the signal and above −70 LUFS, and for the session's figure no more than 30 LU below
//! the loudest so far: noise in pauses that a gain lifts over −70 LUFS would otherwise make the same
//! music less lively. What comes before the music counts. The first and the last half second of a
//! file are surroundings only, and half a second of moments between them is the least that is told
//! of. Results lag by half a second. The slow window gives half weight to its outermost 5 ms steps: so
//! it is 1 s long and centred on the middle of a step, as the fast one is.
//!
//! Sparse material is not told. Where the 95th percentile lies more than 3 dB *below* the
//! surroundings, most of the energy falls into less than a twentieth of the moments, and the
//! percentile describes the gaps between them.

use super::lufs::{audible, lufs};
use super::percentiles::Percentiles;
use super::sliding::SlidingSum;
use std::ops::Range;

/// Steps of 5 ms in the two windows.
pub(super) const FAST_STEPS: usize = 5;
pub(super) const SLOW_STEPS: usize = 200;
/// Steps from the end of the fast window to that of the slow one.
pub(super) const LAG_STEPS: usize = SLOW_STEPS / 2 - FAST_STEPS / 2;
/// Steps in the last 10 s.
const RECENT_STEPS: usize = 2_000;
const PERCENT: u64 = 95;
/// Of fewer moments (half a second) nothing is told: the percentile of a single beat is the place on
/// it that they happen to be at.
const LEAST_MOMENTS: u64 = 100;
/// How far below the loudest second so far one may lie to count, as a ratio of powers: 30 LU, which is
/// 10 LU further down than the relative gate of loudness range (EBU Tech 3342). The choice is ours.
const QUIETEST: f64 = 1e-3;
/// A percentile below this is that of gaps, dB.
const SPARSE_BELOW_DB: f64 = -3.0;
/// Differences are told apart in this range, dB: of what lies further below only that it does is
/// ever asked. The lowest stands for a silent moment.
const RANGE_DB: Range<i32> = -4..20;

/// LDR over the session and over the last 10 s.
#[derive(Clone, Debug)]
pub(super) struct Microdynamics {
    energies: SlidingSum,
    steps: u64,
    /// Energy of the 200 steps up to the one before.
    slow_before: f64,
    /// The loudest second so far, mean square.
    loudest: f64,
    session: Percentiles,
    recent: Percentiles,
}

/// What a percentile says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Ldr {
    /// dB; `None` where too little was measured and of sparse material.
    pub db: Option<f64>,
    /// Enough was measured, but it is too sparse to be told.
    pub sparse: bool,
}

impl Microdynamics {
    pub fn new() -> Self {
        Self {
            energies: SlidingSum::new(SLOW_STEPS),
            steps: 0,
            slow_before: 0.0,
            loudest: 0.0,
            session: Percentiles::of_all(RANGE_DB),
            recent: Percentiles::of_last(RECENT_STEPS, RANGE_DB),
        }
    }

    pub fn reset(&mut self) {
        self.energies.reset();
        self.steps = 0;
        (self.slow_before, self.loudest) = (0.0, 0.0);
        self.session.reset();
        self.recent.reset();
    }

    /// Takes the weighted energy of one 5 ms step. `fast_frames` are the frames in the
    /// [`FAST_STEPS`] that end [`LAG_STEPS`] ago, `slow_frames` those in the last [`SLOW_STEPS`].
    pub fn push(&mut self, energy: f64, fast_frames: f64, slow_frames: f64) {
        self.energies.push(energy);
        self.steps += 1;
        let slow_now = self.energies.sum_of_last(SLOW_STEPS);
        // The mean of two windows a step apart is one with half weight on its outermost steps.
        let slow = 0.5 * (self.slow_before + slow_now) / slow_frames;
        self.slow_before = slow_now;
        if self.steps <= SLOW_STEPS as u64 {
            return;
        }
        let fast = self.energies.sum_before(LAG_STEPS, FAST_STEPS) / fast_frames;
        self.loudest = self.loudest.max(slow);
        let belongs = slow >= QUIETEST * self.loudest;
        let difference_db = lufs(slow).filter(|_| audible(slow)).map(|slow| {
            // A silent moment amid sound counts, as the lowest value there is.
            lufs(fast).map_or(f64::from(RANGE_DB.start), |fast| fast - slow)
        });
        self.session.push(difference_db.filter(|_| belongs));
        self.recent.push(difference_db);
    }

    /// Since the last restart.
    pub fn session(&self) -> Ldr {
        ldr(&self.session)
    }

    /// Over the moments of the last 10 s.
    pub fn recent(&self) -> Ldr {
        ldr(&self.recent)
    }
}

fn ldr(differences: &Percentiles) -> Ldr {
    let enough = differences.count() >= LEAST_MOMENTS;
    let percentile_db = differences.percentile_db(PERCENT).filter(|_| enough);
    let db = percentile_db.filter(|db| *db >= SPARSE_BELOW_DB);
    Ldr {
        db,
        sparse: db.is_none() && percentile_db.is_some(),
    }
}
