//! A delay by whole frames. The samples come out as they went in, bit for bit.

/// Delay line for up to two channels of `f32`, for blocks of any length.
#[derive(Debug, Clone)]
pub struct DelayLine {
    rings: Vec<Vec<f32>>,
    position: usize,
}

impl DelayLine {
    /// A line of `delay_frames` frames (0 passes straight through) for `channels` channels.
    /// Allocates.
    pub fn new(delay_frames: usize, channels: usize) -> Self {
        Self {
            rings: vec![vec![0.0; delay_frames]; channels],
            position: 0,
        }
    }

    /// Frames between input and output; constant for the life of the line.
    pub fn latency_frames(&self) -> usize {
        self.rings.first().map_or(0, Vec::len)
    }

    /// Fills the line with silence. Real-time safe.
    pub fn reset(&mut self) {
        for ring in &mut self.rings {
            ring.fill(0.0);
        }
        self.position = 0;
    }

    /// What is on its way in each channel, oldest first. Real-time safe.
    pub fn held(&self) -> impl Iterator<Item = impl Iterator<Item = f32>> {
        self.rings.iter().map(|ring| {
            let (newer, older) = ring.split_at(self.position);
            older.iter().chain(newer).copied()
        })
    }

    /// Takes over what is on its way in another as long. Real-time safe.
    pub fn copy_from(&mut self, other: &Self) {
        for (ring, other) in self.rings.iter_mut().zip(&other.rings) {
            ring.copy_from_slice(other);
        }
        self.position = other.position;
    }

    /// Delays planar channels in place. Real-time safe.
    ///
    /// As many frames are taken as the shortest channel has; channels beyond those of `new` are
    /// left as they are.
    pub fn process(&mut self, channels: &mut [&mut [f32]]) {
        let delay = self.latency_frames();
        let frames = channels
            .iter()
            .map(|channel| channel.len())
            .min()
            .unwrap_or(0);
        if delay == 0 {
            return;
        }
        let mut start = 0;
        while start < frames {
            // The ring is exactly as long as the delay, so the cell to write is the cell to read:
            // swap them.
            let run = (delay - self.position).min(frames - start);
            for (ring, channel) in self.rings.iter_mut().zip(channels.iter_mut()) {
                let cells = ring.get_mut(self.position..self.position + run);
                let samples = channel.get_mut(start..start + run);
                if let (Some(cells), Some(samples)) = (cells, samples) {
                    cells.swap_with_slice(samples);
                }
            }
            start += run;
            self.position += run;
            if self.position >= delay {
                self.position = 0;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn output_is_the_input_moved_whatever_the_blocks(
            delay in 0_usize..70,
            blocks in proptest::collection::vec(0_usize..90, 1..20),
        ) {
            let total: usize = blocks.iter().sum();
            let input: Vec<f32> = (0..total).map(|n| f32::from_bits(0x3f80_0000 + n as u32)).collect();
            let mut line = DelayLine::new(delay, 2);
            prop_assert_eq!(line.latency_frames(), delay);
            for _ in 0..2 {
                let (mut left, mut right) = (input.clone(), input.iter().map(|x| -x).collect::<Vec<f32>>());
                let mut start = 0;
                for len in &blocks {
                    line.process(&mut [&mut left[start..start + len], &mut right[start..start + len]]);
                    start += len;
                }
                // What has not come out is on its way.
                let mut copy = DelayLine::new(delay, 2);
                copy.copy_from(&line);
                let held: Vec<f32> = copy.held().next().unwrap().collect();
                let all: Vec<f32> = vec![0.0; delay].into_iter().chain(input.iter().copied()).collect();
                prop_assert_eq!(&held, &all[total..]);
                for n in 0..total {
                    let expected = if n < delay { 0.0 } else { input[n - delay] };
                    prop_assert_eq!(left[n].to_bits(), expected.to_bits());
                    prop_assert_eq!(right[n].abs().to_bits(), expected.to_bits());
                }
                line.reset();
            }
        }
    }

    #[test]
    fn channels_of_unlike_length_and_surplus_channels_do_no_harm() {
        let mut line = DelayLine::new(3, 1);
        let (mut short, mut long) = ([1.0_f32; 2], [2.0_f32; 5]);
        line.process(&mut [&mut short, &mut long]);
        assert_eq!((short, long), ([0.0; 2], [2.0; 5]));
        line.process(&mut []);
    }
}
