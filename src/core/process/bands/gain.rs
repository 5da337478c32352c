//! From the levels of four bands to their gains: static curves and ballistics, one lane a band.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use std::f64::consts::LOG2_10;

use fearless_simd::prelude::*;
use fearless_simd::{f32x8, i32x8};
use wide::{bytemuck::cast, f32x4, f64x2, i32x4};

use super::BandSettings;
use crate::dsp::biquad::snap_to_zero;
use crate::dsp::crossover::{BandLanes, ShelfWeights};
use crate::dsp::quad::Quad;
use crate::dsp::ramp::{Ramp, SWITCH_MS};

/// Levels are kept as log₂ of the amplitude: one unit is 6.02 dB.
pub(super) const LOG2_PER_DB: f64 = LOG2_10 / 20.0;

/// A knee narrower than this bends nothing, log₂ units.
const HARD_KNEE: f32 = 1e-6;

/// Static curves of the four bands, one lane each, log₂ units.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Curves {
    threshold: f32x4,
    knee: f32x4,
    /// `1/(2·knee)`; finite for a hard knee, where nothing lies within it to be bent.
    bend: f32x4,
    /// `1 − 1/ratio`; 0 for a band that is not enabled.
    slope: f32x4,
    makeup: f32x4,
}

/// What is done to the bands of one frame.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct FrameGains {
    /// Make-up, and how far each band is turned down, log₂ units.
    pub makeup: f32x4,
    pub reduction: f32x4,
}

impl Curves {
    /// `bands` are within their ranges.
    pub(super) fn new(bands: &[BandSettings; 4]) -> Self {
        let lanes = |value: fn(&BandSettings) -> f64| {
            f32x4::new(bands.each_ref().map(|band| value(band) as f32))
        };
        let knee = lanes(|band| band.knee_db * LOG2_PER_DB);
        Self {
            threshold: lanes(|band| band.threshold_db * LOG2_PER_DB),
            knee,
            bend: bend(knee),
            slope: lanes(|band| {
                if band.enabled {
                    1.0 - 1.0 / band.ratio
                } else {
                    0.0
                }
            }),
            makeup: lanes(|band| {
                if band.enabled {
                    band.makeup_db * LOG2_PER_DB
                } else {
                    0.0
                }
            }),
        }
    }

    #[inline]
    fn mix(&self, to: &Self, share: f32) -> Self {
        let share = f32x4::splat(share);
        let mix = |from: f32x4, to: f32x4| from + share * (to - from);
        let knee = mix(self.knee, to.knee);
        Self {
            threshold: mix(self.threshold, to.threshold),
            knee,
            // Of the knee on its way: half-way between the bends of two knees lies none of any
            // knee.
            bend: bend(knee),
            slope: mix(self.slope, to.slope),
            makeup: mix(self.makeup, to.makeup),
        }
    }

    /// What is to be done to bands at these levels, before the ballistics.
    #[inline]
    pub(super) fn wanted(&self, levels: f32x4) -> FrameGains {
        FrameGains {
            makeup: self.makeup,
            reduction: self.reduction(levels),
        }
    }

    /// How far each band should be turned down at these levels: eq. 4 of the paper without its
    /// branches.
    #[inline]
    fn reduction(&self, levels: f32x4) -> f32x4 {
        let half = self.knee * 0.5;
        let over = levels - self.threshold;
        let into = (over + half).fast_max(f32x4::ZERO).fast_min(self.knee);
        self.slope * (into * into * self.bend + (over - half).fast_max(f32x4::ZERO))
    }
}

#[inline]
fn bend(knee: f32x4) -> f32x4 {
    f32x4::splat(0.5) / knee.fast_max(f32x4::splat(HARD_KNEE))
}

/// Curves on their way to others.
#[derive(Clone, Copy, Debug)]
pub(super) struct CurvesRamp {
    from: Curves,
    to: Curves,
    /// From 0 to 1.
    pub(super) share: Ramp,
}

impl CurvesRamp {
    pub(super) fn new(sample_rate_hz: f64) -> Self {
        Self {
            from: Curves::default(),
            to: Curves::default(),
            share: Ramp::new(sample_rate_hz, SWITCH_MS),
        }
    }

    pub(super) fn jump(&mut self, curves: Curves) {
        self.to = curves;
        self.share.jump(1.0);
    }

    pub(super) fn set_target(&mut self, curves: Curves) {
        self.from = self.value();
        self.to = curves;
        self.share.jump(0.0);
        self.share.set_target(1.0);
    }

    #[inline]
    pub(super) fn value(&self) -> Curves {
        if self.share.is_settled() {
            self.to
        } else {
            self.from.mix(&self.to, self.share.value() as f32)
        }
    }

    #[inline]
    pub(super) fn advance(&mut self) -> Curves {
        self.share.advance();
        self.value()
    }
}

/// Shares of the way that an envelope goes in one frame, `1 − e^(−1/(τ·fs))`; bands 0, 1 and bands
/// 2, 3.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Ballistics {
    attack: [f64x2; 2],
    release: [f64x2; 2],
}

impl Ballistics {
    pub(super) fn new(bands: &[BandSettings; 4], sample_rate_hz: f64) -> Self {
        let lanes = |ms: fn(&BandSettings) -> f64| {
            let [a, b, c, d] = bands
                .each_ref()
                .map(|band| -(-1000.0 / (ms(band) * sample_rate_hz)).exp_m1());
            [f64x2::new([a, b]), f64x2::new([c, d])]
        };
        Self {
            attack: lanes(|band| band.attack_ms),
            release: lanes(|band| band.release_ms),
        }
    }
}

/// Smooth decoupled peak detectors in the log domain (the paper's section 2.3, from memory): the
/// wanted reduction is held and released, then smoothed by the attack. `f64`, for in `f32` a
/// release of seconds would stop before it is over.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Envelopes {
    held: [f64x2; 2],
    smooth: [f64x2; 2],
}

impl Envelopes {
    #[inline]
    pub(super) fn step(&mut self, ballistics: &Ballistics, wanted: f32x4) -> f32x4 {
        let [a, b, c, d] = wanted.to_array().map(f64::from);
        let [low, high] = [f64x2::new([a, b]), f64x2::new([c, d])];
        self.held[0] = low.fast_max(self.held[0] + ballistics.release[0] * (low - self.held[0]));
        self.held[1] = high.fast_max(self.held[1] + ballistics.release[1] * (high - self.held[1]));
        self.smooth[0] += ballistics.attack[0] * (self.held[0] - self.smooth[0]);
        self.smooth[1] += ballistics.attack[1] * (self.held[1] - self.smooth[1]);
        let ([a, b], [c, d]) = (self.smooth[0].to_array(), self.smooth[1].to_array());
        f32x4::new([a as f32, b as f32, c as f32, d as f32])
    }

    pub(super) fn snap_to_zero(&mut self) {
        for (held, smooth) in self.held.iter_mut().zip(&mut self.smooth) {
            snap_to_zero(held, smooth);
        }
    }
}

/// Level of each band of a run: log₂ of the louder channel's magnitude.
#[inline(always)]
pub(super) fn levels<S: Simd>(simd: S, split: &[BandLanes], levels: &mut [f32x4]) {
    for (level, [even, odd]) in levels.iter_mut().zip(split) {
        let (even, odd) = (even.load(simd).abs(), odd.load(simd).abs());
        let louder = even.unzip_low(odd).max(even.unzip_high(odd));
        let [a, c, b, d] = Quad::of(louder).0.map(|level| level as f32);
        *level = log2(f32x4::new([a, b, c, d]));
    }
}

/// log₂ of positive lanes, within 1.1e-4 (0.0007 dB); for 0 some finite value below −120.
///
/// The mantissa is taken to √½…√2, where a polynomial fitted for the least largest error does the
/// rest.
#[inline(always)]
fn log2(x: f32x4) -> f32x4 {
    let root_half = i32x4::splat(0x3F35_04F3);
    let bits: i32x4 = cast(x);
    let above = bits - root_half;
    let exponent = f32x4::from_i32x4(above >> 23);
    let mantissa: f32x4 = cast((above & i32x4::splat(0x007F_FFFF)) + root_half);
    let z = mantissa - f32x4::ONE;
    exponent + z * (1.441_760_5 + z * (z * (0.517_512_5 - z * 0.329_631_47) - 0.724_904_4))
}

/// 2 to the power of each lane, within 0.0001 dB; exactly 1 for 0. Powers below −100 are taken as
/// −100.
#[inline(always)]
pub(super) fn exp2(x: f32x4) -> f32x4 {
    // Adding this leaves the nearest whole number in the lowest bits of the mantissa.
    let round = f32x4::splat(12_582_912.0);
    let x = x.fast_max(f32x4::splat(-100.0));
    let shifted = x + round;
    let part = x - (shifted - round);
    let power = f32x4::ONE
        + part
            * (0.693_124_2 + part * (0.240_240_99 + part * (0.055_906_454 + part * 0.009_582_865)));
    let (power, whole): (i32x4, i32x4) = (cast(power), cast(shifted));
    cast(power + (whole << 23))
}

/// What shelves do to frames of two signals of which each band has these gains, log₂ units.
#[inline(always)]
pub(super) fn weigh<S: Simd>(simd: S, gains: &[[f32x4; 2]], weights: &mut [[ShelfWeights; 2]]) {
    // The top band has none above it, and its gain is no root.
    let shares = f32x8::simd_from(simd, [0.25, 0.25, 0.25, 1.0, 0.25, 0.25, 0.25, 1.0]);
    for (weights, [first, second]) in weights.iter_mut().zip(gains) {
        let first = fearless_simd::f32x4::simd_from(simd, first.to_array());
        let gains = first.combine(fearless_simd::f32x4::simd_from(simd, second.to_array()));
        let above = simd.slide_within_blocks_f32x8::<1>(gains, simd.splat_f32x8(0.0));
        let [a, b, c, d, e, f, g, h]: [f32; 8] = exp2_on(simd, (gains - above) * shares).into();
        *weights = [[a, b, c, d], [e, f, g, h]].map(|of| of.map(f64::from));
    }
}

/// [`exp2`] of eight lanes.
#[inline(always)]
fn exp2_on<S: Simd>(simd: S, x: f32x8<S>) -> f32x8<S> {
    let round = simd.splat_f32x8(12_582_912.0);
    let x = x.max(simd.splat_f32x8(-100.0));
    let shifted = x + round;
    let part = x - (shifted - round);
    let power = simd.splat_f32x8(1.0)
        + part
            * (simd.splat_f32x8(0.693_124_2)
                + part
                    * (simd.splat_f32x8(0.240_240_99)
                        + part * (simd.splat_f32x8(0.055_906_454) + part * 0.009_582_865)));
    let whole: i32x8<S> = shifted.bitcast();
    (power.bitcast::<i32x8<S>>() + (whole << 23)).bitcast()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::quad::dispatch;
    use crate::dsp::ramp::frames_from_ms;

    const HARD: BandSettings = BandSettings {
        enabled: true,
        threshold_db: -20.0,
        ratio: 4.0,
        knee_db: 0.0,
        attack_ms: 10.0,
        release_ms: 100.0,
        makeup_db: 0.0,
    };

    #[test]
    fn logarithm_and_power_are_as_exact_as_they_say() {
        let (mut log_error, mut power_error) = (0.0_f64, 0.0_f64);
        for step in 0..40_000 {
            let octaves = -40.0 + f64::from(step) * 0.00123;
            let x = octaves.exp2() as f32;
            log_error = log_error
                .max((f64::from(log2(f32x4::splat(x)).to_array()[2]) - f64::from(x).log2()).abs());
            let octaves = octaves as f32;
            let power = f64::from(exp2(f32x4::splat(octaves)).to_array()[3]);
            power_error = power_error.max((power.log2() - f64::from(octaves)).abs());
        }
        for level in crate::dsp::quad::levels() {
            for step in -1200..1200_i16 {
                let octaves = f32::from(step) * 0.1;
                let expected = exp2(f32x4::splat(octaves)).to_array()[0].to_bits();
                let lanes: [f32; 8] =
                    dispatch!(level, simd => exp2_on(simd, simd.splat_f32x8(octaves)).into());
                assert_eq!(lanes.map(f32::to_bits), [expected; 8], "{octaves}");
            }
        }
        assert!(log_error < 1.1e-4, "{log_error}");
        assert!(power_error / LOG2_PER_DB < 1e-4, "{power_error}");
        assert_eq!(exp2(f32x4::ZERO), f32x4::ONE);
        for level in log2(f32x4::new([
            0.0,
            f32::MIN_POSITIVE,
            f32::MAX,
            f32::INFINITY,
        ]))
        .to_array()
        {
            assert!(level.abs() < 130.0);
        }
        assert!(exp2(f32x4::splat(-1e9)).to_array()[0] > 0.0);
    }

    /// Values of eq. 4 of Giannoulis, Massberg, Reiss, JAES 60(6) 2012, computed: threshold −20,
    /// ratio 4, knee 10; and of the other branch with a hard knee.
    #[test]
    fn reduction_follows_the_papers_static_curve() {
        let soft = BandSettings {
            knee_db: 10.0,
            ..HARD
        };
        let off = BandSettings {
            enabled: false,
            ..soft
        };
        let curves = Curves::new(&[soft, HARD, off, BandSettings { ratio: 1.0, ..soft }]);
        let table = [
            (-25.0, -25.0),
            (-23.0, -23.15),
            (-22.0, -22.3375),
            (-20.0, -20.9375),
            (-18.0, -19.8375),
            (-17.0, -19.4),
            (-15.0, -18.75),
            (0.0, -15.0),
        ];
        for (input_db, output_db) in table {
            let level = log2(f32x4::splat(10.0_f32.powf(input_db / 20.0)));
            let reduction = curves
                .reduction(level)
                .to_array()
                .map(|reduction| f64::from(reduction) / LOG2_PER_DB);
            assert!(
                (f64::from(input_db) - reduction[0] - output_db).abs() < 0.002,
                "{input_db}: {reduction:?}"
            );
            assert!((soft.output_db(f64::from(input_db)) - output_db).abs() < 1e-9);
            let hard = 0.75 * f64::max(f64::from(input_db) + 20.0, 0.0);
            assert!((reduction[1] - hard).abs() < 0.002);
            assert!(
                (f64::from(input_db) - hard - HARD.output_db(f64::from(input_db))).abs() < 1e-9
            );
            assert!(reduction[2] == 0.0 && reduction[3] == 0.0);
        }
    }

    /// A one-pole's time constant by definition: 1 − 1/e = 63.212 % of the way after τ.
    #[test]
    fn attack_and_release_go_63_2_percent_of_the_way_in_their_time() {
        for rate in [8000.0, 48_000.0, 384_000.0] {
            let band = |attack_ms, release_ms| BandSettings {
                attack_ms,
                release_ms,
                ..HARD
            };
            let bands = [
                band(10.0, 100.0),
                band(0.1, 5.0),
                band(200.0, 2000.0),
                band(1.0, 50.0),
            ];
            let ballistics = Ballistics::new(&bands, rate);
            let part = 1.0 - (-1.0_f64).exp();
            for (lane, settings) in bands.iter().enumerate() {
                let mut envelopes = Envelopes::default();
                let frames = settings.attack_ms * rate / 1000.0;
                let mut after = 0.0;
                for _ in 0..frames_from_ms(rate, settings.attack_ms) {
                    after =
                        f64::from(envelopes.step(&ballistics, f32x4::splat(2.0)).to_array()[lane]);
                }
                // Where the time is no whole number of frames, the closed form at the frame that
                // was reached.
                let expected = if frames.fract() == 0.0 {
                    part
                } else {
                    -(-frames.round() / frames).exp_m1()
                };
                assert!(
                    (after / 2.0 - expected).abs() < 1e-5,
                    "{rate} {settings:?}: {after}"
                );
                // Held at 2, the release alone: what is held falls by itself.
                let mut envelopes = Envelopes {
                    held: [f64x2::splat(2.0); 2],
                    smooth: [f64x2::splat(2.0); 2],
                };
                for _ in 0..frames_from_ms(rate, settings.release_ms) {
                    envelopes.step(&ballistics, f32x4::ZERO);
                }
                let held =
                    [envelopes.held[0].to_array(), envelopes.held[1].to_array()].concat()[lane];
                assert!(
                    (1.0 - held / 2.0 - part).abs() < 1e-5,
                    "{rate} {settings:?}: {held}"
                );
            }
        }
    }

    #[test]
    fn envelopes_die_away_to_exactly_zero() {
        let ballistics = Ballistics::new(
            &[BandSettings {
                release_ms: 5.0,
                ..HARD
            }; 4],
            48_000.0,
        );
        let mut envelopes = Envelopes::default();
        envelopes.step(&ballistics, f32x4::splat(3.0));
        for _ in 0..48_000 {
            envelopes.step(&ballistics, f32x4::ZERO);
            envelopes.snap_to_zero();
        }
        assert_eq!(envelopes.held, [f64x2::ZERO; 2]);
        assert_eq!(envelopes.smooth, [f64x2::ZERO; 2]);
    }
}
