//! How loud the signals are just now, which measuring anew does not forget: what is heard goes by it.

use super::CHUNK;
use crate::measure::lufs;

/// The window of momentary loudness (EBU Tech 3341), and what it moves by, s: as near as whole chunks
/// come to them.
const WINDOW_S: f64 = 0.4;
const SLOT_S: f64 = 0.01;

/// Loudness of output path, clean path and input over the last 400 ms (4 % more or less, by the
/// sample rate), or over as much as there has been.
#[derive(Debug)]
pub(super) struct Momentary {
    chunks_per_slot: u32,
    /// Weighted energies of the slot that is being filled, and its chunks.
    filling: [f64; 3],
    chunks: u32,
    /// Those of whole slots, a ring.
    slots: Box<[[f64; 3]]>,
    next: usize,
    filled: usize,
}

impl Momentary {
    /// Nothing has been heard. Allocates.
    pub fn new(sample_rate_hz: f64) -> Self {
        #[expect(clippy::cast_sign_loss, reason = "a ratio of lengths")]
        let chunks_per_slot = (SLOT_S * sample_rate_hz / CHUNK as f64).round().max(1.0) as u32;
        let slot_s = f64::from(chunks_per_slot) * CHUNK as f64 / sample_rate_hz;
        #[expect(clippy::cast_sign_loss, reason = "a ratio of lengths")]
        let slots = (WINDOW_S / slot_s).round().max(1.0) as usize;
        Self {
            chunks_per_slot,
            filling: [0.0; 3],
            chunks: 0,
            slots: vec![[0.0; 3]; slots].into(),
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
        let slots = self.slots.len();
        self.next = (self.next + 1) % slots;
        self.filled = (self.filled + 1).min(slots);
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

#[cfg(test)]
#[expect(clippy::cast_sign_loss, reason = "lengths are positive")]
mod tests {
    use super::*;

    /// Source: EBU Tech 3341, the window of momentary loudness. What has been silent for as long is
    /// silent; what has been for half of it is 3.01 LU quieter.
    #[test]
    fn the_window_is_that_of_momentary_loudness_at_every_rate() {
        for rate_hz in [
            8_000.0, 11_025.0, 22_050.0, 32_000.0, 37_800.0, 44_100.0, 48_000.0, 96_000.0,
            192_000.0, 384_000.0,
        ] {
            let mut momentary = Momentary::new(rate_hz);
            let mut push = |seconds: f64, energy: f64| {
                let mut lufs = None;
                for _ in 0..(seconds * rate_hz / CHUNK as f64).round() as u32 {
                    momentary.push([energy * CHUNK as f64; 3]);
                    lufs = momentary.lufs()[0];
                }
                lufs
            };
            let loud = push(2.0, 0.1).unwrap();
            let half = push(0.2, 0.0).unwrap();
            assert!((loud - half - 3.01).abs() < 0.5, "{rate_hz}: {loud} {half}");
            assert!(push(0.16, 0.0).is_some(), "{rate_hz}");
            assert_eq!(push(0.08, 0.0), None, "{rate_hz}");
        }
    }
}
