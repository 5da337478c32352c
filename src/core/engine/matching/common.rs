//! How much louder the paths are than the input once all of the last ten seconds was made with the
//! settings as they are: over the moments that count in the input.
//!
//! Each loudness by itself is gated 10 LU below its own mean. Push lifts the pauses of a song over
//! the gate of the path while they stay below the input's, and the difference of two such numbers
//! is not one of loudness: of phrases with pauses that lie 13 to 20 LU lower it was 1 to 5 LU too
//! small, and could say that 12 dB of push had made it quieter.

#![expect(clippy::cast_sign_loss, reason = "lengths")]

use super::{GATE, INPUT, PATHS, SILENCE, since::LONGEST_S};
use crate::dsp::decibel::db_from_power;

/// Blocks as those of ITU-R BS.1770-5: 400 ms, a new one every 100 ms.
const STEP_S: f64 = 0.1;
const STEPS_PER_BLOCK: usize = 4;
/// As many make up [`LONGEST_S`].
const STEPS: usize = (LONGEST_S / STEP_S) as usize;

/// The last ten seconds of sound since the last change, in steps.
#[derive(Debug)]
pub(super) struct Common {
    moments_per_step: usize,
    frames_per_moment: f64,
    /// Energies of output, clean path and input of the step that is being filled, and of how many
    /// moments.
    filling: [f64; 3],
    moments: usize,
    /// Those of whole steps, a ring.
    steps: Box<[[f64; 3]]>,
    next: usize,
    filled: usize,
}

impl Common {
    /// For moments of this length in s and in frames. Allocates.
    pub fn new(moment_s: f64, frames_per_moment: usize) -> Self {
        let moments_per_step = (STEP_S / moment_s).round().max(1.0) as usize;
        Self {
            moments_per_step,
            frames_per_moment: frames_per_moment as f64,
            filling: [0.0; 3],
            moments: 0,
            steps: vec![[0.0; 3]; STEPS].into(),
            next: 0,
            filled: 0,
        }
    }

    /// What comes is made with other settings.
    pub fn forget(&mut self) {
        (self.filling, self.moments) = ([0.0; 3], 0);
        (self.next, self.filled) = (0, 0);
    }

    /// A moment brought these energies, K-weighted; returns whether it was the last of a step.
    pub fn add(&mut self, energies: [f64; 3]) -> bool {
        for (sum, energy) in self.filling.iter_mut().zip(energies) {
            *sum += energy;
        }
        self.moments += 1;
        if self.moments < self.moments_per_step {
            return false;
        }
        if let Some(oldest) = self.steps.get_mut(self.next) {
            *oldest = self.filling;
        }
        self.next = (self.next + 1) % self.steps.len();
        self.filled = (self.filled + 1).min(self.steps.len());
        (self.filling, self.moments) = ([0.0; 3], 0);
        true
    }

    /// Loudness of output and clean path over that of the input, LU; `None` before ten seconds.
    pub fn over_input_lu(&self) -> Option<[f64; PATHS]> {
        if self.filled < self.steps.len() {
            return None;
        }
        // In the order in which they came: a block must not reach from the newest to the oldest.
        let (newer, older) = self.steps.split_at(self.next);
        let in_order = |index: usize| {
            let later = index.checked_sub(older.len());
            later.map_or(older.get(index), |later| newer.get(later))
        };
        let blocks = || {
            (0..=self.steps.len() - STEPS_PER_BLOCK).map(|first| {
                let steps = (first..first + STEPS_PER_BLOCK).filter_map(in_order);
                steps.fold([0.0; 3], |sums: [f64; 3], step| {
                    std::array::from_fn(|signal| sums[signal] + step[signal])
                })
            })
        };
        let frames = (STEPS_PER_BLOCK * self.moments_per_step) as f64 * self.frames_per_moment;
        let mean_of = |least: f64| {
            let counted = blocks().filter(|block| block[INPUT] >= least);
            let start = ([0.0; 3], 0_u32);
            let (sums, count) = counted.fold(start, |(sums, count), block| {
                (
                    std::array::from_fn(|signal| sums[signal] + block[signal]),
                    count + 1,
                )
            });
            sums.map(|sum: f64| sum / f64::from(count.max(1)))
        };
        let absolute = SILENCE * frames;
        let all = mean_of(absolute);
        let [output, clean, input] = mean_of((GATE * all[INPUT]).max(absolute));
        Some([
            db_from_power(output / input)?,
            db_from_power(clean / input)?,
        ])
    }
}
