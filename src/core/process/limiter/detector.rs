//! The gain that each true peak needs.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use fearless_simd::f32x8;
use fearless_simd::prelude::*;

use super::edge::{EDGE_LATENCY, Edge};
use super::gain::{GROUP, GROUPS};
use crate::dsp::oversample::{HalfBand, ROW_LEAD, Upsampler, largest};
use crate::dsp::quad::{Level, dispatch};
use crate::dsp::quantum::{Lane, QUANTUM};

/// Read with the bound of [`Detector`], sines up to 0.45 of the sample rate come out 0…0.06 dB
/// high, and none up to 0.495 low. The first stage is that long because there is sound up to half
/// the rate: noise in a programme mixed at this rate, and what a saturator leaves straight of it.
/// With 84 pairs dense mixes with noise up to half the rate passed the ceiling by 0.2 dB, with 180
/// by 0.06 dB, with 284, and 104 frames less to smooth the gain over, by 0.05 dB.
const CASCADE: [HalfBand; 3] = [
    HalfBand {
        pairs: 180,
        beta: 2.0,
    },
    HalfBand {
        pairs: 5,
        beta: 8.8,
    },
    HalfBand {
        pairs: 3,
        beta: 4.9,
    },
];

/// Frames between a frame's arrival and the verdict on it: whole groups, so that verdicts and gains
/// keep step.
pub const DETECTOR_LATENCY: usize = 184;

/// How much of the level next to half the rate is added to the peaks.
const EDGE_WEIGHT: f64 = 1.0;

/// Finds true peaks at eight times the sample rate, with a bound for what lies between.
///
/// At a sample `y` of a sine whose neighbours are `θ` away in phase, `|y| + |next − previous|/8`
/// lies between the crest of the arc around that sample and `√(1 + θ²/16)` times the crest of the
/// sine: at eight times the rate the crest is never under-read by more than 0.003 dB nor over-read
/// by more than 0.034 dB up to 0.45 of the sample rate.
#[derive(Debug, Clone)]
pub struct Detector {
    level: Level,
    up: Upsampler,
    edge: Edge,
}

impl Detector {
    /// A detector for one channel. Allocates.
    pub fn new() -> Self {
        Self::at(Level::new())
    }

    fn at(level: Level) -> Self {
        let up = Upsampler::at(level, &CASCADE);
        Self {
            level,
            up,
            edge: Edge::at(level),
        }
    }

    /// Forgets the input.
    pub fn reset(&mut self) {
        self.up.reset();
        self.edge.reset();
    }

    /// Takes the next quantum.
    pub fn push(&mut self, quantum: &Lane) {
        self.up.push(quantum);
        self.edge.push(quantum);
    }

    /// Gain (0…1) that holds each group of frames of the quantum [`DETECTOR_LATENCY`] ago under the
    /// ceiling of that group.
    ///
    /// A group answers for the peaks from its first frame up to the first of the next.
    pub fn needed_gain(&mut self, ceilings: &[f64; GROUPS]) -> [f64; GROUPS] {
        let lowest = ceilings.iter().copied().fold(f64::MAX, f64::min);
        // A share of the slope is added to the samples: 1 % covers it.
        let edge = EDGE_WEIGHT * self.edge.level();
        if f64::from(self.up.bound()) * 1.01 + edge <= lowest {
            return [1.0; GROUPS];
        }
        let peaks = self.peaks().map(|peak| f64::from(peak) + edge);
        std::array::from_fn(|group| {
            if peaks[group] > ceilings[group] {
                ceilings[group] / peaks[group]
            } else {
                1.0
            }
        })
    }

    fn peaks(&mut self) -> [f32; GROUPS] {
        self.up.render();
        dispatch!(self.level, simd => peaks(simd, &self.up))
    }
}

/// Eight frames of a phase from `lead` before those of a group.
#[inline(always)]
fn row<S: Simd>(simd: S, up: &Upsampler, phase: usize, lead: usize, group: usize) -> f32x8<S> {
    let at = ROW_LEAD + GROUP * group - 1 + lead;
    let row = up
        .row(phase)
        .get(at..)
        .and_then(|row| row.first_chunk())
        .unwrap_or(&[0.0; 8]);
    f32x8::simd_from(simd, *row)
}

#[inline(always)]
fn peaks<S: Simd>(simd: S, up: &Upsampler) -> [f32; GROUPS] {
    let mut peaks = [0.0; GROUPS];
    for (group, peak) in peaks.iter_mut().enumerate() {
        // The eighth before a frame may not have been computed (it belongs to the quantum before);
        // the quarter before was, and half of its distance, a little enlarged, stands in for the
        // slope.
        let (mut before, mut here) = (row(simd, up, 0, 1, group), row(simd, up, 1, 1, group));
        let slope = row(simd, up, 2, 1, group) - row(simd, up, 6, 0, group);
        let mut most = before.abs() + slope.abs() * (1.1 / 16.0);
        for phase in 1..8 {
            let next = if phase == 7 {
                row(simd, up, 0, 2, group)
            } else {
                row(simd, up, phase + 1, 1, group)
            };
            most = most.max(here.abs() + (next - before).abs() * 0.125);
            (before, here) = (here, next);
        }
        *peak = largest(&most.into());
    }
    peaks
}

const _: () = assert!(EDGE_LATENCY <= DETECTOR_LATENCY);
const _: () = assert!(DETECTOR_LATENCY.is_multiple_of(GROUP) && QUANTUM.is_multiple_of(GROUP));

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn the_latency_is_that_of_the_cascade() {
        let up = Upsampler::new(&CASCADE);
        assert_eq!(up.latency_frames(), DETECTOR_LATENCY);
    }

    #[test]
    fn every_level_needs_the_same_gain() {
        let mut told = Vec::new();
        for level in crate::dsp::quad::levels() {
            let mut detector = Detector::at(level);
            let mut gains = Vec::new();
            for quantum in 0..60_u32 {
                detector.push(&std::array::from_fn(|n| {
                    let n = quantum * QUANTUM as u32 + n as u32;
                    let noise = (n.wrapping_mul(2_654_435_761) >> 16) as f32 / 32_768.0 - 1.0;
                    noise * (quantum as f32 * 0.03)
                }));
                gains.extend(detector.needed_gain(&[0.5; GROUPS]).map(f64::to_bits));
            }
            assert!(gains.iter().any(|gain| *gain != 1.0_f64.to_bits()));
            told.push(gains);
        }
        assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
    }

    /// A sine of amplitude 1 peaks at 1 wherever its samples fall.
    #[test]
    fn a_sine_is_read_right_up_to_0_45_of_the_rate() {
        let (mut lowest, mut highest) = (f64::MAX, f64::MIN);
        for step in 1..=450 {
            let frequency = f64::from(step) / 1000.0 + 1e-5;
            let mut detector = Detector::new();
            let mut peak = 0.0_f64;
            for quantum in 0..180 {
                detector.push(&std::array::from_fn(|n| {
                    (2.0 * PI * frequency * (quantum * QUANTUM + n) as f64).sin() as f32
                }));
                if quantum > 2 * DETECTOR_LATENCY / QUANTUM + 2 {
                    peak = detector
                        .peaks()
                        .iter()
                        .fold(peak, |peak, x| peak.max(f64::from(*x)));
                }
            }
            lowest = lowest.min(20.0 * peak.log10());
            highest = highest.max(20.0 * peak.log10());
        }
        println!("detector reads {lowest:.4}…{highest:.4} dB");
        assert!(lowest > -0.02 && highest < 0.07, "{lowest} {highest}");
    }

    #[test]
    fn what_is_needed_is_the_ceiling_over_the_peak() {
        let mut detector = Detector::new();
        for _ in 0..40 {
            detector.push(&[-2.0; QUANTUM]);
        }
        for (needed, ceiling) in detector
            .needed_gain(&[0.5, 1.0, 1.5, 2.5])
            .iter()
            .zip([0.25, 0.5, 0.75, 1.0])
        {
            assert!((needed - ceiling).abs() < 1e-6);
        }
    }
}
