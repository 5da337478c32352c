//! How loud the residue is, so that switching to it and away from it can be done gently.
//!
//! It only exists while it is listened to, and is weighted and measured then. The rest of the time
//! three sums tell how much of the output no gain of the input explains, which bounds it.
//!
//! What is counted is decided at the ends of chunks, so that it does not depend on the host's
//! blocks.

use super::CHUNK;
use crate::dsp::decibel::db_from_power;
use crate::measure::WeightedEnergy;
use wide::f64x2;

/// Time constant of the sums, s: as long as a momentary loudness.
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
    /// Factor by which the sums fade in each chunk.
    keep: f64,
    /// Products over this chunk so far, a lane a channel: input by itself, input by output, output
    /// by itself.
    products: [f64x2; 3],
    sums: [f64; 3],
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
            products: [f64x2::ZERO; 3],
            sums: [0.0; 3],
            weighted: WeightedEnergy::new(sample_rate_hz),
            alone: None,
            energy: 0.0,
            frames: 0.0,
        }
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.products = [f64x2::ZERO; 3];
        self.sums = [0.0; 3];
        self.alone = None;
        self.stop();
    }

    fn stop(&mut self) {
        self.weighted.reset();
        (self.energy, self.frames) = (0.0, 0.0);
    }

    /// Takes part of a chunk: input and output in step, and what is heard.
    pub fn process(&mut self, input: [&[f32]; 2], output: [&[f32]; 2], heard: [&[f32]; 2]) {
        let [mut xx, mut xy, mut yy] = self.products;
        for (frame, (left, out)) in input[0].iter().zip(output[0]).enumerate() {
            let right = |of: &[f32]| f64::from(of.get(frame).copied().unwrap_or_default());
            let x = f64x2::new([f64::from(*left), right(input[1])]);
            let y = f64x2::new([f64::from(*out), right(output[1])]);
            xx += x * x;
            xy += x * y;
            yy += y * y;
        }
        self.products = [xx, xy, yy];
        if self.alone.is_some() {
            self.weighted.process(heard[0], heard[1]);
        }
    }

    /// A chunk is over, and at its end the residue is heard alone at this gain.
    pub fn chunk_done(&mut self, alone: Option<f64>) {
        for (sum, products) in self.sums.iter_mut().zip(std::mem::take(&mut self.products)) {
            *sum = self.keep * *sum + products.reduce_add();
        }
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
    pub fn lufs(&self, output_lufs: Option<f64>) -> [Option<f64>; 2] {
        if self.frames >= KNOWN_S * self.sample_rate_hz {
            return [WeightedEnergy::loudness_lufs(self.energy, self.frames); 2];
        }
        let [input, both, output] = self.sums;
        let explained = if input > 0.0 {
            both * both / (input * output)
        } else {
            0.0
        };
        let below_db = db_from_power(1.0 - explained);
        [-WEIGHTING_DB, WEIGHTING_DB].map(|by_db| Some(output_lufs? + (below_db? + by_db).min(0.0)))
    }
}
