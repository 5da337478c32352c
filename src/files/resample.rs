//! Audio at another sample rate.

use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{
    Async, FixedAsync, Indexing, Resampler as _, ResamplerConstructionError,
    SincInterpolationParameters, WindowFunction,
};

/// Frames that are read at a time.
pub const CHUNK: usize = 1024;

/// Brings audio from one sample rate to another, chunk by chunk, in step: the first frame that
/// comes out lies where the first lay that went in.
pub struct Resampler {
    inner: Async<f32>,
    ratio: f64,
    /// Frames that went in; frames that are still to be dropped, since they came before the first.
    taken: usize,
    to_drop: usize,
    block: Vec<Vec<f32>>,
    out: Vec<Vec<f32>>,
}

impl Resampler {
    /// From one rate in Hz to another; `None` where they are the same.
    ///
    /// # Errors
    /// They are too far apart.
    pub fn new(
        from_hz: f64,
        to_hz: f64,
        channels: usize,
    ) -> Result<Option<Self>, ResamplerConstructionError> {
        if (from_hz - to_hz).abs() < 1e-6 * to_hz {
            return Ok(None);
        }
        let ratio = to_hz / from_hz;
        // Stop band below the noise of 24 bits.
        let sinc = SincInterpolationParameters::new(256, WindowFunction::BlackmanHarris2);
        let inner = Async::new_sinc(ratio, 1.0, &sinc, CHUNK, channels, FixedAsync::Input)?;
        Ok(Some(Self {
            ratio,
            taken: 0,
            to_drop: inner.output_delay(),
            block: vec![vec![0.0; CHUNK]; channels],
            out: vec![vec![0.0; inner.output_frames_max()]; channels],
            inner,
        }))
    }

    /// Takes up to [`CHUNK`] frames, fewer only at the end, and adds what comes of them to `to`.
    pub fn take(&mut self, planes: &[Vec<f32>], to: &mut [Vec<f32>]) {
        let frames = planes.first().map_or(0, |plane| plane.len().min(CHUNK));
        for (block, plane) in self.block.iter_mut().zip(planes) {
            if let (Some(block), Some(plane)) = (block.get_mut(..frames), plane.get(..frames)) {
                block.copy_from_slice(plane);
            }
        }
        self.taken += frames;
        self.run(frames, to);
    }

    /// Adds what is still on its way to `to`, which then has as many frames as the whole lasts.
    pub fn finish(&mut self, to: &mut [Vec<f32>]) {
        #[expect(clippy::cast_sign_loss, reason = "a product of positive numbers")]
        let length = (self.taken as f64 * self.ratio).round() as usize;
        while to.first().is_some_and(|to| to.len() < length) && self.run(0, to) {}
        for to in to {
            to.truncate(length);
        }
    }

    /// Runs the chunk at hand, of which so many frames are sound; false if nothing came of it.
    fn run(&mut self, frames: usize, to: &mut [Vec<f32>]) -> bool {
        let channels = self.block.len();
        let out_frames = self.out.first().map_or(0, Vec::len);
        // Their lengths are those that were asked for.
        let (Ok(block), Ok(mut out)) = (
            SequentialSliceOfVecs::new(&self.block, channels, CHUNK),
            SequentialSliceOfVecs::new_mut(&mut self.out, channels, out_frames),
        ) else {
            return false;
        };
        let indexing = Indexing::new().partial_len(frames);
        let Ok((_, made)) = self
            .inner
            .process_into_buffer(&block, &mut out, Some(&indexing))
        else {
            return false;
        };
        let from = self.to_drop.min(made);
        self.to_drop -= from;
        for (to, out) in to.iter_mut().zip(&self.out) {
            to.extend_from_slice(out.get(from..made).unwrap_or_default());
        }
        made > 0
    }
}
