//! The first stage upwards: midpoints of the input, by a filter as long as need be.
//!
//! The taps of such a filter change sign from one to the next and fall off ever more slowly. Away
//! from the midpoint their magnitude is as good as straight over eight taps, so from [`NEAR_PAIRS`]
//! on it is drawn straight between nodes eight taps apart, and every node costs one product with a
//! triangle of fifteen samples of alternating sign. These triangles are two sums of eight in a row
//! (an interpolated FIR filter: Neuvo, Dong & Mitra, IEEE Trans. ASSP-32(3), 1984, from memory).

use wide::f32x8;

use super::{Kernel, Pair, vectors};
use crate::dsp::fir;
use crate::dsp::quantum::{Lane, QUANTUM};

/// Pairs of taps that are products of their own, where there are more than [`NEAR_PAIRS`]` +
/// `[`NODE`].
const NEAR_PAIRS: usize = 36;
/// Taps from node to node.
const NODE: usize = 8;
/// Samples that a triangle reaches beyond its middle.
const REACH: usize = NODE - 1;
/// Quanta that a window moves on before it is put back.
const STRIDES: usize = 16;

/// Interpolating filter with its input.
#[derive(Debug, Clone)]
pub struct Midpoints {
    input: Window,
    /// The triangle that ends with each sample of the input; empty where no tap is far.
    triangles: Window,
    /// Alternating sums of eight that the next triangles reach back to, and those of the last
    /// quantum.
    sums: [f32; REACH + QUANTUM],
    /// Quanta whose triangles are missing.
    missing: usize,
    near: Kernel,
    far: Kernel,
}

impl Midpoints {
    /// A filter of `pairs` pairs of taps, which reaches `margin` frames beyond the quantum on
    /// either side. Allocates.
    ///
    /// Beyond [`NEAR_PAIRS`] the number of pairs is rounded down to whole nodes.
    pub fn new(pairs: usize, beta: f64, margin: usize) -> Self {
        let (near, nodes) = match pairs.checked_sub(NEAR_PAIRS) {
            Some(far) if far >= NODE => (NEAR_PAIRS, far / NODE),
            _ => (pairs, 0),
        };
        let pairs = near + nodes * NODE;
        let mut taps = fir::half_sample(pairs, beta);
        let mut kernels = [(); 2].map(|()| Kernel::new(0.0, 0, Vec::new()));
        for node in (near..pairs).step_by(NODE) {
            let tap = taps[node];
            // The middle of a triangle weighs −8.
            kernels[1].pairs.push(Pair {
                tap: (-tap / NODE as f64) as f32,
                left: pairs - node + REACH,
                right: pairs + 1 + node + REACH,
            });
            for back in 1..=REACH.min(node) {
                let sign = if back % 2 == 0 { 1.0 } else { -1.0 };
                taps[node - back] -= sign * tap * (1.0 - back as f64 / NODE as f64);
            }
        }
        // No triangle passes a constant: those near have to pass all of it.
        let sum: f64 = 2.0 * taps.iter().take(near).sum::<f64>();
        kernels[0].pairs = (0..near)
            .map(|k| Pair {
                tap: (taps[k] / sum) as f32,
                left: pairs - k,
                right: pairs + 1 + k,
            })
            .collect();
        let len = 2 * (pairs + margin) + QUANTUM;
        let [near, far] = kernels;
        Self {
            input: Window::new(len),
            triangles: Window::new(if nodes > 0 { len } else { 0 }),
            sums: [0.0; REACH + QUANTUM],
            missing: 0,
            near,
            far,
        }
    }

    /// Forgets the input. Real-time safe.
    pub fn reset(&mut self) {
        self.input.reset();
        self.triangles.reset();
        self.sums.fill(0.0);
        self.missing = 0;
    }

    /// The last frames of the input, oldest first: twice the latency and a quantum.
    pub fn input(&self) -> &[f32] {
        self.input.samples()
    }

    /// Takes the next quantum of input. Real-time safe.
    pub fn push(&mut self, quantum: &Lane) {
        self.input.push(quantum);
        self.missing = self.input.len.div_ceil(QUANTUM).min(self.missing + 1);
    }

    /// Makes up for the triangles of quanta that nobody wanted so far. Real-time safe.
    pub fn catch_up(&mut self) {
        if self.far.pairs.is_empty() {
            return;
        }
        for quanta_back in (0..self.missing).rev() {
            let end = self.input.len - quanta_back * QUANTUM;
            let samples = self.input.samples().get(..end).unwrap_or_default();
            let newest = match samples.last_chunk::<{ REACH + QUANTUM }>() {
                Some(samples) => alternating_sums(samples),
                // So far back the input ends: what lies before it no tap reaches.
                None => alternating_sums(&padded(samples)),
            };
            self.sums.copy_within(QUANTUM.., 0);
            if let Some(cells) = self.sums.last_chunk_mut() {
                *cells = newest;
            }
            self.triangles.push(&alternating_sums(&self.sums));
        }
        self.missing = 0;
    }

    /// `8·V` midpoints, the first `skip` frames after the start of the margin, once the triangles
    /// have caught up. Real-time safe.
    #[inline]
    pub fn row<const V: usize>(&self, skip: usize) -> [[f32; 8]; V] {
        let mut row = self
            .near
            .row::<V>(self.input.samples().get(skip..).unwrap_or_default());
        if !self.far.pairs.is_empty() {
            let far = self
                .far
                .row::<V>(self.triangles.samples().get(skip..).unwrap_or_default());
            for (sum, far) in row.as_flattened_mut().iter_mut().zip(far.as_flattened()) {
                *sum += far;
            }
        }
        row
    }
}

/// The last samples of a signal, in a row.
///
/// It moves through a buffer that is longer and is put back to its start now and then, which costs
/// less than moving the samples every time.
#[derive(Debug, Clone)]
struct Window {
    buffer: Vec<f32>,
    start: usize,
    len: usize,
}

impl Window {
    fn new(len: usize) -> Self {
        Self {
            buffer: vec![0.0; if len > 0 { len + STRIDES * QUANTUM } else { 0 }],
            start: 0,
            len,
        }
    }

    fn reset(&mut self) {
        self.buffer.fill(0.0);
    }

    fn samples(&self) -> &[f32] {
        self.buffer
            .get(self.start..self.start + self.len)
            .unwrap_or_default()
    }

    fn push(&mut self, quantum: &Lane) {
        self.start += QUANTUM;
        if self.start + self.len > self.buffer.len() {
            self.buffer.copy_within(self.start.., 0);
            self.start = 0;
        }
        let end = self.start + self.len;
        if let Some(newest) = self.buffer.get_mut(end - QUANTUM..end) {
            newest.copy_from_slice(quantum);
        }
    }
}

/// The samples with silence before them.
fn padded(samples: &[f32]) -> [f32; REACH + QUANTUM] {
    let mut padded = [0.0; REACH + QUANTUM];
    for (cell, sample) in padded.iter_mut().rev().zip(samples.iter().rev()) {
        *cell = *sample;
    }
    padded
}

/// For each of the last [`QUANTUM`] samples, the sum of the eight that end there, with signs from +
/// backwards.
#[inline]
fn alternating_sums(samples: &[f32]) -> Lane {
    let mut sums = [f32x8::ZERO; QUANTUM / 8];
    for pair in 0..NODE / 2 {
        let rows = (
            vectors::<{ QUANTUM / 8 }>(samples, 2 * pair),
            vectors::<{ QUANTUM / 8 }>(samples, 2 * pair + 1),
        );
        if let (Some(odd), Some(even)) = rows {
            for ((sum, odd), even) in sums.iter_mut().zip(odd).zip(even) {
                *sum += f32x8::new(*even) - f32x8::new(*odd);
            }
        }
    }
    let mut lane = [0.0; QUANTUM];
    for (cells, sum) in lane.as_chunks_mut::<8>().0.iter_mut().zip(sums) {
        *cells = sum.to_array();
    }
    lane
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// An ideal interpolator has a gain of 1 up to half the rate.
    #[test]
    fn straight_magnitudes_between_nodes_do_no_harm() {
        let (pairs, beta, margin) = (NEAR_PAIRS + 31 * NODE, 2.0, 4);
        let mut midpoints = Midpoints::new(pairs, beta, margin);
        let quanta = midpoints.input().len() / QUANTUM;
        let response: Vec<f64> = (0..quanta)
            .flat_map(|quantum| {
                let impulse = if quantum == 0 { 1.0 } else { 0.0 };
                midpoints.push(&std::array::from_fn(|n| if n == 0 { impulse } else { 0.0 }));
                midpoints.catch_up();
                midpoints.row::<4>(2 * margin).as_flattened().to_vec()
            })
            .map(f64::from)
            .collect();
        let (mut worst, mut worst_high) = (0.0_f64, 0.0_f64);
        for step in 0..=496 {
            let frequency = f64::from(step) / 1000.0;
            let found: f64 = response
                .iter()
                .enumerate()
                .map(|(n, x)| x * (TAU * frequency * (n as f64 + 0.5 - pairs as f64)).cos())
                .sum();
            let error = (found - 1.0).abs();
            if step <= 450 {
                worst = worst.max(error);
            } else {
                worst_high = worst_high.max(error);
            }
        }
        println!("off by {worst:.4} up to 0.45 of the rate, by {worst_high:.4} up to 0.496");
        // 0.03 dB; and 0.3 dB where next to nothing is.
        assert!(worst < 0.0035 && worst_high < 0.036, "{worst} {worst_high}");
    }
}
