//! Four-band compressor: gentle control of each part of the spectrum before the mix is pushed.

mod gain;

use wide::{f32x4, f64x2};

use self::gain::{Ballistics, Curves, CurvesRamp, Envelopes, LOG2_PER_DB, exp2, levels};
use crate::dsp::biquad::{MAX_RUN, for_each_run};
use crate::dsp::crossover::{Crossover, DEFAULT_CORNERS_HZ};
use crate::dsp::ramp::Switch;
use crate::dsp::setting::Setting;

/// Frames between two looks for envelopes that have died away.
const SNAP_FRAMES: u32 = 64;
/// Levels of bands that have not been heard, and the least that is told, log₂ units.
const SILENT: f32x4 = f32x4::splat(-1_000.0);
const LEAST_LEVEL: f32 = -40.0;

/// Settings of one band of [`Bands`]. Values outside their range are held to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandSettings {
    /// Whether the band is compressed and made up; if not it passes at 0 dB.
    pub enabled: bool,
    /// If any band is soloed, only soloed bands are heard.
    pub solo: bool,
    /// Level above which the band is turned down, −60…0 dBFS (peak level of the louder channel).
    pub threshold_db: f64,
    /// Change of level in for each dB of level out above the threshold, 1…10.
    pub ratio: f64,
    /// Width of the bend around the threshold, 0…24 dB.
    pub knee_db: f64,
    /// Time constant of the fall of the gain, 0.1…200 ms: 63.2 % of the way.
    pub attack_ms: f64,
    /// Time constant of its recovery, 5…2000 ms: 63.2 % of the way.
    pub release_ms: f64,
    /// Gain after compression, −12…12 dB.
    pub makeup_db: f64,
}

impl Default for BandSettings {
    /// Threshold 0 dB, ratio 2, knee 6 dB, attack 20 ms, release 200 ms, no make-up.
    fn default() -> Self {
        Self {
            enabled: true,
            solo: false,
            threshold_db: Self::THRESHOLD_DB.default,
            ratio: Self::RATIO.default,
            knee_db: Self::KNEE_DB.default,
            attack_ms: Self::ATTACK_MS.default,
            release_ms: Self::RELEASE_MS.default,
            makeup_db: Self::MAKEUP_DB.default,
        }
    }
}

impl BandSettings {
    /// Level above which a band is turned down, dBFS.
    pub const THRESHOLD_DB: Setting = Setting::new(-60.0, 0.0, 0.0);
    /// Change of level in for each dB of level out above the threshold.
    pub const RATIO: Setting = Setting::new(1.0, 10.0, 2.0);
    /// Width of the bend around the threshold, dB.
    pub const KNEE_DB: Setting = Setting::new(0.0, 24.0, 6.0);
    /// Time constant of the fall of the gain, ms.
    pub const ATTACK_MS: Setting = Setting::new(0.1, 200.0, 20.0);
    /// Time constant of its recovery, ms.
    pub const RELEASE_MS: Setting = Setting::new(5.0, 2_000.0, 200.0);
    /// Gain after compression, dB.
    pub const MAKEUP_DB: Setting = Setting::new(-12.0, 12.0, 0.0);

    fn held(self) -> Self {
        Self {
            threshold_db: Self::THRESHOLD_DB.held(self.threshold_db),
            ratio: Self::RATIO.held(self.ratio),
            knee_db: Self::KNEE_DB.held(self.knee_db),
            attack_ms: Self::ATTACK_MS.held(self.attack_ms),
            release_ms: Self::RELEASE_MS.held(self.release_ms),
            makeup_db: Self::MAKEUP_DB.held(self.makeup_db),
            ..self
        }
    }

    /// Level out of the band for a steady level in, both in dBFS, with make-up and without the
    /// ballistics.
    ///
    /// Giannoulis, Massberg, Reiss, "Digital Dynamic Range Compressor Design", JAES 60(6) 2012, eq.
    /// 4.
    pub fn output_db(&self, input_db: f64) -> f64 {
        let s = self.held();
        if !s.enabled {
            return input_db;
        }
        let over_db = input_db - s.threshold_db;
        let reduced_db = if 2.0 * over_db < -s.knee_db {
            input_db
        } else if 2.0 * over_db.abs() <= s.knee_db && s.knee_db > 0.0 {
            let into_db = over_db + s.knee_db / 2.0;
            input_db + (1.0 / s.ratio - 1.0) * into_db * into_db / (2.0 * s.knee_db)
        } else {
            s.threshold_db + over_db / s.ratio
        };
        reduced_db + s.makeup_db
    }
}

/// Settings of [`Bands`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandsSettings {
    /// Off, the default, passes every sample bit for bit.
    pub on: bool,
    /// Corners between the bands in Hz, low to high; held to 20 Hz … 0.45 of the sample rate and to
    /// ascending order.
    pub crossovers_hz: [f64; 3],
    /// The bands, low to high.
    pub bands: [BandSettings; 4],
}

impl BandsSettings {
    /// Corners between the bands, Hz, low to high.
    pub const CROSSOVERS_HZ: [Setting; 3] = [
        Setting::new(40.0, 400.0, DEFAULT_CORNERS_HZ[0]),
        Setting::new(400.0, 3_000.0, DEFAULT_CORNERS_HZ[1]),
        Setting::new(3_000.0, 12_000.0, DEFAULT_CORNERS_HZ[2]),
    ];
}

impl Default for BandsSettings {
    /// Off, corners 120 Hz, 1 kHz and 6 kHz.
    fn default() -> Self {
        Self {
            on: false,
            crossovers_hz: DEFAULT_CORNERS_HZ,
            bands: [BandSettings::default(); 4],
        }
    }
}

/// The compressor. Both channels of a band share one gain, taken from the louder. No latency.
///
/// On and off are 20 ms apart; on, the idle sum of the bands is an all-pass. Every setting but the
/// times, which need none, is smoothed over 20 ms, the corners over 50 ms. Off and settled it costs
/// nothing.
#[derive(Clone, Debug)]
pub struct Bands {
    sample_rate_hz: f64,
    /// The settings that the state below is heading for.
    settings: [BandSettings; 4],
    switch: Switch,
    crossover: Crossover,
    curves: CurvesRamp,
    ballistics: Ballistics,
    envelopes: Envelopes,
    /// Scratch: the bands of a run, and how far each should be turned down.
    split: [[f64x2; 4]; MAX_RUN],
    wanted: [f32x4; MAX_RUN],
    unreduced: [f64x2; MAX_RUN],
    /// Frames until the envelopes are looked at.
    countdown: u32,
    /// Largest reduction in the last block, log₂ units.
    most: f32x4,
    /// Highest level in the last block, log₂ units.
    loudest: f32x4,
}

impl Bands {
    /// A compressor whose first settings are taken at once.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            sample_rate_hz,
            settings: [BandSettings::default(); 4],
            switch: Switch::new(sample_rate_hz),
            crossover: Crossover::new(sample_rate_hz),
            curves: CurvesRamp::new(sample_rate_hz),
            ballistics: Ballistics::default(),
            envelopes: Envelopes::default(),
            split: [[f64x2::ZERO; 4]; MAX_RUN],
            wanted: [f32x4::ZERO; MAX_RUN],
            unreduced: [f64x2::ZERO; MAX_RUN],
            countdown: SNAP_FRAMES,
            most: f32x4::ZERO,
            loudest: SILENT,
        }
    }

    /// Forgets the signal; the next settings are taken at once.
    pub fn reset(&mut self) {
        self.switch.reset();
        self.most = f32x4::ZERO;
        self.loudest = SILENT;
    }

    /// Gain of each band in dB, without make-up, at its lowest in the last block; 0 when off.
    pub fn gain_db(&self) -> [f32; 4] {
        self.most
            .to_array()
            .map(|most| 0.0 - most / LOG2_PER_DB as f32)
    }

    /// Level of each band before its gain, at its highest in the last block: dBFS of the louder
    /// channel, `None` while off or below −240 dBFS.
    pub fn level_db(&self) -> [Option<f32>; 4] {
        self.loudest
            .to_array()
            .map(|level| (level > LEAST_LEVEL).then_some(level / LOG2_PER_DB as f32))
    }

    /// Compresses one or two channels of equal length in place.
    pub fn process(&mut self, channels: &mut [&mut [f32]], settings: &BandsSettings) {
        self.most = f32x4::ZERO;
        self.loudest = SILENT;
        self.take(settings);
        if self.switch.is_off() {
            return;
        }
        for_each_run(channels, |frames| self.run::<false>(frames));
    }

    /// The same, and leaves in `unreduced` what would come out if no band were turned down: the
    /// bands with their make-up. Both hold one or two channels of equal length.
    pub fn process_beside(
        &mut self,
        channels: &mut [&mut [f32]],
        unreduced: &mut [&mut [f32]],
        settings: &BandsSettings,
    ) {
        for (unreduced, channel) in unreduced.iter_mut().zip(channels.iter()) {
            for (unreduced, sample) in unreduced.iter_mut().zip(&**channel) {
                *unreduced = *sample;
            }
        }
        self.most = f32x4::ZERO;
        self.loudest = SILENT;
        self.take(settings);
        if self.switch.is_off() {
            return;
        }
        let mut start = 0;
        for_each_run(channels, |frames| {
            self.run::<true>(frames);
            for (lane, channel) in unreduced.iter_mut().take(2).enumerate() {
                let samples = channel.iter_mut().skip(start).take(frames.len());
                for (sample, frame) in samples.zip(&self.unreduced) {
                    *sample = frame.to_array()[lane] as f32;
                }
            }
            start += frames.len();
        });
    }

    /// Compresses up to [`MAX_RUN`] frames; if asked to, also puts together what they would be if
    /// they were not turned down.
    fn run<const BESIDE: bool>(&mut self, frames: &mut [f64x2]) {
        if self.switch.is_on() && self.curves.share.is_settled() {
            self.steps::<BESIDE, false>(frames);
        } else {
            self.steps::<BESIDE, true>(frames);
        }
    }

    /// The same, of settings that are `MOVING` or not.
    ///
    /// One step after the other over all of them, not all steps frame by frame: the steps of one
    /// frame wait for each other, and a processor can only look so far ahead for work of the next.
    fn steps<const BESIDE: bool, const MOVING: bool>(&mut self, frames: &mut [f64x2]) {
        for (bands, frame) in self.split.iter_mut().zip(&*frames) {
            *bands = self.crossover.split(*frame);
        }
        let start = self.curves.share;
        let still = self.curves.value();
        let mut loudest = self.loudest;
        for ((wanted, bands), _) in self.wanted.iter_mut().zip(&self.split).zip(&*frames) {
            let levels = levels(bands);
            loudest = loudest.fast_max(levels);
            let curves = if MOVING { self.curves.advance() } else { still };
            *wanted = curves.reduction(levels);
        }
        self.loudest = loudest;
        self.curves.share = start;
        // In registers while the loop runs.
        let (mut envelopes, mut most) = (self.envelopes, self.most);
        let steps = self.wanted.iter().zip(&self.split).zip(&mut self.unreduced);
        for (((wanted, bands), unreduced), frame) in steps.zip(frames) {
            self.countdown -= 1;
            if self.countdown == 0 {
                self.countdown = SNAP_FRAMES;
                envelopes.snap_to_zero();
            }
            let reduction = envelopes.step(&self.ballistics, *wanted);
            most = most.fast_max(reduction);
            let (curves, share) = if MOVING {
                (self.curves.advance(), self.switch.advance())
            } else {
                (still, 1.0)
            };
            let Curves {
                makeup, audible, ..
            } = curves;
            let faded = |wet: f64x2| {
                if share >= 1.0 {
                    wet
                } else if share > 0.0 {
                    *frame + f64x2::splat(share) * (wet - *frame)
                } else {
                    *frame
                }
            };
            if BESIDE {
                *unreduced = faded(joined(bands, audible * exp2(makeup)));
            }
            *frame = faded(joined(bands, audible * exp2(makeup - reduction)));
        }
        (self.envelopes, self.most) = (envelopes, most);
    }

    /// Heads for `settings`: at once if nothing is being heard of the old ones, smoothly otherwise.
    fn take(&mut self, settings: &BandsSettings) {
        let was_off = self.switch.is_off();
        self.switch.set(settings.on);
        if self.switch.is_off() {
            return;
        }
        let bands = settings.bands.map(BandSettings::held);
        if was_off {
            self.crossover.reset(settings.crossovers_hz);
            self.envelopes = Envelopes::default();
            self.countdown = SNAP_FRAMES;
            self.curves.jump(Curves::new(&bands));
        } else {
            self.crossover.set_corners(settings.crossovers_hz);
            if bands != self.settings {
                self.curves.set_target(Curves::new(&bands));
            }
        }
        if was_off || bands != self.settings {
            self.ballistics = Ballistics::new(&bands, self.sample_rate_hz);
            self.settings = bands;
        }
    }
}

/// The bands put together again, each with its gain.
#[inline]
fn joined(bands: &[f64x2; 4], gains: f32x4) -> f64x2 {
    let [g0, g1, g2, g3] = gains.to_array().map(|g| f64x2::splat(f64::from(g)));
    (bands[0] * g0 + bands[1] * g1) + (bands[2] * g2 + bands[3] * g3)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Linkwitz-Riley of fourth order: the low-pass has the magnitude `1/(1 + (f/fc)⁴)`.
    #[test]
    fn the_level_of_a_band_is_that_of_the_louder_channel() {
        let mut bands = Bands::new(48_000.0);
        let settings = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        assert_eq!(bands.level_db(), [None; 4]);
        let tone: Vec<f32> = (0..48_000_u32)
            .map(|frame| {
                let phase = std::f64::consts::TAU * 50.0 / 48_000.0 * f64::from(frame);
                (0.5 * phase.sin()) as f32
            })
            .collect();
        let mut right = vec![0.0; 4_800];
        for block in tone.chunks(4_800) {
            let mut left = block.to_vec();
            right.fill(0.0);
            bands.process(&mut [&mut left, &mut right], &settings);
        }
        let through = 1.0 / (1.0 + (50.0_f64 / 120.0).powi(4));
        let expected = 20.0 * (0.5 * through).log10();
        let found = bands.level_db()[0].map(f64::from).unwrap();
        assert!((found - expected).abs() < 0.02, "{found} for {expected}");
        assert!(bands.level_db()[3].unwrap() < -80.0);
    }
}
