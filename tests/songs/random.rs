//! The only source of chance in the songs: a seeded generator, so every render is the same.

/// `SplitMix64` (Steele, Lea, Flood, "Fast splittable pseudorandom number generators", 2014).
pub(super) struct Random(u64);

impl Random {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// Evenly spread over 0…1.
    pub(super) fn unit(&mut self) -> f32 {
        (self.next() >> 40) as f32 / (1_u64 << 24) as f32
    }

    /// White noise: evenly spread over −1…1.
    pub(super) fn noise(&mut self) -> f32 {
        self.unit() * 2.0 - 1.0
    }

    /// Bell-shaped about 0, standard deviation 1, never beyond ±3: how people miss a beat.
    pub(super) fn human(&mut self) -> f32 {
        self.noise() + self.noise() + self.noise()
    }
}
