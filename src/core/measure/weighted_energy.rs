//! K-weighted energy alone, for whoever needs the loudness of a moment and nothing else.

use super::k_weighting::{Energies, KFilter};
use super::lufs::lufs;

/// Sums up the K-weighted energy of one or two front channels.
#[derive(Clone, Debug)]
pub struct WeightedEnergy {
    filter: KFilter,
    sums: Energies,
}

impl WeightedEnergy {
    /// From silence. Allocates nothing.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            filter: KFilter::new(sample_rate_hz),
            sums: Energies::default(),
        }
    }

    /// Forgets the signal.
    ///
    /// # Realtime
    /// Yes.
    pub fn reset(&mut self) {
        self.filter.reset();
        self.sums = Energies::default();
    }

    /// Adds finite samples of both channels, as many of either; of one channel alone the other is
    /// empty.
    ///
    /// # Realtime
    /// Yes.
    pub fn process(&mut self, left: &[f32], right: &[f32]) {
        const SILENCE: [f32; 64] = [0.0; 64];
        if right.is_empty() {
            for left in left.chunks(SILENCE.len()) {
                self.filter.accumulate(left, &SILENCE, &mut self.sums);
            }
        } else {
            self.filter.accumulate(left, right, &mut self.sums);
        }
    }

    /// The sum of squares since the last call, over frames and channels.
    ///
    /// # Realtime
    /// Yes.
    pub fn take(&mut self) -> f64 {
        self.filter.settle();
        let sums = std::mem::take(&mut self.sums);
        sums.weighted.reduce_add()
    }

    /// The loudness of such a sum over `frames`, LUFS (ITU-R BS.1770-5, Annex 1, without gates);
    /// `None` for silence.
    pub fn loudness_lufs(energy: f64, frames: f64) -> Option<f64> {
        lufs(energy / frames)
    }
}
