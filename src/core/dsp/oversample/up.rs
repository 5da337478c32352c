//! Upwards: midpoints, and midpoints between those.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use fearless_simd::f32x8;
use fearless_simd::prelude::*;

use super::midpoints::Midpoints;
use super::{HalfBand, Kernel, Pair, largest, place, vectors};
use crate::dsp::fir;
use crate::dsp::quad::{Level, dispatch};
use crate::dsp::quantum::{Lane, QUANTUM};

/// Frames of a phase row before its quantum.
pub const ROW_LEAD: usize = 8;
/// Frames in a phase row: the quantum, and 8 frames on either side for the next filter to reach
/// into.
pub const ROW: usize = QUANTUM + 2 * ROW_LEAD;
/// Frames computed beyond the quantum, on either side, by every stage but the last.
const MARGIN: usize = 4;

/// One stage upwards: from `count` phases to `2·count`.
#[derive(Debug, Clone)]
struct UpStage {
    /// One kernel for each new phase, with the start of the row it fills.
    kernels: Vec<(Kernel, usize)>,
}

/// Interpolator for one channel.
///
/// It has no state but its input, so a quantum that nobody wants need not be computed.
#[derive(Debug, Clone)]
pub struct Upsampler {
    level: Level,
    first: Midpoints,
    stages: Vec<UpStage>,
    rows: Vec<f32>,
    bend: f32,
    /// Quanta pushed since the last [`Self::render`].
    stale: usize,
    /// Largest |second difference| of the input in each of the last quanta, as a ring that runs
    /// backwards.
    curvature: Vec<f32>,
    newest: usize,
}

impl Upsampler {
    /// An interpolator by `2^cascade.len()`. Allocates.
    ///
    /// The first stage has at least 4 pairs of taps, later ones at most 6 (they reach no further
    /// than the margins of a row); what is outside is clamped.
    ///
    /// # Panics
    /// A cascade without stages.
    pub fn new(cascade: &[HalfBand]) -> Self {
        Self::at(Level::new(), cascade)
    }

    /// The same with the registers that `level` names. Allocates.
    pub fn at(level: Level, cascade: &[HalfBand]) -> Self {
        let factor = 1 << cascade.len();
        let first = Midpoints::new(cascade[0].pairs.max(4), cascade[0].beta, MARGIN);
        let mut stages = Vec::new();
        for (level, stage) in cascade.iter().enumerate().skip(1) {
            let count = 1_usize << level;
            let stride = factor / count;
            let taps = fir::half_sample(stage.pairs.clamp(1, 6), stage.beta);
            let lead = if level + 1 == cascade.len() {
                ROW_LEAD
            } else {
                ROW_LEAD - MARGIN
            };
            let kernels = (0..count.cast_signed())
                .map(|phase| {
                    let pairs = taps
                        .iter()
                        .zip(0_isize..)
                        .map(|(tap, k)| Pair {
                            tap: *tap as f32,
                            left: place(phase - k, count, stride, ROW, lead),
                            right: place(phase + 1 + k, count, stride, ROW, lead),
                        })
                        .collect();
                    let row = (2 * phase + 1).cast_unsigned() * stride / 2 * ROW;
                    (Kernel::new(0.0, 0, pairs), row)
                })
                .collect();
            stages.push(UpStage { kernels });
        }
        let len = first.input().len();
        let mut new = Self {
            level,
            first,
            stages,
            rows: vec![0.0; factor * ROW],
            bend: 0.0,
            stale: 2,
            curvature: vec![0.0; len.div_ceil(QUANTUM).next_multiple_of(8)],
            newest: 0,
        };
        new.bend = new.worst_bend();
        new
    }

    /// Frames by which [`Self::render`] lags behind [`Self::push`].
    pub fn latency_frames(&self) -> usize {
        (self.first.input().len() - QUANTUM) / 2
    }

    /// Phases to a frame.
    pub fn factor(&self) -> usize {
        self.rows.len() / ROW
    }

    /// Forgets the input. Real-time safe.
    pub fn reset(&mut self) {
        self.first.reset();
        self.curvature.fill(0.0);
        self.stale = 2;
    }

    /// Takes the next quantum of input. Real-time safe.
    pub fn push(&mut self, quantum: &Lane) {
        self.first.push(quantum);
        self.stale = self.stale.saturating_add(1);
        self.newest = if self.newest == 0 {
            self.curvature.len() - 1
        } else {
            self.newest - 1
        };
        if let (Some(newest), Some(frames)) = (
            self.curvature.get_mut(self.newest),
            self.first.input().last_chunk::<{ QUANTUM + 2 }>(),
        ) {
            *newest = dispatch!(self.level, simd => largest_second_difference(simd, frames));
        }
    }

    /// A bound that no sample of any phase in the current quantum exceeds.
    ///
    /// What a filter returns between two samples differs from the straight line between them by a
    /// weighted sum of second differences; the largest sum of |weights| of any phase was measured
    /// in `new`. For programme, whose second differences are small, this is far tighter than the
    /// filter's worst gain.
    pub fn bound(&self) -> f32 {
        let (input, start) = (self.first.input(), self.latency_frames());
        let (Some(frames), Some(after)) = (vectors::<4>(input, start), input.get(start + QUANTUM))
        else {
            return f32::MAX;
        };
        let curvatures = self.curvature.as_chunks::<8>().0;
        let (peak, curvature) = dispatch!(self.level, simd => (
            largest_magnitude(simd, frames, *after),
            largest_magnitude(simd, curvatures, 0.0),
        ));
        (peak + self.bend * curvature) * 1.00001
    }

    /// Computes the phases of the quantum that lies [`Self::latency_frames`] behind. Real-time
    /// safe.
    pub fn render(&mut self) {
        self.first.catch_up();
        let start = self.latency_frames() - ROW_LEAD;
        if let (Some(row), Some(x)) = (
            self.rows.first_chunk_mut::<ROW>(),
            self.first.input().get(start..start + ROW),
        ) {
            row.copy_from_slice(x);
        }
        let at = self.rows.len() / 2 + ROW_LEAD - MARGIN;
        if self.stale == 1 {
            // The first eight midpoints are the last eight of the quantum before.
            self.rows.copy_within(at + QUANTUM..at + QUANTUM + 8, at);
            store(&mut self.rows, at + 8, &self.first.row::<4>(8));
        } else {
            store(&mut self.rows, at, &self.first.row::<5>(0));
        }
        self.stale = 0;
        let last = self.stages.len().saturating_sub(1);
        for (level, stage) in self.stages.iter().enumerate() {
            for (kernel, row) in &stage.kernels {
                if level == last {
                    let values = kernel.row::<4>(&self.rows);
                    store(&mut self.rows, row + ROW_LEAD, &values);
                } else {
                    let values = kernel.row::<5>(&self.rows);
                    store(&mut self.rows, row + ROW_LEAD - MARGIN, &values);
                }
            }
        }
    }

    /// The row of a phase: frame `n` of the quantum is at `n + ROW_LEAD`. Frames outside the
    /// quantum are only there for some phases: all of phase 0, one frame on either side of the
    /// phases of all but the last stage.
    pub fn row(&self, phase: usize) -> &[f32; ROW] {
        const SILENCE: &[f32; ROW] = &[0.0; ROW];
        self.rows.as_chunks::<ROW>().0.get(phase).unwrap_or(SILENCE)
    }

    /// The samples of a phase in the current quantum.
    pub fn phase(&self, phase: usize) -> &Lane {
        const SILENCE: &Lane = &[0.0; QUANTUM];
        self.row(phase)
            .get(ROW_LEAD..)
            .and_then(|row| row.first_chunk())
            .unwrap_or(SILENCE)
    }

    /// Largest Σ|weight| on the second differences, over the phases: see [`Self::bound`].
    ///
    /// Each phase's impulse response is found by running unit impulses through the cascade; taking
    /// the straight line away and summing twice gives the weights.
    fn worst_bend(&mut self) -> f32 {
        let len = self.first.input().len();
        let factor = self.factor();
        let frame = QUANTUM / 2;
        let mut responses = vec![vec![0.0_f64; len]; factor];
        for place in 0..QUANTUM {
            self.reset();
            let mut lane = [0.0; QUANTUM];
            lane[place] = 1.0;
            for newest in (place..len + place).step_by(QUANTUM) {
                self.push(&lane);
                lane = [0.0; QUANTUM];
                self.render();
                let Some(at) = (len - QUANTUM + 2 * place).checked_sub(newest) else {
                    break;
                };
                for (phase, response) in responses.iter_mut().enumerate() {
                    response[at] = f64::from(self.phase(phase)[frame]);
                }
            }
        }
        self.reset();
        let origin = self.latency_frames() + frame;
        let worst = responses.iter_mut().enumerate().map(|(phase, response)| {
            let fraction = phase as f64 / factor as f64;
            response[origin] -= 1.0 - fraction;
            response[origin + 1] -= fraction;
            let (mut once, mut twice, mut sum) = (0.0, 0.0, 0.0_f64);
            for value in response.iter() {
                once += value;
                twice += once;
                sum += f64::abs(twice);
            }
            sum
        });
        worst.fold(0.0, f64::max) as f32
    }
}

/// Copies vectors into a buffer from `at` on.
#[inline]
fn store<const V: usize>(buffer: &mut [f32], at: usize, values: &[[f32; 8]; V]) {
    if let Some(target) = buffer.get_mut(at..at + 8 * V) {
        target.copy_from_slice(values.as_flattened());
    }
}

/// Largest `|x[n] − 2·x[n+1] + x[n+2]|` over a quantum.
#[inline(always)]
fn largest_second_difference<S: Simd>(simd: S, x: &[f32]) -> f32 {
    let rows = (vectors::<4>(x, 0), vectors::<4>(x, 1), vectors::<4>(x, 2));
    let (Some(a), Some(b), Some(c)) = rows else {
        return f32::MAX;
    };
    let mut most = f32x8::splat(simd, 0.0);
    for ((a, b), c) in a.iter().zip(b).zip(c) {
        let [a, b, c] = [a, b, c].map(|row| f32x8::simd_from(simd, *row));
        most = most.max((a - b * 2.0 + c).abs());
    }
    largest(&most.into())
}

/// Largest magnitude of some rows and of one sample more.
#[inline(always)]
fn largest_magnitude<S: Simd>(simd: S, rows: &[[f32; 8]], more: f32) -> f32 {
    let mut most = f32x8::splat(simd, more).abs();
    for row in rows {
        most = most.max(f32x8::simd_from(simd, *row).abs());
    }
    largest(&most.into())
}
