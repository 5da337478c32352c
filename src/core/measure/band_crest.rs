//! Crest factor in four bands: which part of the spectrum is dense.

use wide::f64x2;

use super::readings::ChannelRole;
use crate::dsp::crossover::{Crossover, DEFAULT_CORNERS_HZ};
use crate::dsp::decibel::{db_from_gain, db_from_power};
use crate::dsp::fault::{LARGEST_SAMPLE, or_silence};

const BANDS: usize = 4;
/// A band whose RMS lies lower holds nothing but noise, dBFS: the last step of 16 bits (1/32768).
const LEAST_RMS_DBFS: f64 = -90.3;

/// Highest sample less RMS in each of the bands that a [`Crossover`] at its default corners makes,
/// low to high.
///
/// The sample peak is that of the loudest channel and the RMS the mean over the channels, as in
/// [`Readings::crest_factor_db`](super::Readings::crest_factor_db). Low-frequency effects are left
/// out.
#[derive(Clone, Debug)]
pub struct BandCrest {
    /// Two channels each, and how many channels count.
    pairs: Vec<Pair>,
    counted: usize,
    frames: u64,
}

#[derive(Clone, Debug)]
struct Pair {
    /// 1 for a channel that counts, 0 for one that does not.
    counted: [f64; 2],
    crossover: Crossover,
    peak: [f64x2; BANDS],
    energy: [f64x2; BANDS],
}

impl BandCrest {
    /// For channels of these roles. Allocates.
    pub fn new(sample_rate_hz: f64, roles: &[ChannelRole]) -> Self {
        let counts = |role: Option<&ChannelRole>| match role {
            Some(ChannelRole::Front | ChannelRole::Surround) => 1.0,
            Some(ChannelRole::Lfe) | None => 0.0,
        };
        let pairs = roles.chunks(2).map(|pair| {
            let mut crossover = Crossover::new(sample_rate_hz);
            crossover.reset(DEFAULT_CORNERS_HZ);
            Pair {
                counted: [counts(pair.first()), counts(pair.get(1))],
                crossover,
                peak: [f64x2::ZERO; BANDS],
                energy: [f64x2::ZERO; BANDS],
            }
        });
        let counted = roles.iter().filter(|role| counts(Some(role)) > 0.0);
        Self {
            counted: counted.count(),
            pairs: pairs.collect(),
            frames: 0,
        }
    }

    /// Forgets what was measured, of a signal that goes on.
    pub fn restart(&mut self) {
        self.frames = 0;
        for pair in &mut self.pairs {
            pair.peak = [f64x2::ZERO; BANDS];
            pair.energy = [f64x2::ZERO; BANDS];
        }
    }

    /// Takes one slice a channel, all of one length. Samples that are not finite are measured as
    /// silence.
    pub fn process(&mut self, channels: &[&[f32]]) {
        let frames = channels.iter().map(|channel| channel.len()).min();
        let frames = frames.unwrap_or(0);
        self.frames += frames as u64;
        for (pair, channels) in self.pairs.iter_mut().zip(channels.chunks(2)) {
            let sample = |channel: usize, frame: usize| {
                let sample = channels.get(channel).and_then(|channel| channel.get(frame));
                let sample = sample.copied().unwrap_or_default();
                f64::from(or_silence(sample, LARGEST_SAMPLE)) * pair.counted[channel]
            };
            for frame in 0..frames {
                let input = f64x2::new([sample(0, frame), sample(1, frame)]);
                let bands = pair.crossover.split(input);
                for ((band, peak), energy) in
                    bands.into_iter().zip(&mut pair.peak).zip(&mut pair.energy)
                {
                    *peak = peak.max(band.abs());
                    *energy += band * band;
                }
            }
        }
    }

    /// Crest factor in each band so far, dB. `None` where a band's RMS is below −90.3 dBFS.
    pub fn crest_db(&self) -> [Option<f64>; BANDS] {
        std::array::from_fn(|band| {
            let mut peak = 0.0_f64;
            let mut energy = 0.0;
            for pair in &self.pairs {
                peak = pair.peak[band].to_array().into_iter().fold(peak, f64::max);
                energy += pair.energy[band].reduce_add();
            }
            let mean = energy / (self.frames as f64 * self.counted.max(1) as f64);
            let rms_dbfs = db_from_power(mean).filter(|rms| *rms > LEAST_RMS_DBFS)?;
            Some(db_from_gain(peak)? - rms_dbfs)
        })
    }
}
