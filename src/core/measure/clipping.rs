//! Sample peak and clipped runs of one channel.
//!
//! Three or more samples of one sign in a row at full scale are a clipped run (common practice), and
//! so are three or more *equal* samples in a row at the channel's own peak of their sign, where that
//! lies within 0.1 dB of full scale: clipping that was turned down a little afterwards. Clipping breaks
//! off; the crest of a wave rounds off: three samples of it within one step of 16 bits have
//! neighbours at most 4 steps lower and second neighbours at most 9 (a parabola through them),
//! however low the wave. So the sample before the run or the one after it must lie farther down, or
//! the second one before it. Beyond full scale no neighbour is asked: any fixed-point file or
//! converter will clip there.

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
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct PeakAndClips {
    /// Highest magnitude.
    peak: f32,
    /// Highest magnitude of positive and of negative samples, once it comes near full scale.
    tops: [f32; 2],
    /// How many runs there are at the two tops, then at full scale of either sign.
    runs: [u64; 4],
    /// The run that goes on.
    run: Run,
    /// The last sample and the one before it.
    last: [f32; 2],
}

/// The place of the runs at full scale of positive samples; those of negative ones come after it.
const AT_FULL_SCALE: usize = 2;

/// Samples in a row at one level.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Run {
    /// Its place among the runs.
    level: usize,
    /// 0 if there is none.
    length: u64,
    /// Known to be clipped.
    clipped: bool,
}

impl Default for PeakAndClips {
    fn default() -> Self {
        Self {
            peak: 0.0,
            tops: [NEAR_FULL_SCALE; 2],
            runs: [0; 4],
            run: Run::default(),
            last: [0.0; 2],
        }
    }
}

impl PeakAndClips {
    /// Takes finite samples; `first_frame` is the frame number of the first of them. Returns their
    /// highest magnitude.
    pub fn process(&mut self, samples: &[f32], first_frame: u64) -> f32 {
        let (eights, rest) = samples.as_chunks::<8>();
        let highest = eights.iter().fold(f32x8::ZERO, |highest, eight| {
            highest.fast_max(f32x8::new(*eight).abs())
        });
        let peak = highest_of(rest).max(highest_lane(highest));
        self.peak = self.peak.max(peak);
        // Nothing below can belong to a run.
        let level = self.tops[0].min(self.tops[1]).min(FULL_SCALE);
        if peak < level {
            self.pass(samples);
            return peak;
        }
        let mut frame = first_frame;
        for eight in eights {
            let reaches = f32x8::new(*eight).abs().simd_ge(f32x8::splat(level));
            if reaches.any() {
                for (frame, sample) in (frame..).zip(eight) {
                    self.look_at(*sample, frame);
                }
            } else {
                self.pass(eight);
            }
            frame += 8;
        }
        for (frame, sample) in (frame..).zip(rest) {
            self.look_at(*sample, frame);
        }
        peak
    }

    /// Takes samples that belong to no run.
    fn pass(&mut self, samples: &[f32]) {
        if let Some(next) = samples.first()
            && self.run.length > 0
        {
            self.end_run(*next);
        }
        self.last = match samples {
            [.., second, last] => [*last, *second],
            [last] => [*last, self.last[0]],
            [] => self.last,
        };
    }

    fn look_at(&mut self, sample: f32, frame: u64) {
        let magnitude = sample.abs();
        // What dense clipping consists of most: a long run that goes on, and what lies between.
        let goes_on = self.run.length >= CLIPPED_RUN && sample == self.last[0];
        if goes_on || (self.run.length == 0 && magnitude < NEAR_FULL_SCALE) {
            self.run.length += u64::from(goes_on);
            self.last = [sample, self.last[0]];
            return;
        }
        let sign = usize::from(sample < 0.0);
        if magnitude > self.tops[sign] {
            self.tops[sign] = magnitude;
            self.runs[sign] = 0;
            if self.run.level == sign {
                self.run.length = 0;
            }
        }
        let level = if magnitude >= FULL_SCALE {
            AT_FULL_SCALE + sign
        } else {
            sign
        };
        if magnitude < self.tops[sign] && level < AT_FULL_SCALE {
            self.pass(&[sample]);
            return;
        }
        if self.run.length > 0 && self.run.level != level {
            self.end_run(sample);
        }
        if self.run.length == 0 {
            self.run = Run {
                level,
                clipped: breaks_off(self.last.map(|last| height(last, level)), magnitude, frame),
                ..Run::default()
            };
        }
        self.run.length += 1;
        // Counted when it becomes long enough or, if longer, when it becomes known.
        let beyond = magnitude > 1.0 && !self.run.clipped;
        self.run.clipped |= beyond;
        if self.run.clipped
            && (self.run.length == CLIPPED_RUN || beyond && self.run.length > CLIPPED_RUN)
        {
            self.runs[self.run.level] += 1;
        }
        self.last = [sample, self.last[0]];
    }

    /// Ends a run in front of the sample `next`, which may tell that it was a clipped one.
    fn end_run(&mut self, next: f32) {
        let edge = self.last[0].abs() - EDGE;
        if self.run.length >= CLIPPED_RUN
            && !self.run.clipped
            && height(next, self.run.level) < edge
        {
            self.runs[self.run.level] += 1;
        }
        self.run.length = 0;
    }

    /// Highest absolute sample.
    pub fn peak(&self) -> f32 {
        self.peak
    }

    /// Clipped runs so far. A run below full scale counts only as long as no higher sample of its
    /// sign has come.
    pub fn clipped_runs(&self) -> u64 {
        self.runs.iter().sum()
    }
}

/// How high a sample stands as seen from a run at `level`, of positive or of negative samples.
fn height(sample: f32, level: usize) -> f32 {
    if level.is_multiple_of(AT_FULL_SCALE) {
        sample
    } else {
        -sample
    }
}

/// Highest magnitude of a few samples.
fn highest_of(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0, |highest, sample| {
        let magnitude = sample.abs();
        if magnitude > highest {
            magnitude
        } else {
            highest
        }
    })
}

/// Whether a run that begins with `value` stands off from the two samples before it. Of what came
/// before the first frame nothing is known.
fn breaks_off([before, second]: [f32; 2], value: f32, frame: u64) -> bool {
    (frame > 0 && before < value - EDGE) || (frame > 1 && second < value - SECOND_EDGE)
}

/// Highest of eight finite, non-negative values.
fn highest_lane(values: f32x8) -> f32 {
    values.to_array().into_iter().fold(
        0.0,
        |highest, value| if value > highest { value } else { highest },
    )
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
        assert_eq!(clips.clipped_runs(), 1);
        clips.process(&[-1.0, -1.0, -1.0], 9);
        assert_eq!(clips.clipped_runs(), 2);
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
        }
    }

    #[test]
    fn sixteen_bit_full_scale_counts_as_full_scale() {
        let top = 32_767.0 / 32_768.0;
        assert_eq!(of(&[0.0, top, top, top, 0.0]).clipped_runs(), 1);
        assert_eq!(of(&[0.0, -1.0, -1.0, -top, 0.0]).clipped_runs(), 1);
        // No waveform stays at full scale while it changes its sign.
        assert_eq!(of(&[0.0, top, -1.0, top, 0.0]).clipped_runs(), 0);
    }

    #[test]
    fn a_sine_clipped_as_hard_as_can_be_has_two_runs_a_period() {
        for gain in [2.0, 10.0, 100.0, 10_000.0] {
            let sine = |n: u32| (n as f32 * std::f32::consts::TAU / 48.0 + 0.01).sin();
            let clipped: Vec<f32> = (0..4_800)
                .map(|n| (gain * sine(n)).clamp(-1.0, 1.0))
                .collect();
            // The first one begins with the first frame, of which nothing before is known.
            let runs = of(&clipped).clipped_runs();
            assert!((199..=200).contains(&runs), "{gain}: {runs}");
        }
    }

    #[test]
    fn a_run_at_the_own_peak_counts_until_something_is_higher() {
        let mut clips = of(&[0.0, 0.99, 0.99, 0.99, 0.5, -0.989, -0.989, -0.989, 0.0]);
        assert_eq!(clips.clipped_runs(), 2);
        clips.process(&[-0.99, 0.0], 9);
        assert_eq!(clips.clipped_runs(), 1);
        clips.process(&[0.991, 0.991, 0.0], 11);
        assert_eq!(clips.clipped_runs(), 0);
        assert_eq!(of(&[0.0, 0.988, 0.988, 0.988, 0.0]).clipped_runs(), 0);
    }
}
