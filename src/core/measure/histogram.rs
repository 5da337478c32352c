//! A bounded stand-in for a list of values that only grows: counts and sums in narrow bins.

/// Bins of equal width over a range of decibels; each knows how many values fell in it and the sum
/// of what they carried.
///
/// Sums keep the carried quantity exact (energies, say), so only values that share a bin with a
/// threshold are ever judged together. A second, coarse layer makes every question cost a few
/// hundred additions at most, whatever the session's length.
#[derive(Clone, Debug)]
pub(super) struct Histogram {
    low_db: f64,
    bins_per_db: f64,
    fine: Vec<Bin>,
    coarse: Vec<Bin>,
    /// Whether anything has been counted in a cell of the coarse layer.
    touched: Vec<bool>,
    total: Bin,
}

/// How many values fell in a bin and the sum of what they carried.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Bin {
    pub count: u64,
    pub sum: f64,
}

impl Bin {
    /// Mean of what the values carried.
    pub fn mean(self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }

    fn add(&mut self, other: Self) {
        self.count += other.count;
        self.sum += other.sum;
    }
}

/// Bins in one cell of the coarse layer.
const GROUP: usize = 200;

impl Histogram {
    /// `bins_per_db` bins for each decibel from `low_db` to `high_db`. Allocates.
    pub fn new(low_db: i32, high_db: i32, bins_per_db: u32) -> Self {
        let bins = high_db.abs_diff(low_db) * bins_per_db;
        let groups = (bins as usize).div_ceil(GROUP);
        Self {
            low_db: f64::from(low_db),
            bins_per_db: f64::from(bins_per_db),
            fine: vec![Bin::default(); groups * GROUP],
            coarse: vec![Bin::default(); groups],
            touched: vec![false; groups],
            total: Bin::default(),
        }
    }

    /// Forgets all values. Music touches a few of the cells, and what lies in memory is what takes
    /// the time.
    pub fn reset(&mut self) {
        for (cell, touched) in self.fine.chunks_mut(GROUP).zip(&mut self.touched) {
            if std::mem::take(touched) {
                cell.fill(Bin::default());
            }
        }
        self.coarse.fill(Bin::default());
        self.total = Bin::default();
    }

    /// Bin of a value; values outside the range count in the outermost bins.
    pub fn bin_of(&self, value_db: f64) -> usize {
        let position = ((value_db - self.low_db) * self.bins_per_db).max(0.0);
        #[expect(clippy::cast_sign_loss, reason = "clamped at zero just above")]
        let bin = position as usize;
        bin.min(self.fine.len() - 1)
    }

    /// Counts one value that carries `carried`.
    pub fn add(&mut self, bin: usize, carried: f64) {
        let one = Bin {
            count: 1,
            sum: carried,
        };
        self.fine[bin].add(one);
        self.coarse[bin / GROUP].add(one);
        self.touched[bin / GROUP] = true;
        self.total.add(one);
    }

    /// Takes back one value that was counted with the same `bin` and `carried`.
    pub fn remove(&mut self, bin: usize, carried: f64) {
        for cell in [
            &mut self.fine[bin],
            &mut self.coarse[bin / GROUP],
            &mut self.total,
        ] {
            cell.count -= 1;
            // An empty bin holds exactly nothing, whatever rounding the comings and goings left.
            cell.sum = if cell.count == 0 {
                0.0
            } else {
                cell.sum - carried
            };
        }
    }

    /// Everything.
    pub fn total(&self) -> Bin {
        self.total
    }

    /// Everything in `first` and the bins above it.
    pub fn total_from(&self, first: usize) -> Bin {
        let group = first / GROUP;
        let mut total = Bin::default();
        for bin in self
            .fine
            .iter()
            .take((group + 1) * GROUP)
            .skip(first)
            .chain(self.coarse.iter().skip(group + 1))
        {
            total.add(*bin);
        }
        total
    }

    /// The lowest bin that passes a gate at `gate_db`. The values that share a bin with the gate
    /// pass or fail together, as `passes` says of the mean of what they carried.
    pub fn first_above(&self, gate_db: f64, passes: impl FnOnce(f64) -> bool) -> usize {
        let shared = self.bin_of(gate_db);
        shared + usize::from(!self.fine[shared].mean().is_some_and(passes))
    }

    /// The bin that holds the value of rank `rank` (from 0) among the values from bin `first`
    /// upwards.
    pub fn bin_of_rank(&self, first: usize, rank: u64) -> Option<Bin> {
        let mut below = 0;
        let whole = first.div_ceil(GROUP);
        if let Some(found) = self.rank_within(first..whole * GROUP, rank, &mut below) {
            return Some(found);
        }
        for (index, cell) in self.coarse.iter().enumerate().skip(whole) {
            if below + cell.count > rank {
                return self.rank_within(index * GROUP..(index + 1) * GROUP, rank, &mut below);
            }
            below += cell.count;
        }
        None
    }

    fn rank_within(&self, bins: std::ops::Range<usize>, rank: u64, below: &mut u64) -> Option<Bin> {
        for bin in self.fine.get(bins)? {
            *below += bin.count;
            if *below > rank {
                return Some(*bin);
            }
        }
        None
    }
}

/// Rank (from 0) of the `percent`-th percentile of `count` values, by the rounding of EBU Tech
/// 3342: `round((n − 1)·p/100)`, halves upwards.
pub(super) fn percentile_rank(count: u64, percent: u64) -> u64 {
    (count.saturating_sub(1) * percent + 50) / 100
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks_agree_with_a_sorted_list() {
        let mut histogram = Histogram::new(-70, 10, 100);
        let mut values = Vec::new();
        let mut state = 1_u64;
        for _ in 0..5_000 {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            let value = -75.0 + 90.0 * ((state >> 33) as f64 / (1_u64 << 31) as f64);
            values.push(value);
            histogram.add(histogram.bin_of(value), value);
        }
        values.sort_by(f64::total_cmp);
        // Within the range a rank is found to a bin's width.
        for rank in [1_000, 2_500, 4_000] {
            let found = histogram.bin_of_rank(0, rank).and_then(Bin::mean).unwrap();
            assert!((found - values[rank as usize]).abs() <= 0.01, "rank {rank}");
        }
        let first = histogram.bin_of(-20.0);
        let expected = values.iter().filter(|&&value| value >= -20.0).count() as u64;
        assert_eq!(histogram.total_from(first).count, expected);
    }

    #[test]
    fn removing_everything_leaves_exactly_nothing() {
        let mut histogram = Histogram::new(0, 2, 100);
        for value in [0.1, 0.2, 0.7, 1.9, 0.1] {
            histogram.add(histogram.bin_of(value), value / 3.0);
        }
        for value in [0.7, 0.1, 0.1, 1.9, 0.2] {
            histogram.remove(histogram.bin_of(value), value / 3.0);
        }
        assert_eq!(histogram.total_from(0), Bin::default());
    }

    /// EBU Tech 3342 V4, section 3: 1-based index `round((n−1)·p/100 + 1)`.
    #[test]
    fn percentile_rank_rounds_as_the_standards_listing() {
        assert_eq!(percentile_rank(201, 10), 20);
        assert_eq!(percentile_rank(201, 95), 190);
        assert_eq!(percentile_rank(6, 10), 1);
        assert_eq!(percentile_rank(1, 95), 0);
    }
}
