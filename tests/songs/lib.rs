//! Two songs made of nothing but numbers, to look at and to listen to before there is a mix at
//! hand.
//!
//! *Rink Lights* is an open mix with room to push; *Turnstile* is what is left when all the room is
//! used. Both are played and mixed at one rate from fixed seeds and only then brought to the rate
//! asked for, so that every rate carries the same music.

mod bass;
mod clavinet;
mod drums;
mod filter;
mod groove;
mod horns;
mod loudening;
mod mix;
mod random;
mod resample;
mod rink;
mod room;
mod score_rink;
mod score_turnstile;
mod string;
mod synth;
mod tables;
mod turnstile;

use mix::Stereo;
use std::sync::LazyLock;

/// The rate at which the songs are played and mixed.
const MIXED_HZ: u32 = 48_000;
const RATE_HZ: f32 = MIXED_HZ as f32;

/// A synthesised stereo song.
#[derive(Clone, Debug, PartialEq)]
pub struct Song {
    /// What it is called.
    pub title: &'static str,
    /// Frames a second.
    pub sample_rate_hz: u32,
    /// Left and right, of the same length, full scale at ±1.
    pub channels: [Vec<f32>; 2],
    /// The parts in the order they are played; the first starts at 0.
    pub sections: Vec<Section>,
}

/// One part of a song; it lasts until the next one starts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// What the part is.
    pub name: &'static str,
    /// Where it starts, in seconds.
    pub start_s: f64,
}

/// A funk band of four that holds its place at a roller rink: drums, bass, clavinet and horns, 75
/// s, an open mix. Rates outside 8…384 kHz are held to that range.
#[must_use]
pub fn rink_lights(sample_rate_hz: u32) -> Song {
    static MIX: LazyLock<Mix> = LazyLock::new(|| Mix::new("Rink Lights", rink::perform()));
    MIX.at(sample_rate_hz)
}

/// A dense, bright, distorted club track of 60 s, mastered as hot as such releases are (common
/// practice), with 33 s in one piece at its loudest. Rates outside 8…384 kHz are held to that
/// range.
#[must_use]
pub fn turnstile(sample_rate_hz: u32) -> Song {
    static MIX: LazyLock<Mix> = LazyLock::new(|| Mix::new("Turnstile", turnstile::perform()));
    MIX.at(sample_rate_hz)
}

/// A song once it has been played. That takes a second, and a test program asks dozens of times.
struct Mix {
    mix: Stereo,
    as_mixed: Song,
}

impl Mix {
    fn new(title: &'static str, (mix, sections): (Stereo, Vec<Section>)) -> Self {
        let as_mixed = Song {
            title,
            sample_rate_hz: MIXED_HZ,
            channels: held_below_the_ceiling(mix.channels.clone()),
            sections,
        };
        Self { mix, as_mixed }
    }

    fn at(&self, sample_rate_hz: u32) -> Song {
        let sample_rate_hz = sample_rate_hz.clamp(8_000, 384_000);
        if sample_rate_hz == MIXED_HZ {
            return self.as_mixed.clone();
        }
        let resampled = |channel: &Vec<f32>| resample::resample(channel, sample_rate_hz);
        Song {
            sample_rate_hz,
            channels: held_below_the_ceiling(self.mix.channels.each_ref().map(resampled)),
            sections: self.as_mixed.sections.clone(),
            ..self.as_mixed
        }
    }
}

/// A lower rate loses the top of a clipped wave, and what is left of it stands taller.
fn held_below_the_ceiling(mut channels: [Vec<f32>; 2]) -> [Vec<f32>; 2] {
    loudening::hold_below(&mut channels, turnstile::CEILING);
    channels
}

/// Seconds in frames at the mixing rate; before the start counts as the start.
fn frames(seconds: f64) -> usize {
    floored(seconds * f64::from(RATE_HZ) + 0.5)
}

/// The whole part of a number, 0 if it is negative.
fn floored(number: f64) -> usize {
    (number.max(0.0) as i64).unsigned_abs() as usize
}

/// The next whole number, 0 if it is negative.
fn ceiled(number: f64) -> usize {
    floored(number.ceil())
}

#[cfg(test)]
mod tests {
    use super::*;

    static RINK_LIGHTS: LazyLock<Song> = LazyLock::new(|| rink_lights(48_000));
    static TURNSTILE: LazyLock<Song> = LazyLock::new(|| turnstile(48_000));

    fn peak(samples: &[f32]) -> f32 {
        samples
            .iter()
            .fold(0.0, |peak, sample| peak.max(sample.abs()))
    }

    fn stands_as_promised(song: &Song, length_s: std::ops::Range<f64>) {
        let rate_hz = f64::from(song.sample_rate_hz);
        let [left, right] = &song.channels;
        assert_eq!(left.len(), right.len());
        assert!(length_s.contains(&(left.len() as f64 / rate_hz)));
        for channel in &song.channels {
            assert!(channel.iter().all(|sample| sample.is_finite()));
            let sum: f64 = channel.iter().copied().map(f64::from).sum();
            // Clipped lopsided waves keep a little of it, far below hearing.
            assert!((sum / channel.len() as f64).abs() < 2e-3, "standing offset");
            assert!((0.3..1.0).contains(&peak(channel)));
            let bar = floored(2.3 * rate_hz);
            assert!(peak(&channel[..bar]) > 0.05, "starts within a bar");
            let end = channel.len() - floored(0.45 * rate_hz);
            assert!(peak(&channel[end..]) < 1e-3, "ends in silence");
        }
        assert!(song.sections[0].start_s.abs() < 1e-9);
        assert!(
            song.sections
                .is_sorted_by(|one, next| one.start_s < next.start_s)
        );
        assert!(
            song.sections
                .iter()
                .all(|section| section.start_s * rate_hz < left.len() as f64)
        );
    }

    #[test]
    fn rink_lights_stands_as_promised() {
        stands_as_promised(&RINK_LIGHTS, 74.0..76.0);
    }

    #[test]
    fn turnstile_stands_as_promised() {
        stands_as_promised(&TURNSTILE, 60.0..62.0);
    }

    #[test]
    fn a_song_is_the_same_every_time() {
        let again = Mix::new("Rink Lights", rink::perform());
        assert!(*RINK_LIGHTS == again.at(48_000));
        let again = Mix::new("Turnstile", turnstile::perform());
        assert!(*TURNSTILE == again.at(48_000));
    }

    #[test]
    fn other_rates_carry_the_same_music() {
        // Energy is what a change of rate leaves alone, but for the top that the lower rate cannot
        // hold.
        let level_db = |song: &Song| {
            let sum: f64 = song.channels[0]
                .iter()
                .map(|sample| f64::from(*sample).powi(2))
                .sum();
            10.0 * (sum / song.channels[0].len() as f64).log10()
        };
        let change_db = level_db(&rink_lights(32_000)) - level_db(&RINK_LIGHTS);
        assert!(change_db.abs() < 0.2, "{change_db} dB");
    }
}
