//! How loud the residue is, so that switching to it and away from it can be done gently.
//!
//! It only exists while it is listened to, and is weighted and measured then. The rest of the time
//! how much of the output no gain of the input explains bounds it.
//!
//! What is counted is decided at the ends of chunks, so that it does not depend on the host's
//! blocks.

use super::CHUNK;
use crate::dsp::decibel::db_from_power;
use crate::measure::WeightedEnergy;
use crate::process::Listen;

/// Time constant of what is measured, s: as long as a momentary loudness.
const MEMORY_S: f64 = 0.4;
/// Time for which it must have been heard before the measurement counts, s.
const KNOWN_S: f64 = 0.1;
/// By how much the weighting can lift the residue over the output it was taken from, or lower it:
/// its shelf has 4 dB, and its high-pass takes some of a bass that only one of them has.
const WEIGHTING_DB: f64 = 6.0;

/// Knows how loud the residue is.
#[derive(Debug)]
pub(super) struct ResidueLevel {
    sample_rate_hz: f64,
    /// Factor by which what was measured fades in each chunk.
    keep: f64,
    weighted: WeightedEnergy,
    /// Linear gain at which the residue was heard, and nothing else, at the end of the last chunk.
    alone: Option<f64>,
    /// Energy of what was heard at full level, and over how many frames, both fading.
    energy: f64,
    frames: f64,
}

impl ResidueLevel {
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            sample_rate_hz,
            keep: (-(CHUNK as f64) / (MEMORY_S * sample_rate_hz)).exp(),
            weighted: WeightedEnergy::new(sample_rate_hz),
            alone: None,
            energy: 0.0,
            frames: 0.0,
        }
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.alone = None;
        self.stop();
    }

    fn stop(&mut self) {
        self.weighted.reset();
        (self.energy, self.frames) = (0.0, 0.0);
    }

    /// Takes part of a chunk of what is heard.
    pub fn process(&mut self, heard: [&[f32]; 2]) {
        if self.alone.is_some() {
            self.weighted.process(heard[0], heard[1]);
        }
    }

    /// A chunk is over, and at its end the residue is heard alone at this gain.
    pub fn chunk_done(&mut self, alone: Option<f64>) {
        let before = std::mem::replace(&mut self.alone, alone);
        match (before, alone) {
            // It was heard all the time, at gains between the two.
            (Some(before), Some(gain)) => {
                self.energy = self.keep * self.energy + self.weighted.take() / (before * gain);
                self.frames = self.keep * self.frames + CHUNK as f64;
            }
            (Some(_), None) => self.stop(),
            (None, _) => {}
        }
    }

    /// Loudness of the residue at its full level, LUFS, beside an output of this loudness: what it
    /// is at least, and at most. `None` for silence.
    pub fn lufs(&self, output_lufs: Option<f64>, listen: &Listen) -> [Option<f64>; 2] {
        if self.frames >= KNOWN_S * self.sample_rate_hz {
            return [WeightedEnergy::loudness_lufs(self.energy, self.frames); 2];
        }
        let below_db = db_from_power(1.0 - listen.explained());
        [-WEIGHTING_DB, WEIGHTING_DB].map(|by_db| Some(output_lufs? + (below_db? + by_db).min(0.0)))
    }
}
