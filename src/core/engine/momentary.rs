//! How loud the signals are just now, which measuring anew does not forget: what is heard goes by it.

use super::CHUNK;
use crate::measure::lufs;

/// Slots of this length make up the window of momentary loudness (EBU Tech 3341: 400 ms), s.
const SLOT_S: f64 = 0.01;
const SLOTS: usize = 40;

/// Loudness of output path, clean path and input over the last 400 ms, or over as much as there has
/// been.
#[derive(Debug)]
pub(super) struct Momentary {
    chunks_per_slot: u32,
    /// Weighted energies of the slot that is being filled, and its chunks.
    filling: [f64; 3],
    chunks: u32,
    /// Those of whole slots, a ring.
    slots: Box<[[f64; 3]; SLOTS]>,
    next: usize,
    filled: usize,
}

impl Momentary {
    /// Nothing has been heard. Allocates.
    pub fn new(sample_rate_hz: f64) -> Self {
        #[expect(clippy::cast_sign_loss, reason = "a ratio of lengths")]
        let chunks_per_slot = (SLOT_S * sample_rate_hz / CHUNK as f64).round().max(1.0) as u32;
        Self {
            chunks_per_slot,
            filling: [0.0; 3],
            chunks: 0,
            slots: Box::new([[0.0; 3]; SLOTS]),
            next: 0,
            filled: 0,
        }
    }

    /// A chunk has brought these energies, K-weighted and summed over the channels.
    pub fn push(&mut self, energies: [f64; 3]) {
        for (sum, energy) in self.filling.iter_mut().zip(energies) {
            *sum += energy;
        }
        self.chunks += 1;
        if self.chunks < self.chunks_per_slot {
            return;
        }
        if let Some(oldest) = self.slots.get_mut(self.next) {
            *oldest = self.filling;
        }
        self.next = (self.next + 1) % SLOTS;
        self.filled = (self.filled + 1).min(SLOTS);
        (self.filling, self.chunks) = ([0.0; 3], 0);
    }

    /// Loudness, LUFS; `None` for silence, and where nothing has been heard.
    pub fn lufs(&self) -> [Option<f64>; 3] {
        let chunks = self.filled as u32 * self.chunks_per_slot + self.chunks;
        let frames = f64::from(chunks) * CHUNK as f64;
        let whole = self.slots.iter().take(self.filled);
        let sums = whole.fold(self.filling, |sums, slot| {
            std::array::from_fn(|signal| sums[signal] + slot[signal])
        });
        sums.map(|sum| lufs(sum / frames))
    }
}
