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

/// Time constant that rounds off the ends of a straight line, ms, and how close is close enough, log₂
/// units (0.000006 dB).
const ROUNDING_MS: f64 = 3.0;
const ARRIVED: f32 = 1e-6;

/// Frames between two looks for envelopes that have died away.
const SNAP_FRAMES: u32 = 64;

/// A knee narrower than this bends nothing, log₂ units.
const HARD_KNEE: f32 = 1e-6;

/// Static curves of the four bands, one lane each, log₂ units.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Curves {
    threshold: f32x4,
    knee: f32x4,
    /// `1/(2·knee)`; finite for a hard knee, where nothing lies within it to be bent.
    bend: f32x4,
    /// `1 − 1/ratio`.
    slope: f32x4,
    makeup: f32x4,
    /// 1 for a band that is enabled, else 0: it goes on following what it hears.
    heard: f32x4,
}

/// What is done to the bands of one frame.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct FrameGains {
    /// Make-up, and how far each band is turned down, log₂ units.
    pub makeup: f32x4,
    pub reduction: f32x4,
    /// Share of the reduction that is heard, once it has come through the ballistics.
    pub heard: f32x4,
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
            slope: lanes(|band| 1.0 - 1.0 / band.ratio),
            makeup: lanes(|band| {
                if band.enabled {
                    band.makeup_db * LOG2_PER_DB
                } else {
                    0.0
                }
            }),
            heard: lanes(|band| f64::from(u8::from(band.enabled))),
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
            heard: mix(self.heard, to.heard),
        }
    }

    /// What is to be done to bands at these levels, before the ballistics.
    #[inline]
    pub(super) fn wanted(&self, levels: f32x4) -> FrameGains {
        FrameGains {
            makeup: self.makeup,
            reduction: self.reduction(levels),
            heard: self.heard,
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

/// Curves on their way to others: a straight line, and for what no ballistics follow on (make-up,
/// and what is heard) a one-pole behind it, for its ends would be heard.
#[derive(Clone, Copy, Debug)]
pub(super) struct CurvesRamp {
    from: Curves,
    to: Curves,
    /// From 0 to 1.
    share: Ramp,
    /// How far make-up and what is heard are off the line, and what a frame leaves of that.
    behind: [f32x4; 2],
    keep: f32x4,
}

impl CurvesRamp {
    pub(super) fn new(sample_rate_hz: f64) -> Self {
        Self {
            from: Curves::default(),
            to: Curves::default(),
            share: Ramp::new(sample_rate_hz, SWITCH_MS),
            behind: [f32x4::ZERO; 2],
            keep: f32x4::splat((-1000.0 / (ROUNDING_MS * sample_rate_hz)).exp() as f32),
        }
    }

    pub(super) fn jump(&mut self, curves: Curves) {
        self.to = curves;
        self.share.jump(1.0);
        self.behind = [f32x4::ZERO; 2];
    }

    pub(super) fn set_target(&mut self, curves: Curves) {
        self.from = self.line();
        self.to = curves;
        self.share.jump(0.0);
        self.share.set_target(1.0);
    }

    /// Where they are going, and are while they rest.
    pub(super) fn target(&self) -> &Curves {
        &self.to
    }

    pub(super) fn is_settled(&self) -> bool {
        self.share.is_settled() && self.behind == [f32x4::ZERO; 2]
    }

    #[inline]
    fn line(&self) -> Curves {
        if self.share.is_settled() {
            self.to
        } else {
            self.from.mix(&self.to, self.share.value() as f32)
        }
    }

    /// What is to be done to the bands of the next frame, at these levels, before the ballistics.
    pub(super) fn advance(&mut self, levels: f32x4) -> FrameGains {
        let before = self.line();
        self.share.advance();
        let now = self.line();
        let [makeup, heard] = &mut self.behind;
        *makeup = self.keep * (*makeup + (before.makeup - now.makeup));
        *heard = self.keep * (*heard + (before.heard - now.heard));
        if self.share.is_settled() {
            let off = makeup.abs().fast_max(heard.abs()).to_array();
            if off.iter().all(|off| *off < ARRIVED) {
                self.behind = [f32x4::ZERO; 2];
            }
        }
        let mut gains = now.wanted(levels);
        gains.makeup += self.behind[0];
        gains.heard += self.behind[1];
        // Half-way between two curves lies one that may ask for what neither does.
        let either = self.from.reduction(levels);
        let either = either.fast_max(self.to.reduction(levels));
        gains.reduction = gains.reduction.fast_min(either);
        gains
    }
}

/// Shares of the way that an envelope goes in one frame, `1 − e^(−1/(τ·fs))`; bands 0, 1 and bands
/// 2, 3.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
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

/// Ballistics on their way to others, each time by the same ratio a frame: where a slow gain is still
/// far from what is wanted, a fast one would have it there in a frame or two, which clicks.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct BallisticsGlide {
    now: Ballistics,
    aim: Ballistics,
    /// What a frame multiplies the shares by, and frames that are left.
    ratio: Ballistics,
    left: u32,
}

impl BallisticsGlide {
    /// Is there at once.
    pub(super) fn jump(&mut self, aim: Ballistics) {
        (self.now, self.aim, self.left) = (aim, aim, 0);
    }

    /// Will be there in so many frames, at least one.
    pub(super) fn set_target(&mut self, aim: Ballistics, frames: u32) {
        if aim == self.aim {
            return;
        }
        let ratio = |from: [f64x2; 2], to: [f64x2; 2]| {
            std::array::from_fn(|pair| {
                let ratio = (to[pair] / from[pair]).to_array();
                f64x2::new(ratio.map(|ratio| ratio.powf(1.0 / f64::from(frames))))
            })
        };
        self.ratio = Ballistics {
            attack: ratio(self.now.attack, aim.attack),
            release: ratio(self.now.release, aim.release),
        };
        (self.aim, self.left) = (aim, frames);
    }

    /// [`Envelopes::follow`] by these.
    pub(super) fn follow(&mut self, envelopes: &mut Envelopes, frames: &mut [FrameGains]) {
        let moving = frames.len().min(self.left as usize);
        let (moving, still) = frames.split_at_mut(moving);
        for frame in moving {
            self.left -= 1;
            if self.left == 0 {
                self.now = self.aim;
            } else {
                let Ballistics { attack, release } = &mut self.now;
                for pair in 0..2 {
                    attack[pair] *= self.ratio.attack[pair];
                    release[pair] *= self.ratio.release[pair];
                }
            }
            envelopes.follow(std::slice::from_mut(frame), &self.now);
        }
        envelopes.follow(still, &self.now);
    }
}

/// Smooth decoupled peak detectors in the log domain (the paper's section 2.3, from memory): the
/// wanted reduction is held and released, then smoothed by the attack. `f64`, for in `f32` a
/// release of seconds would stop before it is over.
#[derive(Clone, Copy, Debug)]
pub(super) struct Envelopes {
    held: [f64x2; 2],
    smooth: [f64x2; 2],
    /// Frames until it is looked whether they have died away.
    until_snap: u32,
}

impl Envelopes {
    pub(super) const AT_REST: Self = Self {
        held: [f64x2::ZERO; 2],
        smooth: [f64x2::ZERO; 2],
        until_snap: SNAP_FRAMES,
    };

    /// Makes of the reduction that is wanted of each frame the one that is heard.
    pub(super) fn follow(&mut self, frames: &mut [FrameGains], ballistics: &Ballistics) {
        // In registers while the loop runs.
        let mut envelopes = *self;
        for gains in frames {
            envelopes.until_snap -= 1;
            if envelopes.until_snap == 0 {
                envelopes.until_snap = SNAP_FRAMES;
                envelopes.snap_to_zero();
            }
            gains.reduction = envelopes.step(ballistics, gains.reduction) * gains.heard;
        }
        *self = envelopes;
    }

    #[inline]
    fn step(&mut self, ballistics: &Ballistics, wanted: f32x4) -> f32x4 {
        let [a, b, c, d] = wanted.to_array().map(f64::from);
        let [low, high] = [f64x2::new([a, b]), f64x2::new([c, d])];
        self.held[0] = low.fast_max(self.held[0] + ballistics.release[0] * (low - self.held[0]));
        self.held[1] = high.fast_max(self.held[1] + ballistics.release[1] * (high - self.held[1]));
        self.smooth[0] += ballistics.attack[0] * (self.held[0] - self.smooth[0]);
        self.smooth[1] += ballistics.attack[1] * (self.held[1] - self.smooth[1]);
        let ([a, b], [c, d]) = (self.smooth[0].to_array(), self.smooth[1].to_array());
        f32x4::new([a as f32, b as f32, c as f32, d as f32])
    }

    fn snap_to_zero(&mut self) {
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
mod tests;
