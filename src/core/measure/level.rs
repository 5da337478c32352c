//! RMS.

use super::sliding::SlidingSum;
use crate::dsp::decibel::db_from_power;

/// Slots of 10 ms in the RMS window.
pub(super) const SLOTS: usize = 300;

/// RMS over 3 s and over everything, mean over the channels.
#[derive(Clone, Debug)]
pub(super) struct Rms {
    slots: SlidingSum,
    count: u64,
    total: f64,
}

impl Rms {
    pub fn new() -> Self {
        Self {
            slots: SlidingSum::new(SLOTS),
            count: 0,
            total: 0.0,
        }
    }

    pub fn reset(&mut self) {
        self.slots.reset();
        self.count = 0;
        self.total = 0.0;
    }

    /// Takes the energy of one 10 ms slot, mean over the channels.
    pub fn push(&mut self, energy: f64) {
        self.slots.push(energy);
        self.count += 1;
        self.total += energy;
    }

    /// Counts the energy of an incomplete slot towards everything.
    pub fn add_rest(&mut self, energy: f64) {
        self.total += energy;
    }

    /// RMS of the last [`SLOTS`], which span `frames`, dBFS; `None` until there are as many.
    pub fn window_dbfs(&self, frames: f64) -> Option<f64> {
        (self.count >= SLOTS as u64)
            .then(|| db_from_power(self.slots.sum_of_last(SLOTS) / frames))?
    }

    /// RMS of everything, which spans `frames`, dBFS.
    pub fn total_dbfs(&self, frames: f64) -> Option<f64> {
        db_from_power(self.total / frames)
    }
}
