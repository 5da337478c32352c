//! Sample peak and clipped runs of one channel.
//!
//! Three or more samples in a row at full scale are a clipped run (common practice), and so are
//! three or more *equal* samples in a row at the channel's own peak of their sign, where that lies
//! within 0.1 dB of full scale: clipping that was turned down a little afterwards. Clipping breaks
//! off; the crest of a wave rounds off: three samples of it within one step of 16 bits have
//! neighbours at most 4 steps lower and second neighbours at most 9 (a parabola through them),
//! however low the wave. So the sample before the run or the one after it must lie farther down, or
//! the second one before it. Beyond full scale no neighbour is asked: any fixed-point file or
//! converter will clip there.

use super::true_peak::highest_lane;
use std::array;
use wide::f32x8;

/// One step of 16 bits.
const STEP: f32 = 1.0 / 32_768.0;
/// The smallest magnitude that counts as full scale: the largest positive 16-bit sample.
const FULL_SCALE: f32 = 1.0 - STEP;
/// A peak within 0.1 dB of full scale, `10^(−0.1/20)`, can be that of clipping.
const NEAR_FULL_SCALE: f32 = 0.988_553_1;
/// The neighbours and the second neighbours of a rounded crest are no farther down.
const EDGE: f32 = 4.0 * STEP;
const SECOND_EDGE: f32 = 10.0 * STEP;
/// Samples that make a run.
const CLIPPED_RUN: u64 = 3;

/// Sample peak and clipped runs of one channel.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct PeakAndClips {
    /// Highest and lowest sample, the latter with its sign changed.
    peaks: [f32; 2],
    /// Runs at full scale and beyond.
    at_full_scale: Runs,
    /// Runs at the peak of either sign below full scale; a higher peak begins them anew.
    at_peak: [Runs; 2],
    /// The last sample and the one before it.
    last: [f32; 2],
}

/// The runs at one level.
#[derive(Clone, Copy, Debug, Default)]
struct Runs {
    count: u64,
    /// Frame of the third sample of the last clipped run.
    last_frame: Option<u64>,
    /// Samples in the present run, and whether it is known to be clipped.
    length: u64,
    clipped: bool,
    /// Frame of the present run's third sample.
    third_frame: u64,
}

impl Runs {
    /// Takes a sample that belongs to a run; `clipped` says that by this sample alone or by the one
    /// before it the run is a clipped one.
    fn extend(&mut self, frame: u64, clipped: bool) {
        self.length += 1;
        if self.length == CLIPPED_RUN {
            self.third_frame = frame;
        }
        let known_before = self.clipped && self.length > CLIPPED_RUN;
        self.clipped |= clipped;
        if self.clipped && self.length >= CLIPPED_RUN && !known_before {
            self.count_run();
        }
    }

    /// Ends the run; `clipped` says that by the sample after it the run was a clipped one.
    fn end(&mut self, clipped: bool) {
        if self.length >= CLIPPED_RUN && clipped && !self.clipped {
            self.count_run();
        }
        self.length = 0;
        self.clipped = false;
    }

    fn count_run(&mut self) {
        self.count += 1;
        self.last_frame = Some(self.third_frame);
    }
}

impl PeakAndClips {
    /// Takes finite samples; `first_frame` is the frame number of the first of them. Returns their
    /// highest magnitude.
    pub fn process(&mut self, samples: &[f32], first_frame: u64) -> f32 {
        let Some((&last, others)) = samples.split_last() else {
            return 0.0;
        };
        let peaks = peaks(samples);
        let near = |sign: usize| peaks[sign] >= NEAR_FULL_SCALE && peaks[sign] >= self.peaks[sign];
        let full = peaks.iter().any(|peak| *peak >= FULL_SCALE);
        if full || near(0) || near(1) {
            for (frame, sample) in (first_frame..).zip(samples) {
                self.look_at(*sample, frame);
            }
        } else {
            self.end_runs(samples[0]);
            self.peaks = array::from_fn(|sign| self.peaks[sign].max(peaks[sign]));
            self.last = [last, others.last().copied().unwrap_or(self.last[0])];
        }
        peaks[0].max(peaks[1])
    }

    fn look_at(&mut self, sample: f32, frame: u64) {
        let magnitude = sample.abs();
        let [up, down] = &self.at_peak;
        if magnitude < NEAR_FULL_SCALE && self.at_full_scale.length + up.length + down.length == 0 {
            self.peaks = [self.peaks[0].max(sample), self.peaks[1].max(-sample)];
            self.last = [sample, self.last[0]];
            return;
        }
        if magnitude >= FULL_SCALE {
            let begins = self.at_full_scale.length == 0;
            let breaks = begins && breaks_off(self.last.map(f32::abs), magnitude, frame);
            self.at_full_scale.extend(frame, magnitude > 1.0 || breaks);
        } else if self.at_full_scale.length > 0 {
            self.at_full_scale
                .end(magnitude < self.last[0].abs() - EDGE);
        }
        for (sign, value) in [sample, -sample].into_iter().enumerate() {
            let (peak, runs) = (&mut self.peaks[sign], &mut self.at_peak[sign]);
            if value > *peak {
                *peak = value;
                *runs = Runs::default();
            }
            if value >= *peak && value >= NEAR_FULL_SCALE {
                let last = self.last.map(|last| if sign == 0 { last } else { -last });
                let breaks = runs.length == 0 && breaks_off(last, value, frame);
                runs.extend(frame, breaks);
            } else if runs.length > 0 {
                runs.end(value < *peak - EDGE);
            }
        }
        self.last = [sample, self.last[0]];
    }

    /// Ends what runs there are at a stretch of samples that belong to none and begin with `next`.
    fn end_runs(&mut self, next: f32) {
        if self.at_full_scale.length > 0 {
            self.at_full_scale
                .end(next.abs() < self.last[0].abs() - EDGE);
        }
        for (sign, value) in [next, -next].into_iter().enumerate() {
            if self.at_peak[sign].length > 0 {
                self.at_peak[sign].end(value < self.peaks[sign] - EDGE);
            }
        }
    }

    /// Highest absolute sample.
    pub fn peak(&self) -> f32 {
        self.peaks[0].max(self.peaks[1])
    }

    /// Clipped runs so far. A run below full scale counts only as long as no higher sample of its
    /// sign has come.
    pub fn clipped_runs(&self) -> u64 {
        self.levels().map(|runs| runs.count).sum()
    }

    /// Frame of the third sample of the last such run.
    pub fn last_clip_frame(&self) -> Option<u64> {
        self.levels().filter_map(|runs| runs.last_frame).max()
    }

    fn levels(&self) -> impl Iterator<Item = &Runs> {
        let below = self.at_peak.iter().zip(self.peaks);
        let below = below.filter_map(|(runs, peak)| (peak < FULL_SCALE).then_some(runs));
        below.chain([&self.at_full_scale])
    }
}

/// Whether a run that begins with `value` stands off from the two samples before it. Of what came
/// before the first frame nothing is known.
fn breaks_off([before, second]: [f32; 2], value: f32, frame: u64) -> bool {
    (frame > 0 && before < value - EDGE) || (frame > 1 && second < value - SECOND_EDGE)
}

/// Highest and lowest of some samples, the latter with its sign changed; neither below 0.
fn peaks(samples: &[f32]) -> [f32; 2] {
    let (eights, rest) = samples.as_chunks::<8>();
    let mut highest = [f32x8::ZERO; 2];
    for eight in eights {
        let eight = f32x8::new(*eight);
        highest[0] = highest[0].fast_max(eight);
        highest[1] = highest[1].fast_max(-eight);
    }
    let [mut high, mut low] = highest.map(highest_lane);
    for sample in rest {
        high = high.max(*sample);
        low = low.max(-sample);
    }
    [high, low]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(samples: &[f32]) -> PeakAndClips {
        let mut clips = PeakAndClips::default();
        clips.process(samples, 0);
        clips
    }

    #[test]
    fn runs_are_counted_across_blocks_and_once_each() {
        let mut clips = PeakAndClips::default();
        clips.process(&[0.0, 1.0, 1.0], 0);
        assert_eq!(clips.clipped_runs(), 0);
        clips.process(&[1.0, 1.0, 0.2, 1.0, -1.0, 0.0], 3);
        assert_eq!(
            (clips.clipped_runs(), clips.last_clip_frame()),
            (1, Some(3))
        );
        clips.process(&[-1.0, -1.0, -1.0], 9);
        assert_eq!(
            (clips.clipped_runs(), clips.last_clip_frame()),
            (2, Some(11))
        );
    }

    #[test]
    fn blocks_change_nothing() {
        let samples: Vec<f32> = (0..4_000)
            .map(|n| ((n as f32 * 0.003).sin() * 1.2).clamp(-0.995, 0.992))
            .collect();
        let whole = of(&samples);
        assert!(whole.clipped_runs() > 0);
        for block in [1, 2, 7, 240] {
            let mut cut = PeakAndClips::default();
            for (n, block_of) in samples.chunks(block).enumerate() {
                cut.process(block_of, (n * block) as u64);
            }
            assert_eq!(cut.clipped_runs(), whole.clipped_runs(), "{block}");
            assert_eq!(cut.last_clip_frame(), whole.last_clip_frame(), "{block}");
        }
    }

    #[test]
    fn sixteen_bit_full_scale_counts_as_full_scale() {
        let top = 32_767.0 / 32_768.0;
        assert_eq!(of(&[0.0, top, top, top, 0.0]).clipped_runs(), 1);
        assert_eq!(of(&[0.0, top, -1.0, top, 0.0]).clipped_runs(), 1);
    }

    #[test]
    fn a_run_at_the_own_peak_counts_until_something_is_higher() {
        let mut clips = of(&[0.0, 0.99, 0.99, 0.99, 0.5, -0.989, -0.989, -0.989, 0.0]);
        assert_eq!(
            (clips.clipped_runs(), clips.last_clip_frame()),
            (2, Some(7))
        );
        clips.process(&[-0.99, 0.0], 9);
        assert_eq!(
            (clips.clipped_runs(), clips.last_clip_frame()),
            (1, Some(3))
        );
        clips.process(&[0.991, 0.991, 0.0], 11);
        assert_eq!((clips.clipped_runs(), clips.last_clip_frame()), (0, None));
        assert_eq!(of(&[0.0, 0.988, 0.988, 0.988, 0.0]).clipped_runs(), 0);
    }
}
