//! How many of the highest tops of a wave are flat, as clipping leaves them, and saturation that
//! reaches a ceiling.
//!
//! A limiter that looks ahead turns a whole wave down and leaves its shape; what bends a wave flattens
//! its tops. Near its top a smooth wave falls as `1 − (t/τ)²`, whatever its pitch and level, so that
//! of the time it spends within 1 dB of the top it is within 0.1 dB for
//! `√((1 − 10^(−0.1/20)) / (1 − 10^(−1/20)))` = 0.32 of it, and less where faster waves ride on a
//! slower one. With one overtone a wave can have a top that falls as the fourth power, or dips within
//! 0.1 dB: up to 0.68. A top that stays longer than [`FLAT`] is taken for a bent one (ours: what is
//! known of finding clipping looks at histograms of samples, which a limiter's gain smears). A sine is
//! found bent from 0.8 dB of clipping on.
//!
//! Limits. Few flat tops do not mean that nothing was bent. A soft curve without a ceiling leaves none
//! until it is driven some 10 dB. What comes after rounds them again: a low cut or an all-pass near the
//! wave's own frequency, a decibel of equaliser, widening, lossy coding. Of drums and of bright noise
//! hardly any last long enough. A limiter that acts at once, without looking ahead, does bend.

use super::readings::ChannelRole;
use crate::dsp::decibel::db_from_gain;
use crate::dsp::fault::{LARGEST_SAMPLE, or_silence};

/// A top is flat where this share of the time within 1 dB of it is spent within 0.1 dB.
const FLAT: f64 = 0.7;
/// `10^(−0.1/20)` and `10^(−1/20)`.
const NEAR: f64 = 0.988_553_094_656_939;
const AROUND: f64 = 0.891_250_938_133_745_6;
/// Tops that are over sooner, as those of tones above 1.8 kHz, have no shape to be seen in samples:
/// four of them, and as long as four at 48 kHz.
const LEAST_FRAMES: f64 = 4.0;
const LEAST_S: f64 = LEAST_FRAMES / 48_000.0;
/// Half-waves that last longer than those of 10 Hz are an offset or a fault.
const LONGEST_S: f64 = 0.05;
/// Below, 0.1 dB are less than six steps of 16 bits, dBFS.
const LEAST_DBFS: f64 = -36.0;
/// Tops are filed by level in classes, up to +14 dBFS and the last one above it.
const CLASSES_PER_DB: usize = 8;
const CLASSES: usize = 50 * CLASSES_PER_DB;
/// The highest tops are those within 3 dB of the level that one a second passes: a single click
/// above all others does not say what belongs to them.
const HIGHEST: usize = 3 * CLASSES_PER_DB;
/// Bending leaves what lies lower as it was. Square waves and many frequency-modulated sounds have flat
/// tops at every level: where of those in the next 6 dB more than half as many are flat, it is the
/// sounds' own shape, and says nothing.
const LOWER: usize = 6 * CLASSES_PER_DB;
const OWN_SHAPE: f64 = 0.5;
/// A side of a channel that is 6 dB below the highest one has no part in them.
const ASIDE: usize = 6 * CLASSES_PER_DB;
/// Fewer are no share: one or two of them would be worth telling.
const LEAST_TOPS: u64 = 200;

/// Share of the highest tops that are flat, over all channels but those of low-frequency effects,
/// positive and negative halves each with the level of their own.
///
/// Neither gain nor polarity, sample rate or a limiter that looks ahead changes it by much. The result
/// does not depend on how the signal is cut into blocks.
#[derive(Clone, Debug)]
pub struct FlatTops {
    sample_rate_hz: f64,
    frames: u64,
    channels: Vec<Channel>,
}

#[derive(Clone, Debug)]
struct Channel {
    counted: bool,
    /// `None` before the first.
    last: Option<f32>,
    /// The half-wave at hand, turned up if it is a negative one: the sample before it, which is not
    /// above zero, and its own. Empty where its beginning is not known or it lasts too long.
    wave: Vec<f32>,
    longest: usize,
    positive: Levels,
    negative: Levels,
}

/// Tops by their level.
type Levels = Box<[Tops; CLASSES]>;

/// How many there were, how many of them had a shape, and how many were flat.
#[derive(Clone, Copy, Debug, Default)]
struct Tops {
    all: u64,
    shaped: u64,
    flat: u64,
}

impl Tops {
    fn add(&mut self, other: &Self) {
        self.all += other.all;
        self.shaped += other.shaped;
        self.flat += other.flat;
    }

    fn flat_share(&self) -> Option<f64> {
        (self.shaped >= LEAST_TOPS).then(|| self.flat as f64 / self.shaped as f64)
    }
}

impl FlatTops {
    /// For channels of these roles. Allocates.
    pub fn new(sample_rate_hz: f64, roles: &[ChannelRole]) -> Self {
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let longest = (LONGEST_S * sample_rate_hz) as usize;
        let channel = |role: &ChannelRole| Channel {
            counted: *role != ChannelRole::Lfe,
            last: None,
            wave: Vec::with_capacity(longest + 2),
            longest,
            positive: Box::new([Tops::default(); CLASSES]),
            negative: Box::new([Tops::default(); CLASSES]),
        };
        Self {
            sample_rate_hz,
            frames: 0,
            channels: roles.iter().map(channel).collect(),
        }
    }

    /// Forgets what was measured, of a signal that goes on.
    pub fn restart(&mut self) {
        self.frames = 0;
        for channel in &mut self.channels {
            channel.last = None;
            channel.wave.clear();
            channel.positive.fill(Tops::default());
            channel.negative.fill(Tops::default());
        }
    }

    /// Takes one slice a channel, all of one length. Samples that are not finite are measured as
    /// silence.
    pub fn process(&mut self, channels: &[&[f32]]) {
        let frames = channels.iter().map(|channel| channel.len()).min();
        self.frames += frames.unwrap_or(0) as u64;
        let least = LEAST_FRAMES.max(LEAST_S * self.sample_rate_hz);
        let counted = self.channels.iter_mut().zip(channels);
        for (channel, samples) in counted.filter(|(channel, _)| channel.counted) {
            for sample in *samples {
                channel.take(or_silence(*sample, LARGEST_SAMPLE), least);
            }
        }
    }

    /// Flat ones among the highest tops, %. `None` where there are fewer than 200 that have a shape,
    /// where they reach below −36 or above +14 dBFS, and where lower ones are flat as well.
    pub fn percent(&self) -> Option<f64> {
        #[expect(clippy::cast_sign_loss, reason = "a quotient of positive numbers")]
        let one_a_second = (self.frames as f64 / self.sample_rate_hz) as u64;
        let sides = self.channels.iter();
        let sides = sides.flat_map(|channel| [&channel.positive, &channel.negative]);
        // Of each side, the class that one top a second passes.
        let passed = sides.filter_map(|levels| {
            let mut above = 0;
            let class = levels.iter().rposition(|tops| {
                above += tops.all;
                above > one_a_second
            });
            Some((levels, class?))
        });
        let highest = passed.clone().map(|(_, class)| class).max()?;
        (HIGHEST..CLASSES - 1).contains(&highest).then_some(())?;
        let (mut high, mut low) = (Tops::default(), Tops::default());
        for (levels, class) in passed.filter(|(_, class)| class + ASIDE >= highest) {
            let from = class.saturating_sub(HIGHEST);
            for tops in &levels[from..] {
                high.add(tops);
            }
            for tops in &levels[from.saturating_sub(LOWER)..from] {
                low.add(tops);
            }
        }
        let share = high.flat_share()?;
        let own_shape = low.flat_share().is_some_and(|low| low > OWN_SHAPE * share);
        (share == 0.0 || !own_shape).then_some(100.0 * share)
    }
}

impl Channel {
    /// `least`: frames that a top takes at least to have a shape.
    fn take(&mut self, sample: f32, least: f64) {
        if self.last.is_some_and(|last| last * sample > 0.0) {
            if self.wave.len() > self.longest {
                self.wave.clear();
            } else if !self.wave.is_empty() {
                self.wave.push(sample.abs());
            }
        } else {
            if !self.wave.is_empty() {
                self.wave.push(-sample.abs());
                self.close(least);
                self.wave.clear();
            }
            if let Some(last) = self.last.filter(|_| sample != 0.0) {
                self.wave.extend([-last.abs(), sample.abs()]);
            }
        }
        self.last = Some(sample);
    }

    /// Files the top of a half-wave that is over.
    fn close(&mut self, least: f64) {
        let tops = self.wave.iter().enumerate();
        let Some((index, top)) = tops.max_by(|a, b| a.1.total_cmp(b.1)) else {
            return;
        };
        let top = f64::from(*top);
        let above_db = db_from_gain(top).map(|db| db - LEAST_DBFS);
        let Some(above_db) = above_db.filter(|db| *db >= 0.0) else {
            return;
        };
        let levels = if self.last > Some(0.0) {
            &mut self.positive
        } else {
            &mut self.negative
        };
        #[expect(clippy::cast_sign_loss, reason = "filtered just there")]
        let class = (above_db * CLASSES_PER_DB as f64) as usize;
        let Some(tops) = levels.get_mut(class.min(CLASSES - 1)) else {
            return;
        };
        tops.all += 1;
        let (before, after) = self.wave.split_at(index);
        let within = |level: f64| {
            let (rise, fall) = (before.iter().rev(), after.iter().skip(1));
            until(level * top, top, rise) + until(level * top, top, fall)
        };
        let around = within(AROUND);
        if around >= least {
            tops.shaped += 1;
            tops.flat += u64::from(within(NEAR) > FLAT * around);
        }
    }
}

/// Frames from a top to where the samples that follow it fall through a level, on a straight line
/// between two of them.
fn until<'a>(level: f64, top: f64, samples: impl Iterator<Item = &'a f32>) -> f64 {
    let (mut frames, mut last) = (0.0, top);
    for sample in samples.map(|sample| f64::from(*sample)) {
        if sample <= level {
            return frames + (last - level) / (last - sample);
        }
        frames += 1.0;
        last = sample;
    }
    frames
}

#[cfg(test)]
#[expect(clippy::cast_sign_loss, reason = "rates and phases are positive")]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    const RATES_HZ: [f64; 4] = [44_100.0, 48_000.0, 96_000.0, 192_000.0];

    /// Four seconds of a wave of so many Hz, given by its phase.
    fn wave(rate_hz: f64, hz: f64, of: impl Fn(f64) -> f64) -> Vec<f32> {
        (0..4 * rate_hz as u32)
            .map(|n| of(2.0 * PI * hz * f64::from(n) / rate_hz) as f32)
            .collect()
    }

    fn percent(rate_hz: f64, channels: &[&[f32]]) -> Option<f64> {
        let mut tops = FlatTops::new(rate_hz, &vec![ChannelRole::Front; channels.len()]);
        tops.process(channels);
        tops.percent()
    }

    /// A fundamental and one overtone, however strong, make no top as flat as what is told.
    #[test]
    fn smooth_waves_have_no_flat_tops() {
        for rate_hz in RATES_HZ {
            for hz in [60.0, 440.0, 1_500.0] {
                let sine = wave(rate_hz, hz, |phase| 0.5 * phase.sin());
                assert_eq!(percent(rate_hz, &[&sine]), Some(0.0), "{rate_hz} {hz}");
            }
        }
        for overtone in [2.0, 3.0] {
            for hundredths in 0..40 {
                let share = 0.01 * f64::from(hundredths);
                let both = wave(48_000.0, 111.0, |phase| {
                    0.5 * (phase.cos() - share * (overtone * phase).cos())
                });
                let told = percent(48_000.0, &[&both]);
                assert_eq!(told, Some(0.0), "{share} of harmonic {overtone}");
            }
        }
    }

    /// A sine clipped to `k` of its height stays above `a·k` for `acos(a·k)/π` of its half-wave: the
    /// share within 0.1 dB of that within 1 dB is 0.68 for 0.6 dB of clipping and 0.74 for 0.9.
    #[test]
    fn a_sine_is_bent_from_eight_tenths_of_a_decibel_of_clipping_on() {
        for (clipped_db, expected) in [(0.6, 0.0), (0.9, 100.0), (3.0, 100.0), (20.0, 100.0)] {
            let least = 10.0_f64.powf(-clipped_db / 20.0);
            let stays = |level: f64| (level * least).acos();
            assert_eq!(stays(NEAR) / stays(AROUND) > FLAT, expected > 0.0);
            for rate_hz in RATES_HZ {
                let clipped = wave(rate_hz, 220.0, |phase| {
                    0.9 * phase.sin().clamp(-least, least)
                });
                assert_eq!(
                    percent(rate_hz, &[&clipped]),
                    Some(expected),
                    "{clipped_db}"
                );
            }
        }
    }

    /// Every fourth half-wave bent, by construction; gain, polarity, an offset of 1 % and a click
    /// change nothing.
    #[test]
    fn the_share_is_that_of_the_half_waves_whatever_their_level() {
        let bent = wave(48_000.0, 220.0, |phase| {
            let least = if ((phase / PI) as u32).is_multiple_of(4) {
                0.8
            } else {
                1.0
            };
            phase.sin().clamp(-least, least) / least
        });
        for (gain, offset) in [
            (0.5, 0.0),
            (-0.5, 0.0),
            (0.03, 0.0),
            (2.0, 0.0),
            (0.5, 0.005),
        ] {
            let mut signal: Vec<f32> = bent.iter().map(|sample| gain * sample + offset).collect();
            signal[20_000] = 4.0 * gain;
            let found = percent(48_000.0, &[&signal]).unwrap();
            assert!((found - 25.0).abs() < 0.5, "{gain} {offset}: {found}");
        }
    }

    #[test]
    fn what_has_no_shape_is_not_told() {
        let silence = vec![0.0; 48_000];
        assert_eq!(percent(48_000.0, &[&silence]), None);
        let clipped = |gain: f64, hz: f64, offset: f64| {
            let of = |phase: f64| gain * (offset + phase.sin().clamp(-0.5, 0.5));
            percent(48_000.0, &[&wave(48_000.0, hz, of)])
        };
        assert_eq!(clipped(1.0, 220.0, 0.0), Some(100.0));
        // Too low, too high, too fast and too slow.
        assert_eq!(clipped(0.04, 220.0, 0.0), None);
        assert_eq!(clipped(20.0, 220.0, 0.0), None);
        assert_eq!(clipped(1.0, 15_000.0, 0.0), None);
        assert_eq!(clipped(1.0, 220.0, 2.0), None);
        let mut too_few = FlatTops::new(48_000.0, &[ChannelRole::Front]);
        let square = wave(48_000.0, 220.0, |phase| phase.sin().signum());
        too_few.process(&[&square[..20_000]]);
        assert_eq!(too_few.percent(), None);
        too_few.process(&[&square[20_000..]]);
        assert_eq!(too_few.percent(), Some(100.0));
    }

    /// By construction: square waves that die away by 17 dB are flat at every level, of sines that do
    /// and are clipped at −3.1 dB only those that lost 0.8 dB and more: 2.3 dB of the 6.1 down to 3 dB
    /// below the clipping.
    #[test]
    fn sounds_that_are_flat_at_every_level_have_not_been_bent_at_one() {
        let notes = |of: fn(f64) -> f64| {
            wave(48_000.0, 220.0, |phase| {
                let into_note = phase / (2.0 * PI) % 220.0;
                (-into_note / 110.0).exp() * of(phase)
            })
        };
        let square = notes(|phase| phase.sin().signum());
        assert_eq!(percent(48_000.0, &[&square]), None);
        let sine = notes(f64::sin);
        assert_eq!(percent(48_000.0, &[&sine]), Some(0.0));
        let clipped: Vec<f32> = sine.iter().map(|x| x.clamp(-0.7, 0.7)).collect();
        let told = percent(48_000.0, &[&clipped]).unwrap();
        assert!((30.0..45.0).contains(&told), "{told}");
    }

    /// By definition: neither low-frequency effects nor a channel far below count.
    #[test]
    fn what_is_not_among_the_highest_does_not_count() {
        let sine = wave(48_000.0, 220.0, f64::sin);
        let square = wave(48_000.0, 220.0, |phase| 0.4 * phase.sin().signum());
        assert_eq!(percent(48_000.0, &[&sine, &square]), Some(0.0));
        let louder: Vec<f32> = square.iter().map(|sample| 2.0 * sample).collect();
        let both = percent(48_000.0, &[&sine, &louder]).unwrap();
        assert!((both - 50.0).abs() < 0.5, "{both}");
        let mut tops = FlatTops::new(48_000.0, &[ChannelRole::Front, ChannelRole::Lfe]);
        tops.process(&[&sine, &louder]);
        assert_eq!(tops.percent(), Some(0.0));
    }

    #[test]
    fn blocks_change_nothing_and_a_restart_forgets() {
        let signal = wave(48_000.0, 223.0, |phase| {
            (phase.sin() + 0.4 * (7.3 * phase).sin()).clamp(-0.9, 0.9)
        });
        let expected = percent(48_000.0, &[&signal]);
        assert!(expected > Some(5.0), "{expected:?}");
        let mut tops = FlatTops::new(48_000.0, &[ChannelRole::Front]);
        tops.process(&[&wave(48_000.0, 100.0, |phase| 2.0 * phase.sin().signum())]);
        tops.restart();
        for block in signal.chunks(37) {
            tops.process(&[block]);
        }
        assert_eq!(tops.percent(), expected);
    }
}
