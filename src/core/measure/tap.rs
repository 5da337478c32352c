//! What happened between a tap in front and the input: the same measurement as within the chain,
//! with the delay between the two taken out.

use super::alignment::Alignment;
use super::reduction::{GainMemory, Reduction, ReductionMeter, RestGain};

/// Longest delay that is taken out, ms, whichever of the two signals is late.
pub const LONGEST_DELAY_MS: f64 = 200.0;

/// Longest delay that is taken out, in frames.
pub fn longest_delay_frames(sample_rate_hz: f64) -> usize {
    #[expect(clippy::cast_sign_loss, reason = "a product of positive numbers")]
    let frames = (LONGEST_DELAY_MS * sample_rate_hz / 1000.0).round() as usize;
    frames
}

/// Measures a signal against a tap in front of it, for one or two channels.
#[derive(Clone, Debug)]
pub struct TapMeter {
    meter: ReductionMeter,
    tap: FrameRing,
    input: FrameRing,
    aligned: Option<(i32, bool)>,
}

/// The recent past of one or two channels, to be read at any delay.
#[derive(Clone, Debug)]
struct FrameRing {
    rings: Vec<Vec<f32>>,
    /// Where the next frame goes.
    head: usize,
    read: [Vec<f32>; 2],
}

impl TapMeter {
    /// A meter for `channels` (1 or 2) channels and blocks of at most `max_block` frames.
    /// Allocates.
    pub fn new(sample_rate_hz: f64, channels: usize, max_block: usize) -> Self {
        let ring = FrameRing::new(
            longest_delay_frames(sample_rate_hz),
            channels.clamp(1, 2),
            max_block,
        );
        Self {
            meter: ReductionMeter::new(
                sample_rate_hz,
                channels,
                1,
                GainMemory::TenSeconds,
                RestGain::Automatic,
            ),
            tap: ring.clone(),
            input: ring,
            aligned: None,
        }
    }

    /// Forgets everything measured so far.
    ///
    /// # Realtime Safety
    /// Yes.
    pub fn restart(&mut self) {
        self.meter.restart();
    }

    /// Moves the corners between the bands, in Hz, low to high; takes 50 ms.
    ///
    /// # Realtime Safety
    /// Yes.
    pub fn set_corners(&mut self, corners_hz: [f64; 3]) {
        self.meter.set_corners(corners_hz);
    }

    /// Where the gain at rest is taken from.
    ///
    /// # Realtime Safety
    /// Yes.
    pub fn set_rest_gain(&mut self, rest: RestGain) {
        self.meter.set_rest_gain(rest);
    }

    /// Takes one slice a channel of each signal, all of one length, at most `max_block` frames, and
    /// measures them as they are aligned. Another alignment than before is a new beginning; without
    /// one nothing is measured.
    ///
    /// # Realtime Safety
    /// Yes.
    pub fn process(&mut self, tap: &[&[f32]], input: &[&[f32]], alignment: Option<Alignment>) {
        let aligned = alignment.map(|found| (found.delay_frames, found.inverted));
        if aligned != self.aligned {
            self.aligned = aligned;
            self.meter.restart();
            self.meter.skip(0);
        }
        let (frames, room) = (
            input.first().map_or(0, |channel| channel.len()),
            self.tap.read[0].len(),
        );
        let frames = frames.min(room);
        self.tap.write(tap, frames);
        self.input.write(input, frames);
        let Some((delay, inverted)) = aligned else {
            return;
        };
        let late = |frames: i32| frames.max(0).unsigned_abs() as usize;
        self.tap
            .read(late(delay), frames, if inverted { -1.0 } else { 1.0 });
        self.input.read(late(delay.saturating_neg()), frames, 1.0);
        self.meter
            .process(&self.tap.at_hand(frames), &[&self.input.at_hand(frames)]);
    }

    /// What the process between tap and input does.
    ///
    /// # Realtime Safety
    /// Yes: a copy.
    pub fn readings(&self) -> Reduction {
        self.meter.readings(0)
    }
}

impl FrameRing {
    fn new(longest_delay: usize, channels: usize, max_block: usize) -> Self {
        Self {
            rings: vec![vec![0.0; longest_delay + max_block]; channels],
            head: 0,
            read: [vec![0.0; max_block], vec![0.0; max_block]],
        }
    }

    fn len(&self) -> usize {
        self.rings.first().map_or(1, Vec::len)
    }

    /// Takes `frames` frames; what is missing is silence.
    fn write(&mut self, channels: &[&[f32]], frames: usize) {
        let (len, head) = (self.len(), self.head);
        for (index, ring) in self.rings.iter_mut().enumerate() {
            let (start, end) = ring.split_at_mut(head);
            let samples = channels
                .get(index)
                .copied()
                .unwrap_or_default()
                .iter()
                .copied();
            let cells = end.iter_mut().chain(start).take(frames);
            for (cell, sample) in cells.zip(samples.chain(std::iter::repeat(0.0))) {
                *cell = sample;
            }
        }
        self.head = (head + frames) % len;
    }

    /// Lays out the last `frames` frames, `delay` frames late.
    fn read(&mut self, delay: usize, frames: usize, gain: f32) {
        let len = self.len();
        let delay = delay.min(len - frames.min(len));
        let first = (self.head + 2 * len - delay - frames) % len;
        for (ring, read) in self.rings.iter().zip(&mut self.read) {
            let (start, end) = ring.split_at(first);
            for (sample, cell) in read.iter_mut().take(frames).zip(end.iter().chain(start)) {
                *sample = gain * cell;
            }
        }
    }

    fn at_hand(&self, frames: usize) -> [&[f32]; 2] {
        self.read
            .each_ref()
            .map(|channel| &channel[..frames.min(channel.len())])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_past_is_read_at_any_delay() {
        let mut ring = FrameRing::new(7, 2, 4);
        let mut written: Vec<f32> = vec![0.0; 20];
        for block in 0..30_usize {
            let frames = 1 + block % 4;
            let new: Vec<f32> = (0..frames)
                .map(|frame| (written.len() + frame) as f32)
                .collect();
            let upside_down: Vec<f32> = new.iter().map(|sample| -sample).collect();
            written.extend(&new);
            ring.write(&[&new, &upside_down], frames);
            for delay in 0..=7 {
                ring.read(delay, frames, 2.0);
                let end = written.len() - delay;
                for (read, sample) in ring.at_hand(frames)[0]
                    .iter()
                    .zip(&written[end - frames..end])
                {
                    assert_eq!(*read, 2.0 * sample);
                }
                assert_eq!(ring.at_hand(frames)[1][0], -ring.at_hand(frames)[0][0]);
            }
        }
    }
}
