//! Microdynamics: the loudness dynamic ratio (LDR) of Skovenborg, "Measures of Microdynamics", AES
//! 137 (2014).
//!
//! At every 5 ms step the K-weighted level of the last 25 ms is set against that of the last 1 s;
//! the measure is the 95th percentile of the difference. Both windows are rectangular and end at
//! the same moment. The 25 ms, the 1 s and the percentile are the paper's; the window shape and the
//! step are ours. Moments whose 1 s level lies below −70 LUFS are left out.

use super::histogram::{Bin, Histogram, percentile_rank};
use super::lufs::{ABSOLUTE_GATE_LUFS, lufs};
use super::sliding::SlidingSum;

/// Steps of 5 ms in the two windows.
pub(super) const FAST_STEPS: usize = 5;
pub(super) const SLOW_STEPS: usize = 200;
/// Steps in the last 10 s.
const RECENT_STEPS: usize = 2_000;
const PERCENT: u64 = 95;
/// Range of the histograms, dB.
const LOWEST_DB: i32 = -60;
const HIGHEST_DB: i32 = 20;

/// LDR over the session and over the last 10 s, in bins of 0.01 dB.
#[derive(Clone, Debug)]
pub(super) struct Microdynamics {
    energies: SlidingSum,
    count: u64,
    session: Histogram,
    recent: Histogram,
    /// The values that `recent` holds, oldest at `head`; `None` for a moment below the gate.
    ring: Vec<Option<(u32, f32)>>,
    head: usize,
}

impl Microdynamics {
    pub fn new() -> Self {
        Self {
            energies: SlidingSum::new(SLOW_STEPS),
            count: 0,
            session: Histogram::new(LOWEST_DB, HIGHEST_DB, 100),
            recent: Histogram::new(LOWEST_DB, HIGHEST_DB, 100),
            ring: vec![None; RECENT_STEPS],
            head: 0,
        }
    }

    pub fn reset(&mut self) {
        self.energies.reset();
        self.count = 0;
        self.session.reset();
        self.recent.reset();
        self.ring.fill(None);
        self.head = 0;
    }

    /// Takes the weighted energy of one 5 ms step; `fast_frames` and `slow_frames` are the frames
    /// that the two windows span.
    pub fn push(&mut self, energy: f64, fast_frames: f64, slow_frames: f64) {
        self.energies.push(energy);
        self.count += 1;
        if self.count < SLOW_STEPS as u64 {
            return;
        }
        let value = self.difference_db(fast_frames, slow_frames);
        if let Some((bin, carried)) = self.ring[self.head].take() {
            self.recent.remove(bin as usize, f64::from(carried));
        }
        if let Some(value) = value {
            let bin = self.session.bin_of(value);
            // The ring remembers a rounded value; the histogram must be given, and later be asked
            // to give back, the same one.
            let carried = value as f32;
            self.session.add(bin, f64::from(carried));
            self.recent.add(bin, f64::from(carried));
            self.ring[self.head] = Some((bin as u32, carried));
        }
        self.head = (self.head + 1) % RECENT_STEPS;
    }

    fn difference_db(&self, fast_frames: f64, slow_frames: f64) -> Option<f64> {
        let slow = lufs(self.energies.sum_of_last(SLOW_STEPS) / slow_frames)?;
        let fast = lufs(self.energies.sum_of_last(FAST_STEPS) / fast_frames);
        // A silent moment inside audible programme counts, as the lowest value there is.
        (slow > ABSOLUTE_GATE_LUFS).then(|| fast.map_or(LOWEST_DB.into(), |fast| fast - slow))
    }

    /// 95th percentile since the last restart, dB.
    pub fn session_db(&self) -> Option<f64> {
        percentile_db(&self.session)
    }

    /// 95th percentile of the last 10 s, dB.
    pub fn recent_db(&self) -> Option<f64> {
        percentile_db(&self.recent)
    }
}

fn percentile_db(values: &Histogram) -> Option<f64> {
    let count = values.total_from(0).count;
    values
        .bin_of_rank(0, percentile_rank(count, PERCENT))
        .and_then(Bin::mean)
}
