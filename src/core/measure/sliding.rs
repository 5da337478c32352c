//! Windows that slide over the most recent slots.

/// Sums over the most recent values of a fixed-size ring. Every sum is added up afresh, so nothing
/// drifts in a session of any length.
#[derive(Clone, Debug)]
pub(super) struct SlidingSum {
    values: Vec<f64>,
    /// Where the next value goes.
    head: usize,
}

impl SlidingSum {
    /// Room for `capacity` values, all zero. Allocates.
    pub fn new(capacity: usize) -> Self {
        Self {
            values: vec![0.0; capacity],
            head: 0,
        }
    }

    pub fn reset(&mut self) {
        self.values.fill(0.0);
        self.head = 0;
    }

    pub fn push(&mut self, value: f64) {
        self.values[self.head] = value;
        self.head = (self.head + 1) % self.values.len();
    }

    /// Sum of the last `count` values (at most the capacity).
    pub fn sum_of_last(&self, count: usize) -> f64 {
        self.sum_before(0, count)
    }

    /// Sum of the `count` values before the last `skipped` (together at most the capacity).
    pub fn sum_before(&self, skipped: usize, count: usize) -> f64 {
        let (newest, oldest) = self.values.split_at(self.head);
        let newest_end = newest.len().saturating_sub(skipped);
        let oldest_end = oldest.len() - skipped.saturating_sub(newest.len()).min(oldest.len());
        let from_newest = count.min(newest_end);
        let from_oldest = (count - from_newest).min(oldest_end);
        sum(&newest[newest_end - from_newest..newest_end])
            + sum(&oldest[oldest_end - from_oldest..oldest_end])
    }
}

/// Sum in four interleaved parts, which the compiler can keep in vector registers.
fn sum(values: &[f64]) -> f64 {
    let (quads, rest) = values.as_chunks::<4>();
    let mut parts = [0.0; 4];
    for quad in quads {
        for (part, value) in parts.iter_mut().zip(quad) {
            *part += value;
        }
    }
    (parts[0] + parts[1]) + (parts[2] + parts[3]) + rest.iter().sum::<f64>()
}

/// Highest of the most recent values of a fixed-size ring.
#[derive(Clone, Debug)]
pub(super) struct SlidingMax {
    values: Vec<f32>,
    head: usize,
    max: f32,
}

impl SlidingMax {
    /// Room for `capacity` values, all zero; values must not be negative. Allocates.
    pub fn new(capacity: usize) -> Self {
        Self {
            values: vec![0.0; capacity],
            head: 0,
            max: 0.0,
        }
    }

    pub fn reset(&mut self) {
        self.values.fill(0.0);
        self.head = 0;
        self.max = 0.0;
    }

    pub fn push(&mut self, value: f32) {
        let leaving = std::mem::replace(&mut self.values[self.head], value);
        self.head = (self.head + 1) % self.values.len();
        if value >= self.max {
            self.max = value;
        } else if leaving >= self.max {
            self.max = self.values.iter().copied().fold(0.0, f32::max);
        }
    }

    pub fn max(&self) -> f32 {
        self.max
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn windows_see_exactly_the_last_values() {
        let (mut sums, mut maxima) = (SlidingSum::new(7), SlidingMax::new(7));
        let values: Vec<f64> = (0..50).map(|n| f64::from((n * 37) % 23)).collect();
        for (n, value) in values.iter().enumerate() {
            sums.push(*value);
            maxima.push(*value as f32);
            let last = |count: usize| values[(n + 1).saturating_sub(count)..=n].iter().copied();
            for count in [1, 3, 7] {
                assert!((sums.sum_of_last(count) - last(count).sum::<f64>()).abs() < 1e-12);
                let skipped = 7 - count;
                let before = last(7).sum::<f64>() - last(skipped).sum::<f64>();
                assert!((sums.sum_before(skipped, count) - before).abs() < 1e-12);
            }
            assert!((f64::from(maxima.max()) - last(7).fold(0.0, f64::max)).abs() < 1e-6);
        }
    }
}
