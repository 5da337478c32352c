//! Seeded chance, so that what was found once is found again.

/// `SplitMix64` (Steele, Lea, Flood, "Fast splittable pseudorandom number generators", 2014).
#[derive(Clone, Debug)]
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Any number of 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// Evenly spread over 0…1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Evenly spread over a range.
    pub fn within(&mut self, range: std::ops::Range<f64>) -> f64 {
        range.start + self.unit() * (range.end - range.start)
    }

    /// One of `count`, which must not be 0.
    pub fn below(&mut self, count: usize) -> usize {
        (self.bits() % count as u64) as usize
    }

    /// True once in `times`.
    pub fn once_in(&mut self, times: usize) -> bool {
        self.below(times) == 0
    }

    /// One of these.
    pub fn one_of<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.below(of.len())]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first outputs for seed 0, as the reference implementation prints them (Vigna,
    /// splitmix64.c, prng.di.unimi.it; from memory).
    #[test]
    fn it_is_the_published_generator() {
        let mut chance = Chance::new(0);
        assert_eq!(chance.bits(), 0xe220_a839_7b1d_cdaf);
        assert_eq!(chance.bits(), 0x6e78_9e6a_a1b9_65f4);
    }
}
