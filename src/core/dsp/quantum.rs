//! Blocks of any length regrouped into quanta of 32 frames.
//!
//! A stage that filters over time wants a known number of frames at known places: its vectors are
//! always full, its decisions fall on the same frames however the host cuts its blocks, and so its
//! output cannot depend on that cut.

use super::fault::{LARGEST_SAMPLE, or_silence};
use super::ramp::Ramp;

/// Frames in a quantum, and the latency that regrouping adds.
pub const QUANTUM: usize = 32;

/// One channel of one quantum.
pub type Lane = [f32; QUANTUM];

/// The regrouping of one or two channels.
#[derive(Debug, Clone)]
pub struct Quanta {
    /// Before `filled`: input gathered so far. From `filled` on: output not yet handed out.
    held: [Lane; 2],
    filled: usize,
}

impl Quanta {
    /// An empty regrouping; the first [`QUANTUM`] frames that come out are silence.
    pub fn new() -> Self {
        Self {
            held: [[0.0; QUANTUM]; 2],
            filled: 0,
        }
    }

    /// Back to the state after `new`. Real-time safe.
    pub fn reset(&mut self) {
        *self = Self::new();
    }

    /// As [`reset`](Self::reset), so many frames into a quantum.
    pub fn reset_at(&mut self, filled: usize) {
        self.reset();
        self.filled = filled % QUANTUM;
    }

    /// Delays `channels` by [`QUANTUM`] frames, calling `work` to change each quantum in place as
    /// soon as it is full.
    ///
    /// A channel that is missing is silence to `work`; a third and later one is left as it is. As
    /// many frames are taken as the shortest channel has. Real-time safe if `work` is.
    pub fn process(&mut self, channels: &mut [&mut [f32]], mut work: impl FnMut(&mut [Lane; 2])) {
        let frames = channels
            .iter()
            .map(|channel| channel.len())
            .min()
            .unwrap_or(0);
        let mut start = 0;
        while start < frames {
            let run = (QUANTUM - self.filled).min(frames - start);
            for (held, channel) in self.held.iter_mut().zip(channels.iter_mut()) {
                let cells = held.get_mut(self.filled..self.filled + run);
                let samples = channel.get_mut(start..start + run);
                if let (Some(cells), Some(samples)) = (cells, samples) {
                    cells.swap_with_slice(samples);
                }
            }
            start += run;
            self.filled += run;
            if self.filled == QUANTUM {
                self.filled = 0;
                work(&mut self.held);
            }
        }
    }
}

impl Default for Quanta {
    fn default() -> Self {
        Self::new()
    }
}

/// Replaces samples that are no audio by silence. Real-time safe.
pub fn remove_faults(lane: &mut Lane) {
    for x in lane {
        *x = or_silence(*x, LARGEST_SAMPLE);
    }
}

/// The next quantum of a ramp, a value for each frame. Real-time safe.
pub fn frames_of(ramp: &mut Ramp) -> Lane {
    if ramp.is_settled() {
        [ramp.value() as f32; QUANTUM]
    } else {
        std::array::from_fn(|_| ramp.advance() as f32)
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "the very same samples, not some nearby")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn quanta_come_out_whole_in_order_and_one_quantum_late(blocks in proptest::collection::vec(0_usize..90, 1..20)) {
            let total: usize = blocks.iter().sum();
            let mut signal: Vec<f32> = (1..=total).map(|n| n as f32).collect();
            let mut quanta = Quanta::new();
            let mut seen = 0.0;
            let mut start = 0;
            for len in blocks {
                quanta.process(&mut [&mut signal[start..start + len]], |held| {
                    for sample in &mut held[0] {
                        seen += 1.0;
                        assert_eq!(*sample, seen);
                        *sample = -*sample;
                    }
                });
                start += len;
            }
            for (n, sample) in signal.iter().enumerate() {
                prop_assert_eq!(*sample, if n < QUANTUM { 0.0 } else { -((n - QUANTUM + 1) as f32) });
            }
        }
    }

    #[test]
    fn a_ramp_is_followed_frame_by_frame() {
        let mut ramp = Ramp::new(1000.0, 40.0);
        ramp.set_target(0.25);
        assert_eq!(frames_of(&mut ramp), [0.25; QUANTUM]);
        ramp.set_target(0.75);
        let mut alone = ramp;
        for _ in 0..3 {
            let expected: Lane = std::array::from_fn(|_| alone.advance() as f32);
            assert_eq!(frames_of(&mut ramp), expected);
        }
        assert_eq!(frames_of(&mut ramp), [0.75; QUANTUM]);
    }
}
