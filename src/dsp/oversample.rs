//! Linear-phase oversampling by 2, 4 or 8 in a cascade of half-band filters.
//!
//! Signals above the base rate are kept as *phases*: phase `p` of `F` holds the samples at the times `n + p/F`. Every
//! filter of the cascade is then a sum of shifted, contiguous rows, 32 frames at a time, whatever the phase. A
//! half-band filter leaves its even samples alone (Crochiere & Rabiner, *Multirate Digital Signal Processing*, 1983,
//! section 4.4), so going up means computing midpoints only.

use wide::f32x8;

use super::fir;
use super::quantum::{Lane, QUANTUM};

/// Frames of a phase row before its quantum.
pub const ROW_LEAD: usize = 8;
/// Frames in a phase row: the quantum, and 8 frames on either side for the next filter to reach into.
pub const ROW: usize = QUANTUM + 2 * ROW_LEAD;
/// Frames computed beyond the quantum, on either side, by every stage but the last.
const MARGIN: usize = 4;
/// Frames of history in front of each row of a decimating half-band stage.
const HALF_HISTORY: usize = 16;

/// Pairs of taps and Kaiser shape of one half-band stage.
#[derive(Debug, Clone, Copy)]
pub struct HalfBand {
    /// Pairs of taps on either side of the midpoint.
    pub pairs: usize,
    /// Shape of the Kaiser window.
    pub beta: f64,
}

/// The cascade that the saturator climbs, lowest rate first. Each stage is flat within 0.0005 dB up to 0.4535 of the
/// base rate (20 kHz at 44.1 kHz) and keeps images at least 90 dB down.
pub const CLEAN_CASCADE: [HalfBand; 3] =
    [HalfBand { pairs: 31, beta: 9.1 }, HalfBand { pairs: 6, beta: 10.2 }, HalfBand { pairs: 4, beta: 9.5 }];

/// Largest half-length of the filter that returns to the base rate, in samples at twice the base rate.
const LAST_HALF_LEN: usize = 64;

/// Two equal taps, at two places of a buffer.
#[derive(Debug, Clone, Copy)]
struct Pair {
    tap: f32,
    left: usize,
    right: usize,
}

/// A symmetric filter whose output is a row: `centre · buffer[at..] + Σ tap · (buffer[left..] + buffer[right..])`.
#[derive(Debug, Clone)]
struct Kernel {
    centre: f32,
    at: usize,
    pairs: Vec<Pair>,
}

/// `V` vectors from `at` on, or `None` beyond the end.
#[inline]
fn vectors<const V: usize>(buffer: &[f32], at: usize) -> Option<&[[f32; 8]; V]> {
    buffer.get(at..)?.as_chunks::<8>().0.first_chunk::<V>()
}

impl Kernel {
    /// The first `8·V` samples of the output row. Offsets were checked against the buffer when the kernel was made.
    #[inline]
    fn row<const V: usize>(&self, buffer: &[f32]) -> [[f32; 8]; V] {
        let mut sums = [f32x8::ZERO; V];
        if self.centre != 0.0
            && let Some(row) = vectors::<V>(buffer, self.at)
        {
            let tap = f32x8::splat(self.centre);
            for (sum, x) in sums.iter_mut().zip(row) {
                *sum = tap * f32x8::new(*x);
            }
        }
        for pair in &self.pairs {
            let (Some(left), Some(right)) = (vectors::<V>(buffer, pair.left), vectors::<V>(buffer, pair.right)) else {
                debug_assert!(false, "a tap beyond its buffer");
                continue;
            };
            let tap = f32x8::splat(pair.tap);
            for v in 0..V {
                sums[v] += tap * (f32x8::new(left[v]) + f32x8::new(right[v]));
            }
        }
        sums.map(f32x8::to_array)
    }
}

/// Place in a buffer of rows of the sample `phase/count` frames after the start of the quantum.
fn place(phase: isize, count: usize, stride: usize, row_len: usize, lead: usize) -> usize {
    let (row, shift) = (phase.rem_euclid(count.cast_signed()), phase.div_euclid(count.cast_signed()));
    row.cast_unsigned() * stride * row_len + lead.saturating_add_signed(shift)
}

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
    input: Vec<f32>,
    pairs: usize,
    first: Kernel,
    stages: Vec<UpStage>,
    rows: Vec<f32>,
    bend: f32,
    /// Largest |second difference| of the input in each of the last quanta, newest last.
    curvature: Vec<f32>,
}

impl Upsampler {
    /// An interpolator by `2^cascade.len()`. Allocates.
    ///
    /// The first stage has at least 4 pairs of taps, later ones at most 6 (they reach no further than the margins of a
    /// row); what is outside is clamped.
    pub fn new(cascade: &[HalfBand]) -> Self {
        let factor = 1 << cascade.len();
        let pairs = cascade.first().map_or(4, |stage| stage.pairs.max(4));
        let mut stages = Vec::new();
        let mut first = Kernel { centre: 0.0, at: 0, pairs: Vec::new() };
        for (level, stage) in cascade.iter().enumerate() {
            let count = 1_usize << level;
            let stride = factor / count;
            if level == 0 {
                let taps = fir::half_sample(pairs, stage.beta);
                let midpoint = pairs;
                first.pairs = (0..pairs)
                    .map(|k| Pair { tap: taps[k] as f32, left: midpoint - k, right: midpoint + 1 + k })
                    .collect();
                continue;
            }
            let taps = fir::half_sample(stage.pairs.clamp(1, 6), stage.beta);
            let lead = if level + 1 == cascade.len() { ROW_LEAD } else { ROW_LEAD - MARGIN };
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
                    (Kernel { centre: 0.0, at: 0, pairs }, row)
                })
                .collect();
            stages.push(UpStage { kernels });
        }
        let len = 2 * (pairs + MARGIN) + QUANTUM;
        let mut new = Self {
            input: vec![0.0; len],
            pairs,
            first,
            stages,
            rows: vec![0.0; factor * ROW],
            bend: 0.0,
            curvature: vec![0.0; len.div_ceil(QUANTUM)],
        };
        new.bend = new.worst_bend();
        new
    }

    /// Frames by which [`Self::render`] lags behind [`Self::push`].
    pub fn latency_frames(&self) -> usize {
        self.pairs + MARGIN
    }

    /// Phases to a frame.
    pub fn factor(&self) -> usize {
        self.rows.len() / ROW
    }

    /// Forgets the input. Real-time safe.
    pub fn reset(&mut self) {
        self.input.fill(0.0);
        self.curvature.fill(0.0);
    }

    /// Takes the next quantum of input. Real-time safe.
    pub fn push(&mut self, quantum: &Lane) {
        let kept = self.input.len() - QUANTUM;
        self.input.copy_within(QUANTUM.., 0);
        if let Some(newest) = self.input.get_mut(kept..) {
            newest.copy_from_slice(quantum);
        }
        self.curvature.rotate_left(1);
        if let (Some(newest), Some(frames)) = (self.curvature.last_mut(), self.input.get(kept - 2..)) {
            *newest = largest_second_difference(frames);
        }
    }

    /// A bound that no sample of any phase in the current quantum exceeds.
    ///
    /// What a filter returns between two samples differs from the straight line between them by a weighted sum of
    /// second differences; the largest sum of |weights| of any phase was measured in `new`. For programme, whose
    /// second differences are small, this is far tighter than the filter's worst gain.
    pub fn bound(&self) -> f32 {
        let start = self.pairs + MARGIN;
        let (Some(frames), Some(after)) = (vectors::<4>(&self.input, start), self.input.get(start + QUANTUM)) else {
            return f32::MAX;
        };
        let peak = frames.iter().fold(f32x8::splat(*after).abs(), |peak, x| peak.fast_max(f32x8::new(*x).abs()));
        let peak = largest(peak);
        let curvature = self.curvature.iter().fold(0.0_f32, |most, x| most.max(*x));
        (peak + self.bend * curvature) * 1.00001
    }

    /// Computes the phases of the quantum that lies [`Self::latency_frames`] behind. Real-time safe.
    pub fn render(&mut self) {
        let start = self.pairs + MARGIN - ROW_LEAD;
        if let (Some(row), Some(x)) = (self.rows.first_chunk_mut::<ROW>(), self.input.get(start..start + ROW)) {
            row.copy_from_slice(x);
        }
        let at = self.rows.len() / 2 + ROW_LEAD - MARGIN;
        store(&mut self.rows, at, &self.first.row::<5>(&self.input));
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

    /// The row of a phase: frame `n` of the quantum is at `n + ROW_LEAD`. Frames outside the quantum are only there
    /// for some phases: all of phase 0, one frame on either side of the phases of all but the last stage.
    pub fn row(&self, phase: usize) -> &[f32; ROW] {
        const SILENCE: &[f32; ROW] = &[0.0; ROW];
        self.rows.as_chunks::<ROW>().0.get(phase).unwrap_or(SILENCE)
    }

    /// The samples of a phase in the current quantum.
    pub fn phase(&self, phase: usize) -> &Lane {
        const SILENCE: &Lane = &[0.0; QUANTUM];
        self.row(phase).get(ROW_LEAD..).and_then(|row| row.first_chunk()).unwrap_or(SILENCE)
    }

    /// Largest Σ|weight| on the second differences, over the phases: see [`Self::bound`].
    ///
    /// Each phase's impulse response is found by running unit impulses through the cascade; taking the straight line
    /// away and summing twice gives the weights.
    fn worst_bend(&mut self) -> f32 {
        let len = self.input.len();
        let factor = self.factor();
        let frame = QUANTUM / 2;
        let mut responses = vec![vec![0.0_f64; len]; factor];
        for at in 0..len {
            self.input.fill(0.0);
            self.input[at] = 1.0;
            self.render();
            for (phase, response) in responses.iter_mut().enumerate() {
                response[at] = f64::from(self.phase(phase)[frame]);
            }
        }
        self.reset();
        let origin = self.pairs + MARGIN + frame;
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
fn largest_second_difference(x: &[f32]) -> f32 {
    let rows = (vectors::<4>(x, 0), vectors::<4>(x, 1), vectors::<4>(x, 2));
    let (Some(a), Some(b), Some(c)) = rows else { return f32::MAX };
    let mut most = f32x8::ZERO;
    for ((a, b), c) in a.iter().zip(b).zip(c) {
        let bend = f32x8::new(*a) - f32x8::new(*b) * 2.0 + f32x8::new(*c);
        most = most.fast_max(bend.abs());
    }
    largest(most)
}

/// Largest lane.
#[inline]
pub fn largest(vector: f32x8) -> f32 {
    vector.to_array().iter().fold(f32::MIN, |most, x| if *x > most { *x } else { most })
}

/// One stage downwards: rows of history and quantum, one for each phase, and the kernels of the phases that remain.
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
                Kernel { centre: 0.5, at: place(even, 2 * count, 1, row_len, lead), pairs }
            })
            .collect();
        Self { rows: vec![0.0; 2 * count * row_len], history, kernels, latency }
    }

    /// From two phases to the base rate with a low-pass of `2·half_len + 1` taps and the −6 dB point `cutoff`, in
    /// cycles per sample at twice the base rate.
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
        let kernels = vec![Kernel { centre: taps[half_len] as f32, at: lead, pairs }];
        Self { rows: vec![0.0; 2 * row_len], history, kernels, latency }
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
        self.rows.get_mut(phase * row_len + history..)?.first_chunk_mut()
    }
}

/// Decimator for one channel: what an [`Upsampler`] returned, or what was made of it, back to the base rate.
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
    /// The half-band stages are those of `cascade` but for the first. The last stage, to the base rate, is a filter of
    /// its own: a half-band filter would fold what lies just above half the rate back to just below it. Its transition
    /// is 1/12 of the base rate wide and ends at half the rate, or, where that would cut into what is below 20 kHz
    /// (44.1 kHz), begins there.
    pub fn new(sample_rate_hz: f64, cascade: &[HalfBand]) -> Self {
        let transition = 1.0 / 12.0;
        let pass = (20000.0 / sample_rate_hz).clamp(0.5 - transition, 0.4535);
        let cutoff = (pass + transition / 2.0) / 2.0;
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
    fn memory(&self) -> usize {
        self.stages.iter().map(|stage| stage.history.div_ceil(QUANTUM)).sum::<usize>() + 1
    }

    /// The next quantum: `fill` writes each phase in turn. Returns a quantum at the base rate. Real-time safe.
    pub fn process(&mut self, mut fill: impl FnMut(usize, &mut Lane)) -> Lane {
        self.ringing = self.memory();
        self.run(&mut fill)
    }

    /// The next quantum where the input is silent; `None` (and no work) when the output is silent too. Real-time safe.
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
