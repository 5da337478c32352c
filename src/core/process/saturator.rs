//! Bends the top few decibels of a signal, and nothing else.
//!
//! Below `ceiling − shoulder` the curve is the straight line `y = x`. Above, with `s` the amplitude
//! of the shoulder and `w` what is left to the ceiling, `y = s + w·φ((x − s)/w)` with
//!
//! `φ(u) = 2·(v − 7·v⁵ + 14·v⁶ − 10·v⁷ + 5/2·v⁸)`, `v = min(u/2, 1)`
//!
//! whose slope falls from 1 to 0 along `1 − 35v⁴ + 84v⁵ − 70v⁶ + 20v⁷`: four derivatives are
//! continuous at both ends, so harmonics die out fast and little is left to fold back. Only the
//! difference `curve(x) − x` is computed at the high rate, filtered and added to the delayed input.
//! Where nothing reaches the shoulder that difference is zero and the input passes bit for bit.

mod bend;

use std::f64::consts::PI;

use self::bend::Bend;
use super::limiter::LimiterSettings;
use crate::dsp::decibel::gain_from_db;
use crate::dsp::delay::DelayLine;
use crate::dsp::oversample::{CLEAN_CASCADE, Downsampler, Upsampler};
use crate::dsp::quad::{Level, dispatch};
use crate::dsp::quantum::{Lane, QUANTUM, Quanta, frames_of, remove_faults};
use crate::dsp::ramp::{Ramp, SWITCH_MS};
use crate::dsp::setting::{Setting, percent};

/// Corner of the mean that is taken of what a lean bends more, so that an uneven curve does not shift
/// the middle of the signal. Of all that is bent none is taken away: it would tilt the flat tops of
/// low notes over the ceiling (30 Hz, 12 dB over it: by 1.4 dB). Of uneven waves that leaves a mean
/// (of the demo songs −50 dBFS at most, pushed by up to 12 dB).
const DC_CORNER_HZ: f64 = 2.0;

/// Most that the mean learns from: a faulty sample must not leave an offset for seconds.
const LARGEST_LOSS: f64 = 16.0;

/// Largest share of the bending room that full lean takes from the positive half.
const FULL_LEAN: f64 = 0.3;

/// What is asked of the saturator. Values out of range are clamped, not-a-number to the lower end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SaturatorSettings {
    /// Whether the saturator is on.
    pub enabled: bool,
    /// How far below the ceiling bending begins, 0.5…12 dB (3).
    pub shoulder_db: f64,
    /// How much sooner positive than negative halves are bent, 0…100 % (0): adds even harmonics. At
    /// 100 % positive halves level off 30 % of the way below the ceiling to the shoulder.
    pub lean_percent: f64,
    /// Share of the bent signal in the output, 0…100 % (100).
    pub blend_percent: f64,
}

impl Default for SaturatorSettings {
    fn default() -> Self {
        Self {
            enabled: false,
            shoulder_db: Self::SHOULDER_DB.default,
            lean_percent: Self::LEAN_PERCENT.default,
            blend_percent: Self::BLEND_PERCENT.default,
        }
    }
}

/// The curve's own numbers: amplitudes, not decibels.
#[derive(Debug, Clone, Copy)]
struct Shape {
    shoulder: f64,
    room_above: f64,
    room_below: f64,
    blend: f64,
}

impl SaturatorSettings {
    /// How far below the ceiling bending begins, dB.
    pub const SHOULDER_DB: Setting = Setting::new(0.5, 12.0, 3.0);
    /// How much sooner positive than negative halves are bent, %.
    pub const LEAN_PERCENT: Setting = percent(0.0);
    /// Share of the bent signal, %.
    pub const BLEND_PERCENT: Setting = percent(100.0);

    fn shape(&self, ceiling_dbtp: f64) -> Shape {
        let ceiling = gain_from_db(LimiterSettings::CEILING_DBTP.held(ceiling_dbtp));
        let shoulder = ceiling * gain_from_db(-Self::SHOULDER_DB.held(self.shoulder_db));
        let lean = Self::LEAN_PERCENT.held(self.lean_percent) / 100.0;
        let room = ceiling - shoulder;
        Shape {
            shoulder,
            room_above: room * (1.0 - FULL_LEAN * lean),
            room_below: room,
            blend: Self::BLEND_PERCENT.held(self.blend_percent) / 100.0,
        }
    }
}

/// Output amplitude for the input amplitude `x` once the settings are at rest, blend included,
/// whether enabled or not; what is bent never passes `ceiling_dbtp`, −12…0 dB relative to full
/// scale.
///
/// This is the static curve alone: the offset that a lean would leave, and that is taken away, is not
/// part of it. Not-a-number gives 0.
pub fn curve(x: f64, settings: &SaturatorSettings, ceiling_dbtp: f64) -> f64 {
    if x.is_nan() {
        return 0.0;
    }
    let x = x.clamp(-1e30, 1e30);
    let shape = settings.shape(ceiling_dbtp);
    let over = x.abs() - shape.shoulder;
    if over <= 0.0 {
        return x;
    }
    let room = if x > 0.0 {
        shape.room_above
    } else {
        shape.room_below
    };
    let v = (over / (2.0 * room)).min(1.0);
    let bent =
        shape.shoulder + 2.0 * room * (v - v.powi(5) * (7.0 - v * (14.0 - v * (10.0 - 2.5 * v))));
    let bent = bent.copysign(x);
    bent * shape.blend + x * (1.0 - shape.blend)
}

/// Linear-phase oversampled saturator for one or two channels.
#[derive(Debug, Clone)]
pub struct Saturator {
    quanta: Quanta,
    core: Core,
}

/// What works on whole quanta.
#[derive(Debug, Clone)]
struct Core {
    channels: Vec<Channel>,
    dry: DelayLine,
    shoulder: Ramp,
    room_above: Ramp,
    room_below: Ramp,
    amount: Ramp,
    dc_coefficient: f64,
    latency: usize,
    /// Quanta until what is bent has come through all filters, once it is wanted again.
    filling: usize,
}

#[derive(Debug, Clone)]
struct Channel {
    level: Level,
    up: Upsampler,
    down: Downsampler,
    /// Mean of what a lean bends more.
    offset: f64,
}

impl Saturator {
    /// A saturator for `channels` (1 or 2) channels of blocks of any length. Allocates.
    ///
    /// Oversampling is by 8 below 64 kHz, by 4 below 128 kHz and by 2 from there on: from 32 to 256 kHz
    /// the curve runs at 256 to 512 kHz.
    pub fn new(sample_rate_hz: f64, channels: usize) -> Self {
        let stages = if sample_rate_hz < 64e3 {
            3
        } else if sample_rate_hz < 128e3 {
            2
        } else {
            1
        };
        let cascade = &CLEAN_CASCADE[..stages];
        let channel = Channel {
            level: Level::new(),
            up: Upsampler::new(cascade),
            down: Downsampler::new(sample_rate_hz, cascade),
            offset: 0.0,
        };
        let channels = channels.clamp(1, 2);
        let latency = channel.up.latency_frames() + channel.down.latency_frames();
        let ramp = Ramp::new(sample_rate_hz, SWITCH_MS);
        Self {
            quanta: Quanta::new(),
            core: Core {
                channels: vec![channel; channels],
                dry: DelayLine::new(latency, channels),
                shoulder: ramp,
                room_above: ramp,
                room_below: ramp,
                amount: ramp,
                dc_coefficient: 1.0 - (-2.0 * PI * DC_CORNER_HZ / sample_rate_hz).exp(),
                latency,
                filling: 0,
            },
        }
    }

    /// Frames between input and output, on or off: it depends on the sample rate alone.
    pub fn latency_frames(&self) -> usize {
        QUANTUM + self.core.latency
    }

    /// Back to the state after `new`; the next settings are taken without a glide. Real-time safe.
    pub fn reset(&mut self) {
        self.quanta.reset();
        self.core.reset();
    }

    /// As [`reset`](Self::reset), so many frames into a quantum. Real-time safe.
    pub fn reset_at(&mut self, filled: usize) {
        self.quanta.reset_at(filled);
        self.core.reset();
    }

    /// Processes planar channels in place. Real-time safe; samples that are not finite count as
    /// silence.
    ///
    /// Settings and the ceiling, −12…0 dB relative to full scale, glide to new values in 20 ms, from
    /// the next quantum of 32 frames on.
    pub fn process(
        &mut self,
        channels: &mut [&mut [f32]],
        settings: &SaturatorSettings,
        ceiling_dbtp: f64,
    ) {
        let core = &mut self.core;
        // Worked out where a quantum ends, which not every block reaches.
        let mut shape = None;
        self.quanta.process(channels, |frames| {
            let shape = *shape.get_or_insert_with(|| settings.shape(ceiling_dbtp));
            let amount = if settings.enabled { shape.blend } else { 0.0 };
            core.quantum(frames, &shape, amount);
        });
    }
}

impl Core {
    fn reset(&mut self) {
        for channel in &mut self.channels {
            channel.up.reset();
            channel.down.reset();
            channel.offset = 0.0;
        }
        self.dry.reset();
        self.filling = 0;
        for ramp in [
            &mut self.shoulder,
            &mut self.room_above,
            &mut self.room_below,
            &mut self.amount,
        ] {
            ramp.reset();
        }
    }

    fn quantum(&mut self, frames: &mut [Lane; 2], shape: &Shape, amount: f64) {
        self.shoulder.set_target(shape.shoulder);
        self.room_above.set_target(shape.room_above);
        self.room_below.set_target(shape.room_below);
        let off = amount == 0.0 && self.amount.is_settled() && self.amount.target() == 0.0;
        if off {
            self.filling = self
                .channels
                .first()
                .map_or(0, |channel| channel.down.memory());
        }
        // What begins in the midst of a signal would begin with a tick.
        if amount == 0.0 || self.filling == 0 {
            self.amount.set_target(amount);
        } else {
            self.filling -= 1;
        }
        let bend = Bend {
            shoulder: frames_of(&mut self.shoulder),
            room_above: frames_of(&mut self.room_above),
            room_below: frames_of(&mut self.room_below),
        };
        let amount = frames_of(&mut self.amount);
        let mut used = frames.split_at_mut(self.channels.len().min(2)).0.iter_mut();
        for (channel, lane) in self.channels.iter_mut().zip(&mut used) {
            remove_faults(lane);
            channel.up.push(lane);
        }
        let [first, second] = frames;
        self.dry
            .process(&mut [first.as_mut_slice(), second.as_mut_slice()]);
        for (channel, lane) in self.channels.iter_mut().zip(frames.iter_mut()) {
            if off {
                channel.down.reset();
                channel.offset = 0.0;
            } else if let Some(difference) = channel.difference(&bend, self.dc_coefficient) {
                for ((x, d), amount) in lane.iter_mut().zip(difference).zip(amount) {
                    *x += amount * d;
                }
            }
        }
    }
}

impl Channel {
    /// `curve(x) − x` back at the base rate, without the mean that a lean gives it; `None` where it is
    /// zero throughout.
    fn difference(&mut self, bend: &Bend, dc_coefficient: f64) -> Option<Lane> {
        let [first, .., last] = bend.shoulder;
        let reached = self.up.bound() > first.min(last);
        let mut uneven = [0.0; QUANTUM];
        let lane = if reached {
            self.up.render();
            let up = &self.up;
            Some(self.down.process(|phase, quantum| {
                let (x, sum) = (up.phase(phase), bend.leans().then_some(&mut uneven));
                dispatch!(self.level, simd => bend.difference(simd, x, quantum, sum));
            }))
        } else {
            self.down.process_silence()
        };
        if self.offset == 0.0 && uneven == [0.0; QUANTUM] {
            return lane;
        }
        let mut lane = lane.unwrap_or([0.0; QUANTUM]);
        let phases = self.up.factor() as f64;
        for (d, uneven) in lane.iter_mut().zip(uneven) {
            let loss = (f64::from(uneven) / phases).min(LARGEST_LOSS);
            self.offset += dc_coefficient * (loss - self.offset);
            *d = (f64::from(*d) + self.offset) as f32;
        }
        // Far below what an f32 sample next to full scale can tell: let the signal be bit-exact
        // again.
        if self.offset.abs() < 1e-10 {
            self.offset = 0.0;
        }
        Some(lane)
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "a straight line returns what it is given")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const CEILING_DBTP: f64 = -1.0;

    fn settings(shoulder_db: f64, lean_percent: f64) -> SaturatorSettings {
        SaturatorSettings {
            shoulder_db,
            lean_percent,
            ..SaturatorSettings::default()
        }
    }

    proptest! {
        #[test]
        fn the_curve_is_straight_below_the_shoulder_rises_and_never_passes_the_ceiling(
            ceiling_dbtp in -12.0..0.0,
            shoulder_db in 0.5..12.0,
            lean_percent in 0.0..100.0,
            x in -8.0..8.0,
            step in 0.0..0.5,
        ) {
            let settings = settings(shoulder_db, lean_percent);
            let y = curve(x, &settings, ceiling_dbtp);
            if x.abs() <= gain_from_db(ceiling_dbtp - shoulder_db) {
                prop_assert_eq!(x, y);
            }
            prop_assert!(y.abs() <= gain_from_db(ceiling_dbtp) * (1.0 + 1e-12));
            prop_assert!(y.abs() <= x.abs() + 1e-12);
            prop_assert!(curve(x + step, &settings, ceiling_dbtp) >= y - 1e-12);
        }

        /// The vectors of the audio path and the function that the editor draws are one curve.
        #[test]
        fn the_audio_path_bends_as_the_drawn_curve(shoulder_db in 0.5..12.0, lean_percent in 0.0..100.0, x in -3.0_f32..3.0) {
            let settings = settings(shoulder_db, lean_percent);
            let shape = settings.shape(CEILING_DBTP);
            let bend = Bend {
                shoulder: [shape.shoulder as f32; QUANTUM],
                room_above: [shape.room_above as f32; QUANTUM],
                room_below: [shape.room_below as f32; QUANTUM],
            };
            let expected = curve(f64::from(x), &settings, CEILING_DBTP) - f64::from(x);
            let mut told = Vec::new();
            for level in crate::dsp::quad::levels() {
                let mut difference = [0.0; QUANTUM];
                dispatch!(level, simd => bend.difference(simd, &[x; QUANTUM], &mut difference, None));
                prop_assert!((f64::from(difference[7]) - expected).abs() < 1e-6);
                told.push(difference.map(f32::to_bits));
            }
            // Whatever the machine's registers.
            prop_assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
        }
    }

    /// First and second differences at the junctions: a jump in slope or curvature would not shrink
    /// with the step.
    #[test]
    fn slope_and_curvature_are_continuous_at_both_ends_of_the_bend() {
        for (shoulder_db, lean_percent) in [(0.5, 0.0), (3.0, 0.0), (3.0, 100.0), (12.0, 50.0)] {
            let settings = settings(shoulder_db, lean_percent);
            let shape = settings.shape(CEILING_DBTP);
            for (sign, room) in [(1.0, shape.room_above), (-1.0, shape.room_below)] {
                for (x, slope) in [(shape.shoulder, 1.0), (shape.shoulder + 2.0 * room, 0.0)] {
                    let step = room * 1e-3;
                    let at =
                        |offset: f64| curve(sign * (x + offset), &settings, CEILING_DBTP) * sign;
                    for side in [-1.0, 1.0] {
                        let first = (at(side * step) - at(0.0)) / (side * step);
                        let second = (at(2.0 * side * step) - 2.0 * at(side * step) + at(0.0))
                            / (step * step);
                        assert!((first - slope).abs() < 1e-6, "{shoulder_db} {x}: {first}");
                        assert!((second * room).abs() < 1e-4, "{shoulder_db} {x}: {second}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_blend_of_nothing_is_the_straight_line() {
        let dry = SaturatorSettings {
            blend_percent: 0.0,
            ..SaturatorSettings::default()
        };
        assert_eq!(curve(3.0, &dry, CEILING_DBTP), 3.0);
        let half = SaturatorSettings {
            blend_percent: 50.0,
            ..dry
        };
        let halfway = f64::midpoint(3.0, gain_from_db(CEILING_DBTP));
        assert!((curve(3.0, &half, CEILING_DBTP) - halfway).abs() < 1e-12);
        assert_eq!(curve(f64::NAN, &half, CEILING_DBTP), 0.0);
        let bent = SaturatorSettings::default();
        let lowest = curve(f64::NEG_INFINITY, &bent, CEILING_DBTP);
        assert_eq!(lowest, -gain_from_db(CEILING_DBTP));
    }
}
