//! Gated loudness (ITU-R BS.1770-5, Annex 1, equations 4 to 7), bounded for sessions of any length.

use super::histogram::Histogram;
use super::lufs::{audible, lufs};
use crate::dsp::decibel::power_from_db;

/// The relative gate lies this far below the loudness of the blocks that pass the absolute gate.
pub(crate) const RELATIVE_GATE_LU: f64 = -10.0;

/// Integrated loudness of everything pushed.
///
/// The first blocks are kept as they are. All blocks are also kept as counts and energy sums in
/// narrow bins, which take over when the list is full: from then on the blocks that share a bin
/// with the relative gate pass or fail together. With so many blocks that is worth less than 0.01
/// LU.
#[derive(Clone, Debug)]
pub(super) struct GatedLoudness {
    first: Vec<f64>,
    all: Histogram,
}

/// Bins of 0.002 LU: blocks that share one are too few to matter.
const BINS_PER_LU: u32 = 500;
/// Blocks in the exact list: 102 s.
const EXACT_BLOCKS: usize = 1_024;

impl GatedLoudness {
    /// Allocates.
    pub fn new() -> Self {
        Self {
            first: Vec::with_capacity(EXACT_BLOCKS),
            all: Histogram::new(-70, 20, BINS_PER_LU),
        }
    }

    pub fn reset(&mut self) {
        self.first.clear();
        self.all.reset();
    }

    /// Takes the weighted mean square of one 400 ms gating block.
    pub fn push(&mut self, mean_square: f64) {
        if let Some(block_lufs) = lufs(mean_square).filter(|_| audible(mean_square)) {
            let bin = self.all.bin_of(block_lufs);
            self.all.add(bin, mean_square);
            // Never beyond the capacity: pushing must not allocate.
            if self.first.len() < EXACT_BLOCKS {
                self.first.push(mean_square);
            }
        }
    }

    /// Relative gate, LUFS; `None` while nothing has passed the absolute gate.
    pub fn relative_gate_lufs(&self) -> Option<f64> {
        self.all
            .total()
            .mean()
            .and_then(lufs)
            .map(|loudness| loudness + RELATIVE_GATE_LU)
    }

    /// Integrated loudness, LUFS.
    pub fn loudness_lufs(&self) -> Option<f64> {
        if self.first.len() < EXACT_BLOCKS {
            return gated_lufs(&self.first);
        }
        let gate_lufs = self.relative_gate_lufs()?;
        let first = self.all.first_above(gate_lufs, |mean_square| {
            lufs(mean_square).is_some_and(|loudness| loudness > gate_lufs)
        });
        self.all.total_from(first).mean().and_then(lufs)
    }
}

/// Gated loudness of mean squares that have passed the absolute gate; zeros are taken as not having
/// passed it.
fn gated_lufs(blocks: &[f64]) -> Option<f64> {
    let mean_above = |gate: f64| {
        let passed = blocks.iter().filter(|&&block| block > gate);
        let (count, sum) =
            passed.fold((0_u32, 0.0), |(count, sum), block| (count + 1, sum + block));
        (count > 0).then(|| sum / f64::from(count))
    };
    mean_above(mean_above(0.0)? * power_from_db(RELATIVE_GATE_LU)).and_then(lufs)
}

/// Gated loudness of the last 10 s, from the exact list of its gating blocks.
#[derive(Clone, Debug)]
pub(super) struct RecentGatedLoudness {
    /// Mean squares of the last blocks; blocks below the absolute gate are zero.
    blocks: [f64; RECENT_BLOCKS],
    head: usize,
}

/// Gating blocks that start within 10 s.
const RECENT_BLOCKS: usize = 97;

impl RecentGatedLoudness {
    pub fn new() -> Self {
        Self {
            blocks: [0.0; RECENT_BLOCKS],
            head: 0,
        }
    }

    pub fn reset(&mut self) {
        *self = Self::new();
    }

    pub fn push(&mut self, mean_square: f64) {
        self.blocks[self.head] = if audible(mean_square) {
            mean_square
        } else {
            0.0
        };
        self.head = (self.head + 1) % RECENT_BLOCKS;
    }

    pub fn loudness_lufs(&self) -> Option<f64> {
        gated_lufs(&self.blocks)
    }
}

#[cfg(test)]
mod tests {
    use super::super::lufs::ABSOLUTE_GATE_LUFS;
    use super::*;
    use proptest::prelude::*;

    /// BS.1770-5, Annex 1, equations 4 to 7, on the plain list.
    fn exact(blocks: &[f64]) -> Option<f64> {
        let mean_above = |gate: f64| {
            let passed: Vec<f64> = blocks
                .iter()
                .copied()
                .filter(|&block| lufs(block).is_some_and(|l| l > gate && l > ABSOLUTE_GATE_LUFS))
                .collect();
            (!passed.is_empty()).then(|| passed.iter().sum::<f64>() / passed.len() as f64)
        };
        let gate = mean_above(ABSOLUTE_GATE_LUFS).and_then(lufs)? + RELATIVE_GATE_LU;
        mean_above(gate).and_then(lufs)
    }

    /// Levels of all kinds of spread, from a steady master to one that wanders over 95 LU; up to
    /// 400 s of them.
    #[test]
    fn bounded_gating_stays_within_0_01_lu_of_the_exact_list() {
        let mut state = 1_u64;
        let mut uniform = || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        let mut worst = 0.0_f64;
        for round in 0..400 {
            let (count, spread) = (50 + 10 * round, uniform());
            let mut bounded = GatedLoudness::new();
            let blocks: Vec<f64> = (0..count)
                .map(|_| power_from_db(-20.0 + (95.0 * uniform() - 70.0) * spread))
                .collect();
            for &block in &blocks {
                bounded.push(block);
            }
            let (ours, exact) = (bounded.loudness_lufs().unwrap(), exact(&blocks).unwrap());
            worst = worst.max((ours - exact).abs());
        }
        println!("bounded gating: worst deviation {worst:.5} of 0.01 LU");
        assert!(worst < 0.01, "{worst}");
    }

    proptest! {
        #[test]
        fn recent_gating_equals_the_exact_list(levels in prop::collection::vec(-90.0..5.0_f64, 1..97)) {
            let blocks: Vec<f64> = levels.iter().map(|&level| power_from_db(level)).collect();
            let mut recent = RecentGatedLoudness::new();
            for &block in &blocks {
                recent.push(block);
            }
            match (recent.loudness_lufs(), exact(&blocks)) {
                (Some(ours), Some(exact)) => prop_assert!((ours - exact).abs() < 1e-9),
                (ours, exact) => prop_assert_eq!(ours, exact),
            }
        }
    }

    #[test]
    fn recent_gating_forgets_what_is_older_than_10_s() {
        let mut recent = RecentGatedLoudness::new();
        recent.push(1.0);
        for _ in 0..RECENT_BLOCKS {
            recent.push(0.001);
        }
        assert!((recent.loudness_lufs().unwrap() - lufs(0.001).unwrap()).abs() < 1e-9);
    }

    #[test]
    fn silence_has_no_loudness() {
        let mut gated = GatedLoudness::new();
        for _ in 0..100 {
            gated.push(0.0);
            gated.push(power_from_db(-75.0));
        }
        assert_eq!(gated.loudness_lufs(), None);
        assert_eq!(gated.relative_gate_lufs(), None);
    }
}
