//! Loudness over the parts of a song that count at any push.
//!
//! The relative gate of ITU-R BS.1770-5 goes by what is measured: pushed hard, a chorus no longer
//! grows while the verse still does, until the verse counts, too. The song is then *told* quieter
//! than before, though no part of it is. What a push brings is therefore asked of one set of gating
//! blocks: those that count in the input.

use super::Stretch;
use crate::dsp::decibel::{db_from_power, power_from_db};
use crate::engine::CHUNK;
use crate::measure::{ABSOLUTE_GATE_LUFS, ChannelRole, Meter, RELATIVE_GATE_LU};

/// Gating blocks begin 100 ms apart and are 400 ms long (ITU-R BS.1770-5).
const EVERY_S: f64 = 0.1;
const LENGTH_S: f64 = 0.4;

/// When gating blocks end.
#[derive(Debug)]
pub(super) struct Ends {
    next: f64,
    every: f64,
}

impl Ends {
    /// Counted from a frame on.
    pub fn new(sample_rate_hz: f64, from: usize) -> Self {
        Self {
            next: from as f64 + LENGTH_S * sample_rate_hz,
            every: EVERY_S * sample_rate_hz,
        }
    }

    /// Whether one has ended up to this frame. A chunk is shorter than what lies between two.
    pub fn take(&mut self, frame: usize) -> bool {
        let ends = frame as f64 >= self.next;
        if ends {
            self.next += self.every;
        }
        ends
    }
}

/// Which gating blocks of a stretch count in its own integrated loudness.
#[derive(Debug)]
pub(super) struct Counted(Vec<bool>);

impl Counted {
    /// Measures a stretch; `None` if `cancelled` became true.
    pub fn of(stretch: &Stretch, cancelled: &dyn Fn() -> bool) -> Option<Self> {
        let (rate_hz, channels) = (stretch.sample_rate_hz(), stretch.channels().min(2));
        let roles = &[ChannelRole::Front; 2][..channels];
        let mut meter = Meter::new(rate_hz, roles, CHUNK);
        let mut planes = [[0.0; CHUNK]; 2];
        let mut blocks = Vec::new();
        let mut ends = Ends::new(rate_hz, 0);
        for start in (0..stretch.frames()).step_by(CHUNK) {
            if cancelled() {
                return None;
            }
            let frames = CHUNK.min(stretch.frames() - start);
            let mut block = planes.each_mut().map(|plane| &mut plane[..frames]);
            stretch.copy(start, &mut block[..channels]);
            let block = block.each_ref().map(|plane| &**plane);
            meter.process(&block[..channels]);
            if ends.take(start + frames) {
                blocks.push(meter.readings().momentary_lufs);
            }
        }
        Some(Self::among(&blocks))
    }

    fn among(blocks_lufs: &[Option<f64>]) -> Self {
        let loud = |lufs: &f64| *lufs > ABSOLUTE_GATE_LUFS;
        let heard: Vec<f64> = blocks_lufs.iter().flatten().copied().filter(loud).collect();
        let sum: f64 = heard.iter().map(|lufs| power_from_db(*lufs)).sum();
        let mean_lufs = db_from_power(sum / heard.len() as f64).unwrap_or(f64::INFINITY);
        let gate_lufs = ABSOLUTE_GATE_LUFS.max(mean_lufs + RELATIVE_GATE_LU);
        let counts = |lufs: &Option<f64>| lufs.is_some_and(|lufs| lufs > gate_lufs);
        Self(blocks_lufs.iter().map(counts).collect())
    }
}

/// Loudness of the gating blocks of output and clean path, LUFS.
#[derive(Debug, Default)]
pub(super) struct Blocks(Vec<[Option<f64>; 2]>);

impl Blocks {
    /// Takes a block.
    pub fn push(&mut self, momentary_lufs: [Option<f64>; 2]) {
        self.0.push(momentary_lufs);
    }

    /// Loudness of output and clean path over the blocks that count, LUFS; `None` where there are
    /// none, or nothing sounds in them.
    pub fn loudness_lufs(&self, counted: &Counted) -> [Option<f64>; 2] {
        let pairs = self.0.iter().zip(&counted.0);
        let counted: Vec<_> = pairs.filter(|(_, counts)| **counts).collect();
        [0, 1].map(|path| {
            let lufs = counted.iter().filter_map(|(block, _)| block[path]);
            let sum: f64 = lufs.map(power_from_db).sum();
            db_from_power(sum / counted.len() as f64)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// BS.1770-5, Annex 1: the mean of those above −70 LUFS, less 10 LU, is the gate.
    #[test]
    fn a_verse_that_comes_up_does_not_make_a_song_quieter() {
        let input: Vec<f64> = (0..100)
            .map(|block| match block {
                0..80 => -36.0,
                80..95 => -12.0,
                _ => -80.0,
            })
            .collect();
        let known: Vec<Option<f64>> = input.iter().copied().map(Some).collect();
        let song = |push_db: f64| {
            let pushed = input.iter().map(|lufs| (lufs + push_db).min(-5.0));
            let blocks = Blocks(pushed.map(|lufs| [Some(lufs + 0.5), Some(lufs)]).collect());
            blocks.loudness_lufs(&Counted::among(&known))
        };
        for (push_db, expected) in [(0.0, -12.0), (6.0, -6.0), (12.0, -5.0), (24.0, -5.0)] {
            let [output, clean] = song(push_db).map(Option::unwrap);
            assert!((clean - expected).abs() < 1e-9, "{push_db}: {clean}");
            assert!(
                (output - expected - 0.5).abs() < 1e-9,
                "{push_db}: {output}"
            );
        }
        assert_eq!(
            Blocks::default().loudness_lufs(&Counted::among(&[])),
            [None; 2]
        );
    }
}
