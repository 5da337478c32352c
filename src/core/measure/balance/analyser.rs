//! The running spectrum of two channels at one resolution.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use super::{band_edge_hz, dot, power_of_two};
use crate::dsp::quad::{Level, dispatch};
use rustfft::Fft;
use rustfft::num_complex::Complex32;
use std::f64::consts::PI;
use std::ops::Range;
use std::sync::Arc;

/// The share of each spectral line that belongs to one band: lines `first..`, weighted.
#[derive(Clone, Debug)]
struct BandLines {
    first: usize,
    weights: Vec<f32>,
}

impl BandLines {
    /// A line stands for the stretch of half a line's distance to either side.
    fn new(low_hz: f64, high_hz: f64, line_hz: f64, lines: usize) -> Self {
        let (low, high) = (low_hz / line_hz + 0.5, high_hz / line_hz + 0.5);
        let share = |line: usize| {
            ((line as f64 + 1.0).min(high) - (line as f64).max(low)).clamp(0.0, 1.0) as f32
        };
        let first = (1..lines).find(|&line| share(line) > 0.0).unwrap_or(lines);
        let weights = (first..lines)
            .map(share)
            .take_while(|&share| share > 0.0)
            .collect();
        Self { first, weights }
    }
}

/// The running spectrum of two channels at one resolution.
///
/// One is the real, the other the imaginary part of one transform Z: what they have in common
/// cancels in `(|Z(k)|² + |Z(−k)|²)/2`, which leaves the power of both at line k, at half the work
/// of two transforms of real signals.
pub(super) struct Analyser {
    level: Level,
    transform: Arc<dyn Fft<f32>>,
    /// The same for both parts, so that products need no regrouping.
    window: Vec<Complex32>,
    /// The signal, filled from the left; after each spectrum all but a hop of it is kept.
    signal: Vec<Complex32>,
    filled: usize,
    hop: usize,
    /// So many of them, from the left, nobody has heard: no spectrum is made of those.
    unheard: usize,
    spectrum: Vec<Complex32>,
    scratch: Vec<Complex32>,
    /// Power of both channels in each line, not yet scaled.
    power: Vec<f32>,
    power_scale: f32,
    bands: Vec<BandLines>,
}

impl Analyser {
    /// `overlap`: so many spectra hold each moment.
    pub fn new(sample_rate_hz: f64, span_s: f64, overlap: usize, bands: Range<usize>) -> Self {
        let len = power_of_two(sample_rate_hz * span_s).max(16);
        let transform = crestline_transforms::forward_complex_f32(len);
        let hann = |n: usize| 0.5 - 0.5 * (2.0 * PI * n as f64 / len as f64).cos();
        let window = (0..len).map(|n| Complex32::new(hann(n) as f32, hann(n) as f32));
        let window_power: f64 = (0..len).map(|n| hann(n) * hann(n)).sum();
        let lines = len / 2;
        let line_hz = sample_rate_hz / len as f64;
        let hop = len / overlap;
        let zeros = |len: usize| vec![Complex32::default(); len];
        Self {
            level: Level::new(),
            scratch: zeros(transform.get_inplace_scratch_len()),
            transform,
            window: window.collect(),
            signal: zeros(len),
            filled: 0,
            hop,
            unheard: 0,
            spectrum: zeros(len),
            power: vec![0.0; lines],
            // Parseval, one-sided: mean square = 2·Σ|X|² / (N·Σw²); and half of it, for the two
            // sides of Z.
            power_scale: (1.0 / (len as f64 * window_power)) as f32,
            bands: bands
                .map(|band| {
                    BandLines::new(band_edge_hz(band), band_edge_hz(band + 1), line_hz, lines)
                })
                .collect(),
        }
    }

    /// The same with its spectra due earlier by so many hops, of which whole ones make no difference.
    pub fn staggered(self, hops: f64) -> Self {
        #[expect(clippy::cast_sign_loss, reason = "a part of a length")]
        let filled = (hops.rem_euclid(1.0) * self.hop as f64) as usize;
        Self {
            filled,
            unheard: filled,
            ..self
        }
    }

    pub fn reset(&mut self) {
        // `filled` stays: the stagger between the meters must survive.
        self.signal.fill(Complex32::default());
        self.unheard = self.filled;
    }

    /// Takes samples of both channels, as many of either; calls `spectrum_due` with the power in
    /// each band whenever a spectrum is complete.
    pub fn push(
        &mut self,
        [mut left, mut right]: [&[f32]; 2],
        mut spectrum_due: impl FnMut(&mut dyn Iterator<Item = f32>),
    ) {
        while !left.is_empty() && !right.is_empty() {
            let room = self.signal.len() - self.filled;
            let now = room.min(left.len()).min(right.len());
            let free = self.signal[self.filled..].iter_mut();
            for ((cell, left), right) in free.zip(&left[..now]).zip(&right[..now]) {
                *cell = Complex32::new(*left, *right);
            }
            self.filled += now;
            (left, right) = (&left[now..], &right[now..]);
            if self.filled == self.signal.len() {
                if self.unheard == 0 {
                    self.transform();
                    spectrum_due(&mut self.bands.iter().map(|band| {
                        let lines = &self.power[band.first..];
                        dot(self.level, &lines[..band.weights.len()], &band.weights)
                            * self.power_scale
                    }));
                }
                self.signal.copy_within(self.hop.., 0);
                self.filled -= self.hop;
                self.unheard = self.unheard.saturating_sub(self.hop);
            }
        }
    }

    /// Frames that a spectrum is made of.
    pub fn frames(&self) -> usize {
        self.signal.len()
    }

    /// Counts samples that another analyser takes.
    pub fn pass(&mut self, frames: usize) {
        let (len, hop) = (self.signal.len(), self.hop);
        self.filled += frames;
        if self.filled >= len {
            self.filled = len - hop + (self.filled - len) % hop;
        }
    }

    /// Goes on with the signal of `other`, which has taken what this one has
    /// [passed](Self::pass), at moments of its own.
    pub fn go_on_from(&mut self, other: &Self) {
        // What that one has left behind cannot be had: spectra that begin there are left out.
        while self.filled > other.filled && self.filled >= self.hop {
            self.filled -= self.hop;
        }
        self.unheard = (other.unheard + self.filled).saturating_sub(other.filled);
        let known = self.filled.min(other.filled);
        let (before, signal) = self.signal[..self.filled].split_at_mut(self.filled - known);
        before.fill(Complex32::default());
        signal.copy_from_slice(&other.signal[other.filled - known..other.filled]);
    }

    fn transform(&mut self) {
        dispatch!(self.level, _ => weigh(&self.signal, &self.window, &mut self.spectrum));
        self.transform
            .process_with_scratch(&mut self.spectrum, &mut self.scratch);
        dispatch!(self.level, _ => powers(&self.spectrum, &mut self.power));
    }
}

#[inline(always)]
pub(super) fn weigh(signal: &[Complex32], window: &[Complex32], weighed: &mut [Complex32]) {
    for (out, (sample, window)) in weighed.iter_mut().zip(signal.iter().zip(window)) {
        *out = Complex32::new(sample.re * window.re, sample.im * window.im);
    }
}

/// The power in each line and its mirror.
#[inline(always)]
pub(super) fn powers(spectrum: &[Complex32], powers: &mut [f32]) {
    let (lines, mirrors) = spectrum.split_at(powers.len());
    for (power, line) in powers.iter_mut().zip(lines) {
        *power = line.re * line.re + line.im * line.im;
    }
    // Line 0 has no mirror; nothing is made of it.
    for (power, mirror) in powers.iter_mut().skip(1).zip(mirrors.iter().rev()) {
        *power += mirror.re * mirror.re + mirror.im * mirror.im;
    }
}
