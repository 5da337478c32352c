//! Downwards: half-band filters, and a last one that lets nothing fold.

use super::{HalfBand, Kernel, Pair, place};
use crate::dsp::fir;
use crate::dsp::quantum::{Lane, QUANTUM};

/// Frames of history in front of each row of a decimating half-band stage.
const HALF_HISTORY: usize = 16;
/// Largest half-length of the filter that returns to the base rate, in samples at twice the base
/// rate.
const LAST_HALF_LEN: usize = 64;
/// One stage downwards: rows of history and quantum, one for each phase, and the kernels of the
/// phases that remain.
#[derive(Debug, Clone)]
struct DownStage {
    rows: Vec<f32>,
    history: usize,
    kernels: Vec<Kernel>,
    latency: usize,
}

impl DownStage {
    fn row_len(&self) -> usize {
        self.history + QUANTUM
    }

    /// From `2·count` to `count` phases with a half-band filter.
    fn half_band(count: usize, stage: HalfBand) -> Self {
        let taps = fir::half_sample(stage.pairs.clamp(1, 6), stage.beta);
        let history = HALF_HISTORY;
        let row_len = history + QUANTUM;
        let latency = 1 + (2 * taps.len()).saturating_sub(3) / (2 * count);
        let lead = history - latency;
        let kernels = (0..count.cast_signed())
            .map(|phase| {
                let even = 2 * phase;
                let pairs = taps
                    .iter()
                    .zip(0_isize..)
                    .map(|(tap, k)| Pair {
                        tap: (tap / 2.0) as f32,
                        left: place(even - 1 - 2 * k, 2 * count, 1, row_len, lead),
                        right: place(even + 1 + 2 * k, 2 * count, 1, row_len, lead),
                    })
                    .collect();
                Kernel::new(0.5, place(even, 2 * count, 1, row_len, lead), pairs)
            })
            .collect();
        Self {
            rows: vec![0.0; 2 * count * row_len],
            history,
            kernels,
            latency,
        }
    }

    /// From two phases to the base rate with a low-pass of `2·half_len + 1` taps and the −6 dB
    /// point `cutoff`, in cycles per sample at twice the base rate.
    fn last(half_len: usize, cutoff: f64, beta: f64) -> Self {
        let taps = fir::low_pass(2 * half_len + 1, cutoff, beta);
        let latency = half_len.div_ceil(2);
        let history = 2 * latency + 2;
        let row_len = history + QUANTUM;
        let lead = history - latency;
        let pairs = (1..=half_len)
            .map(|k| Pair {
                tap: taps[half_len + k] as f32,
                left: place(-k.cast_signed(), 2, 1, row_len, lead),
                right: place(k.cast_signed(), 2, 1, row_len, lead),
            })
            .collect();
        let kernels = vec![Kernel::new(taps[half_len] as f32, lead, pairs)];
        Self {
            rows: vec![0.0; 2 * row_len],
            history,
            kernels,
            latency,
        }
    }

    /// Makes room for a quantum.
    fn shift(&mut self) {
        let row_len = self.row_len();
        for row in self.rows.chunks_exact_mut(row_len) {
            row.copy_within(QUANTUM.., 0);
        }
    }

    /// Where the quantum of a phase is written.
    fn quantum_mut(&mut self, phase: usize) -> Option<&mut Lane> {
        let (row_len, history) = (self.row_len(), self.history);
        self.rows
            .get_mut(phase * row_len + history..)?
            .first_chunk_mut()
    }
}

/// Decimator for one channel: what an [`Upsampler`](super::Upsampler) returned, or what was made of
/// it, back to the base rate.
#[derive(Debug, Clone)]
pub struct Downsampler {
    /// Highest rate first.
    stages: Vec<DownStage>,
    /// Quanta until all rows are silent again.
    ringing: usize,
}

impl Downsampler {
    /// A decimator by `2^cascade.len()` (at least 2). Allocates.
    ///
    /// The half-band stages are those of `cascade` but for the first. The last stage, to the base
    /// rate, is a filter of its own: a half-band filter would fold what lies just above half the
    /// rate back to just below it. Its transition is 1/12 of the base rate wide and ends at half
    /// the rate, or, where that would cut into what is below 20 kHz (44.1 kHz), begins there.
    pub fn new(sample_rate_hz: f64, cascade: &[HalfBand]) -> Self {
        let transition = 1.0 / 12.0;
        let pass = (20000.0 / sample_rate_hz).clamp(0.5 - transition, 0.4535);
        // Half of it in cycles per sample at twice the rate.
        let cutoff = 0.5 * (pass + 0.5 * transition);
        let mut stages: Vec<DownStage> = cascade
            .iter()
            .enumerate()
            .skip(1)
            .rev()
            .map(|(level, stage)| DownStage::half_band(1 << level, *stage))
            .collect();
        stages.push(DownStage::last(LAST_HALF_LEN, cutoff, 8.5));
        Self { stages, ringing: 0 }
    }

    /// Frames between input and output.
    pub fn latency_frames(&self) -> usize {
        self.stages.iter().map(|stage| stage.latency).sum()
    }

    /// Forgets the input. Real-time safe.
    pub fn reset(&mut self) {
        for stage in &mut self.stages {
            stage.rows.fill(0.0);
        }
        self.ringing = 0;
    }

    /// Quanta after which an input has left all rows.
    pub fn memory(&self) -> usize {
        self.stages
            .iter()
            .map(|stage| stage.history.div_ceil(QUANTUM))
            .sum::<usize>()
            + 1
    }

    /// The next quantum: `fill` writes each phase in turn. Returns a quantum at the base rate.
    /// Real-time safe.
    pub fn process(&mut self, mut fill: impl FnMut(usize, &mut Lane)) -> Lane {
        self.ringing = self.memory();
        self.run(&mut fill)
    }

    /// The next quantum where the input is silent; `None` (and no work) when the output is silent
    /// too. Real-time safe.
    pub fn process_silence(&mut self) -> Option<Lane> {
        self.ringing = self.ringing.checked_sub(1)?;
        Some(self.run(&mut |_, quantum: &mut Lane| quantum.fill(0.0)))
    }

    fn run(&mut self, fill: &mut impl FnMut(usize, &mut Lane)) -> Lane {
        let mut output = [0.0; QUANTUM];
        if let Some(top) = self.stages.first_mut() {
            top.shift();
            for phase in 0..top.rows.len() / top.row_len() {
                if let Some(quantum) = top.quantum_mut(phase) {
                    fill(phase, quantum);
                }
            }
        }
        for index in 0..self.stages.len() {
            let (above, below) = self.stages.split_at_mut(index + 1);
            let Some(stage) = above.last() else { continue };
            if let Some(next) = below.first_mut() {
                next.shift();
                for (phase, kernel) in stage.kernels.iter().enumerate() {
                    if let Some(quantum) = next.quantum_mut(phase) {
                        quantum.copy_from_slice(kernel.row::<4>(&stage.rows).as_flattened());
                    }
                }
            } else if let Some(kernel) = stage.kernels.first() {
                output.copy_from_slice(kernel.row::<4>(&stage.rows).as_flattened());
            }
        }
        output
    }
}
