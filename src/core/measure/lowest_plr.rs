//! The lowest short-term PLR of what belongs to the programme.

use super::lufs::ABSOLUTE_GATE_LUFS;

/// Classes of 0.1 LU, from the absolute gate to +20 LUFS.
const CLASSES_PER_LU: f64 = 10.0;
const CLASSES: usize = 900;

/// Lowest short-term PLR by short-term loudness, so that the gate can move afterwards.
///
/// A tail, hiss or a hum between the songs may be far less peaky than anything in the programme.
/// Only 3 s that pass the relative gate of the programme's integrated loudness count (ITU-R
/// BS.1770-5, Annex 1: 10 LU below the mean of what passes the absolute gate); the choice is ours.
#[derive(Clone, Debug)]
pub(super) struct LowestPlr {
    lowest_db: Vec<f32>,
}

impl LowestPlr {
    /// Allocates.
    pub fn new() -> Self {
        Self {
            lowest_db: vec![f32::INFINITY; CLASSES],
        }
    }

    pub fn reset(&mut self) {
        self.lowest_db.fill(f32::INFINITY);
    }

    /// Takes a short-term loudness, LUFS, and the short-term PLR at the same moment, dB.
    pub fn push(&mut self, short_term_lufs: f64, plr_db: f64) {
        if let Some(lowest) = self.lowest_db.get_mut(class(short_term_lufs)) {
            *lowest = lowest.min(plr_db as f32);
        }
    }

    /// Lowest PLR above a gate, dB, to 0.1 LU of the gate; `None` if nothing passes.
    pub fn above_db(&self, gate_lufs: f64) -> Option<f64> {
        let passing = self.lowest_db.iter().skip(class(gate_lufs) + 1);
        // Not `f32::min`, which tests for NaN every time.
        let lowest =
            passing.copied().fold(
                f32::INFINITY,
                |lowest, plr_db| {
                    if plr_db < lowest { plr_db } else { lowest }
                },
            );
        lowest.is_finite().then(|| f64::from(lowest))
    }
}

fn class(loudness_lufs: f64) -> usize {
    let above_gate = (loudness_lufs - ABSOLUTE_GATE_LUFS).max(0.0);
    #[expect(clippy::cast_sign_loss, reason = "held at zero just above")]
    let class = (above_gate * CLASSES_PER_LU) as usize;
    class.min(CLASSES - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_gate_may_move_either_way_afterwards() {
        let mut lowest = LowestPlr::new();
        for (loudness, plr) in [(-40.0, 2.0), (-20.0, 9.0), (-30.0, 5.0), (-20.0, 11.0)] {
            lowest.push(loudness, plr);
        }
        let above = |gate| lowest.above_db(gate);
        assert_eq!(above(-35.0), Some(5.0));
        assert_eq!(above(-25.0), Some(9.0));
        assert_eq!(above(-45.0), Some(2.0));
        assert_eq!(above(-19.0), None);
    }
}
