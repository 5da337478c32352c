//! A signal through the responses of a [`Transfer`], in blocks of any size.

use super::Transfer;
use super::correlation::real_ends;
use crestline_transforms::{forward_f64, inverse_f64};
use realfft::num_complex::Complex64;
use realfft::{ComplexToReal, RealToComplex};
use std::fmt;
use std::sync::Arc;

/// Filters signals without an end. Overlap-save: four responses to a transform, so that three
/// quarters of each come out.
pub struct Convolution {
    taps: usize,
    /// Frames that come out at once.
    hop: usize,
    lead: usize,
    means: [f64; 2],
    through: [f64; 2],
    responses: Vec<Vec<Option<Vec<Complex64>>>>,
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
    /// The last `taps` frames of each channel and those that have come in since.
    waiting: Vec<Vec<f32>>,
    /// Frames that are still to be left out: the first of the response's lead.
    leading: usize,
}

impl fmt::Debug for Convolution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Convolution")
            .field("taps", &self.taps)
            .field("waiting", &self.waiting.first().map(Vec::len))
            .finish_non_exhaustive()
    }
}

impl Convolution {
    /// From silence. Allocates.
    pub fn new(transfer: &Transfer) -> Self {
        let taps = transfer.taps();
        let length = 4 * taps;
        let (forward, backward) = (forward_f64(length), inverse_f64(length));
        let spectrum = |response: &Option<Vec<f64>>| {
            response.as_ref().map(|response| {
                let mut time = response.clone();
                time.resize(length, 0.0);
                let mut spectrum = forward.make_output_vec();
                // The buffers were made by the plan itself, so this cannot fail.
                let _ = forward.process(&mut time, &mut spectrum);
                spectrum
            })
        };
        let responses: Vec<Vec<_>> = transfer
            .responses
            .iter()
            .map(|row| row.iter().map(spectrum).collect())
            .collect();
        Self {
            taps,
            hop: length - taps,
            lead: transfer.lead,
            means: transfer.means[0],
            through: transfer.through.unwrap_or_default(),
            waiting: vec![vec![0.0; taps]; responses.len()],
            responses,
            forward,
            backward,
            leading: transfer.lead,
        }
    }

    /// Takes one slice a channel, all of one length, and appends to `filtered` what is ready: in
    /// step with the input from its first frame on, only later.
    pub fn process(&mut self, signal: &[&[f32]], filtered: &mut [Vec<f32>]) {
        let frames = signal
            .iter()
            .map(|channel| channel.len())
            .min()
            .unwrap_or(0);
        for ((waiting, channel), mean) in self.waiting.iter_mut().zip(signal).zip(self.means) {
            let centred = channel
                .iter()
                .map(|sample| (f64::from(*sample) - mean) as f32);
            waiting.extend(centred.take(frames));
        }
        while self
            .waiting
            .iter()
            .all(|waiting| waiting.len() >= self.taps + self.hop)
        {
            self.hop(filtered);
        }
    }

    /// Appends the rest, so that as much has come out as has gone in. A stretch ends here.
    pub fn finish(&mut self, filtered: &mut [Vec<f32>]) {
        let left = self
            .waiting
            .first()
            .map_or(0, |waiting| waiting.len() - self.taps);
        let wanted = filtered.first().map_or(0, Vec::len) + left + self.lead - self.leading;
        for waiting in &mut self.waiting {
            waiting.resize(waiting.len() + self.lead + self.hop, 0.0);
        }
        while self
            .waiting
            .iter()
            .all(|waiting| waiting.len() >= self.taps + self.hop)
        {
            self.hop(filtered);
        }
        for channel in filtered {
            channel.truncate(wanted);
        }
    }

    fn hop(&mut self, filtered: &mut [Vec<f32>]) {
        let mut time = vec![0.0; 4 * self.taps];
        let spectra: Vec<Vec<Complex64>> = self
            .waiting
            .iter()
            .map(|waiting| {
                for (value, sample) in time.iter_mut().zip(waiting) {
                    *value = f64::from(*sample);
                }
                let mut spectrum = self.forward.make_output_vec();
                let _ = self.forward.process(&mut time, &mut spectrum);
                spectrum
            })
            .collect();
        let skipped = self.leading.min(self.hop);
        for ((row, channel), through) in self.responses.iter().zip(filtered).zip(self.through) {
            let mut sum = vec![Complex64::default(); 2 * self.taps + 1];
            for (response, spectrum) in row.iter().zip(&spectra) {
                for ((sum, a), b) in sum.iter_mut().zip(response.iter().flatten()).zip(spectrum) {
                    *sum += a * b;
                }
            }
            real_ends(&mut sum);
            let _ = self.backward.process(&mut sum, &mut time);
            let scale = 1.0 / (4 * self.taps) as f64;
            let ready = time.iter().skip(self.taps + skipped);
            channel.extend(ready.map(|value| (scale * value + through) as f32));
        }
        self.leading -= skipped;
        for waiting in &mut self.waiting {
            waiting.drain(..self.hop);
        }
    }
}

/// A whole stretch through the responses.
pub(super) fn filtered(transfer: &Transfer, signal: &[Vec<f32>]) -> Vec<Vec<f32>> {
    let mut out = vec![Vec::new(); signal.len()];
    let mut convolution = Convolution::new(transfer);
    let signal: Vec<&[f32]> = signal.iter().map(Vec::as_slice).collect();
    convolution.process(&signal, &mut out);
    convolution.finish(&mut out);
    out
}
