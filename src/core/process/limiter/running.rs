//! Minima and means of the last values, at a cost that does not depend on how many, in exact
//! arithmetic.
//!
//! Gains are whole numbers of [`UNIT`]⁻¹, so that a running sum never drifts and forgets what left
//! it to the last bit.

/// A gain of one.
pub const UNIT: u32 = 1 << 30;

/// The gain, 0…1, rounded down: a rounded gain asks for no less than the gain itself.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "rounded down on purpose, from 0…1"
)]
pub fn rounded_down(gain: f64) -> u32 {
    (gain.clamp(0.0, 1.0) * f64::from(UNIT)) as u32
}

/// Smallest of the last values, from a queue in which every value is smaller than those behind it.
#[derive(Debug, Clone)]
pub struct RunningMinimum {
    /// Values with the time they came in, `count` of them from `front` on: a ring whose length is a
    /// power of two.
    queue: Vec<(u32, u32)>,
    len: u32,
    front: usize,
    count: usize,
    time: u32,
}

impl RunningMinimum {
    /// Over the last `len` values. Allocates.
    pub fn new(len: usize) -> Self {
        let len = len.max(1);
        Self {
            queue: vec![(UNIT, 0); (len + 1).next_power_of_two()],
            len: u32::try_from(len).unwrap_or(u32::MAX),
            front: 0,
            count: 0,
            time: 0,
        }
    }

    /// Over how many values.
    #[cfg(test)]
    pub fn len(&self) -> usize {
        self.len as usize
    }

    /// Back to no values.
    pub fn reset(&mut self) {
        (self.front, self.count, self.time) = (0, 0, 0);
    }

    /// Takes over the values of another of the same length.
    pub fn copy_from(&mut self, other: &Self) {
        self.queue.copy_from_slice(&other.queue);
        (self.front, self.count, self.time) = (other.front, other.count, other.time);
    }

    /// Takes a value in; returns the smallest.
    pub fn push(&mut self, value: u32) -> u32 {
        let mask = self.queue.len() - 1;
        self.time = self.time.wrapping_add(1);
        let at = |queue: &[(u32, u32)], index: usize| queue.get(index & mask).copied();
        while self.count > 0
            && at(&self.queue, self.front + self.count - 1).is_some_and(|(last, _)| last >= value)
        {
            self.count -= 1;
        }
        if let Some(cell) = self.queue.get_mut((self.front + self.count) & mask) {
            *cell = (value, self.time);
        }
        self.count += 1;
        let (mut smallest, entered) = at(&self.queue, self.front).unwrap_or((value, self.time));
        if self.time.wrapping_sub(entered) >= self.len {
            self.front = (self.front + 1) & mask;
            self.count -= 1;
            smallest = at(&self.queue, self.front).map_or(value, |(next, _)| next);
        }
        smallest
    }
}

/// The last values, oldest first.
#[derive(Debug, Clone)]
pub struct Delay<T> {
    ring: Vec<T>,
    oldest: usize,
}

impl<T: Copy> Delay<T> {
    /// By `len` values, at least one, all of them `rest` at first. Allocates.
    pub fn new(len: usize, rest: T) -> Self {
        Self {
            ring: vec![rest; len.max(1)],
            oldest: 0,
        }
    }

    /// As many values as it delays.
    pub fn len(&self) -> usize {
        self.ring.len()
    }

    pub fn reset(&mut self, rest: T) {
        self.ring.fill(rest);
        self.oldest = 0;
    }

    pub fn copy_from(&mut self, other: &Self) {
        self.ring.copy_from_slice(&other.ring);
        self.oldest = other.oldest;
    }

    /// Takes a value in; returns the one that came in [`len`](Self::len) values before.
    pub fn push(&mut self, value: T) -> T {
        let oldest = self
            .ring
            .get_mut(self.oldest)
            .map_or(value, |cell| std::mem::replace(cell, value));
        self.oldest += 1;
        if self.oldest == self.ring.len() {
            self.oldest = 0;
        }
        oldest
    }
}

/// Mean of the last gains.
#[derive(Debug, Clone)]
pub struct RunningMean {
    last: Delay<u32>,
    sum: u64,
}

impl RunningMean {
    /// Over the last `len` gains, one at first. Allocates.
    pub fn new(len: usize) -> Self {
        let last = Delay::new(len, UNIT);
        Self {
            sum: last.len() as u64 * u64::from(UNIT),
            last,
        }
    }

    /// Over how many gains.
    pub fn len(&self) -> usize {
        self.last.len()
    }

    pub fn reset(&mut self) {
        self.last.reset(UNIT);
        self.sum = self.last.len() as u64 * u64::from(UNIT);
    }

    pub fn copy_from(&mut self, other: &Self) {
        self.last.copy_from(&other.last);
        self.sum = other.sum;
    }

    /// Takes a gain in; returns the mean, which is exactly one for ones.
    pub fn push(&mut self, gain: u32) -> f64 {
        self.sum = self.sum + u64::from(gain) - u64::from(self.last.push(gain));
        self.sum as f64 / (self.last.len() as f64 * f64::from(UNIT))
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "exact is the promise")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_running_minimum_is_the_smallest_of_the_last(len in 1_usize..20, values in prop::collection::vec(0..UNIT, 1..200)) {
            let mut lowest = RunningMinimum::new(len);
            for end in 1..=values.len() {
                let last = &values[end.saturating_sub(len)..end];
                prop_assert_eq!(Some(lowest.push(values[end - 1])), last.iter().copied().min());
            }
        }

        #[test]
        fn the_running_mean_is_that_of_the_last_to_the_last_bit(len in 1_usize..20, values in prop::collection::vec(0..=UNIT, 20..200)) {
            let mut mean = RunningMean::new(len);
            for end in 1..=values.len() {
                let told = mean.push(values[end - 1]);
                if end >= len {
                    let sum: u64 = values[end - len..end].iter().copied().map(u64::from).sum();
                    prop_assert_eq!(told, sum as f64 / (len as f64 * f64::from(UNIT)));
                }
            }
        }
    }

    #[test]
    fn the_running_minimum_survives_the_end_of_its_clock() {
        let mut lowest = RunningMinimum::new(3);
        lowest.time = u32::MAX - 4;
        let told: Vec<u32> = [5, 1, 7, 8, 9, 6, 4, 8, 8, 8]
            .map(|x| lowest.push(x))
            .to_vec();
        assert_eq!(told, [5, 1, 1, 1, 7, 6, 4, 4, 4, 8]);
    }

    #[test]
    fn a_mean_of_ones_is_one_whatever_its_length() {
        for len in 1..2000 {
            assert_eq!(RunningMean::new(len).push(UNIT), 1.0);
        }
    }
}
