//! Percentiles of values in decibels: of all that were pushed, or of the most recent.

use super::histogram::{Bin, Histogram, percentile_rank};
use std::ops::Range;

/// Bins of 0.01 dB.
const BINS_PER_DB: u32 = 100;

/// A histogram to take percentiles from, over everything or over a window that slides.
#[derive(Clone, Debug)]
pub(super) struct Percentiles {
    histogram: Histogram,
    /// What the window holds, as bin and value (dB), oldest at `head`; `None` for a moment without
    /// a value. Empty where everything counts.
    window: Vec<Option<(u32, f32)>>,
    head: usize,
}

impl Percentiles {
    /// Of everything. Values outside `range_db` count in its outermost bins. Allocates.
    pub fn of_all(range_db: Range<i32>) -> Self {
        Self::of_last(0, range_db)
    }

    /// Of the last `count` pushes, or of everything if that is 0. Values outside `range_db` count
    /// in its outermost bins. Allocates.
    pub fn of_last(count: usize, range_db: Range<i32>) -> Self {
        Self {
            histogram: Histogram::new(range_db.start, range_db.end, BINS_PER_DB),
            window: vec![None; count],
            head: 0,
        }
    }

    pub fn reset(&mut self) {
        self.histogram.reset();
        self.window.fill(None);
        self.head = 0;
    }

    /// Takes the value of one moment, dB; `None` moves the window on and counts for nothing.
    pub fn push(&mut self, value_db: Option<f64>) {
        // The window remembers a rounded value; the histogram must be given, and later be asked to
        // give back, the same one.
        let entry = value_db.map(|db| (self.histogram.bin_of(db) as u32, db as f32));
        if let Some((bin, db)) = entry {
            self.histogram.add(bin as usize, f64::from(db));
        }
        if let Some(cell) = self.window.get_mut(self.head) {
            if let Some((bin, db)) = std::mem::replace(cell, entry) {
                self.histogram.remove(bin as usize, f64::from(db));
            }
            self.head = (self.head + 1) % self.window.len();
        }
    }

    /// Values that percentiles are taken of.
    pub fn count(&self) -> u64 {
        self.histogram.total().count
    }

    /// The `percent`-th percentile (0 to 100), dB, to half a bin; `None` without values.
    pub fn percentile_db(&self, percent: u64) -> Option<f64> {
        self.histogram
            .bin_of_rank(0, percentile_rank(self.count(), percent))
            .and_then(Bin::mean)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Definition: the rank of EBU Tech 3342 in the sorted list of what lies in the window.
    #[test]
    fn a_window_agrees_with_a_sorted_list_of_what_it_holds() {
        let mut recent = Percentiles::of_last(40, -20..20);
        let mut all = Percentiles::of_all(-20..20);
        let pushed: Vec<Option<f64>> = (0..200_u32)
            .map(|n| (n % 7 != 3).then(|| f64::from((n * 61) % 173) * 0.2 - 15.0))
            .collect();
        for (n, value) in pushed.iter().enumerate() {
            recent.push(*value);
            all.push(*value);
            for (percentiles, from) in [(&recent, (n + 1).saturating_sub(40)), (&all, 0)] {
                let mut held: Vec<f64> = pushed[from..=n].iter().copied().flatten().collect();
                held.sort_by(f64::total_cmp);
                for percent in [5, 50, 95] {
                    let rank = percentile_rank(held.len() as u64, percent) as usize;
                    let found = percentiles.percentile_db(percent).unwrap();
                    assert!((found - held[rank]).abs() <= 0.01, "{n}: {percent} %");
                }
            }
        }
        for _ in 0..40 {
            recent.push(None);
        }
        assert_eq!(recent.percentile_db(95), None);
    }
}
