//! How often a signal stands at which level: a histogram of its samples over the last seconds.

/// Bins: eight an octave over six octaves.
const BINS: usize = 48;
const BINS_PER_OCTAVE: usize = 8;
/// The lowest bin begins at 2 to the power of this, about −30 dBFS; the highest ends at twice full
/// scale.
const LOWEST_EXPONENT: i32 = -5;
/// Time constant with which older samples count less, seconds.
const MEMORY_S: f64 = 3.0;
/// One frame in so many is counted: enough to know a distribution by, and a fifth of the work. After
/// each fade it is the next of them, so that a tone is met in all its phases whatever its period.
const EVERY: usize = 5;
/// How often they are made to count less, Hz.
const FADES_PER_SECOND: f64 = 100.0;

/// Shares of the samples of the last seconds, by their magnitude.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelHistogram {
    shares: [f32; BINS],
}

impl Default for LevelHistogram {
    fn default() -> Self {
        Self {
            shares: [0.0; BINS],
        }
    }
}

/// Lower edge of a bin, as an amplitude: within an octave the edges are evenly spaced, as
/// floating-point numbers are.
fn edge(bin: usize) -> f64 {
    let within = (bin % BINS_PER_OCTAVE) as f64 / BINS_PER_OCTAVE as f64;
    let octave = (bin / BINS_PER_OCTAVE) as f64 + f64::from(LOWEST_EXPONENT);
    octave.exp2() * (1.0 + within)
}

impl LevelHistogram {
    /// Each bin's two edges, as amplitudes (1 is full scale), and its share of all samples, 0…1.
    /// Samples below the lowest edge are in no bin, those above the highest in the last.
    pub fn bins(&self) -> impl Iterator<Item = ([f64; 2], f32)> + Clone + '_ {
        let edges = (0..BINS).map(|bin| [edge(bin), edge(bin + 1)]);
        edges.zip(self.shares)
    }

    /// Share of the samples whose magnitude is above `amplitude`, 0…1; within a bin as if they lay
    /// evenly. Below the lowest edge it is the share of those that are above that edge.
    pub fn share_above(&self, amplitude: f64) -> f64 {
        self.bins()
            .map(|([low, high], share)| {
                let above = ((high - amplitude) / (high - low)).clamp(0.0, 1.0);
                f64::from(share) * above
            })
            .sum()
    }
}

/// Counts samples into [`LevelHistogram`]. Older ones fade away with a time constant of 3 s,
/// counted in frames.
#[derive(Clone, Debug)]
pub struct LevelCounter {
    counts: [f32; BINS],
    total: f32,
    fade_every: usize,
    until_fade: usize,
    /// Which of [`EVERY`] frames is counted until then.
    phase: usize,
    keep: f32,
}

impl LevelCounter {
    /// A counter that has seen nothing.
    pub fn new(sample_rate_hz: f64) -> Self {
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        // In whole ones of what is counted, or its phase would go on by itself and, at 176.4 kHz, stand
        // still.
        let fade_every = (sample_rate_hz / FADES_PER_SECOND) as usize / EVERY * EVERY;
        let fade_every = fade_every.max(EVERY);
        Self {
            counts: [0.0; BINS],
            total: 0.0,
            fade_every,
            until_fade: fade_every,
            phase: 0,
            keep: (-(fade_every as f64) / (sample_rate_hz * MEMORY_S)).exp() as f32,
        }
    }

    /// Forgets everything.
    ///
    /// # Realtime
    /// Yes.
    pub fn reset(&mut self) {
        self.counts = [0.0; BINS];
        self.total = 0.0;
        self.until_fade = self.fade_every;
        self.phase = 0;
    }

    /// Counts one or two channels of equal length, in stretches of any length: the result does not
    /// depend on how they are cut.
    ///
    /// # Realtime
    /// Yes: a shift and an addition for a sample in five.
    pub fn count(&mut self, channels: &[&mut [f32]]) {
        let frames = channels.first().map_or(0, |channel| channel.len());
        let mut start = 0;
        while start < frames {
            let end = frames.min(start + self.until_fade);
            // Counted from the last fade, wherever the stretch begins.
            let counted = self.fade_every - self.until_fade;
            let first = (EVERY + self.phase - counted % EVERY) % EVERY;
            for channel in channels {
                let samples = channel.get(start..end).unwrap_or_default();
                for sample in samples.iter().skip(first).step_by(EVERY) {
                    self.enter(*sample);
                    self.total += 1.0;
                }
            }
            self.until_fade -= end - start;
            start = end;
            if self.until_fade == 0 {
                self.until_fade = self.fade_every;
                self.phase = (self.phase + 1) % EVERY;
                self.total *= self.keep;
                for count in &mut self.counts {
                    *count *= self.keep;
                }
            }
        }
    }

    fn enter(&mut self, sample: f32) {
        // Exponent and the first three bits of the mantissa: the number of the bin, counted from
        // the smallest number there is.
        const LOWEST: u32 = ((127 + LOWEST_EXPONENT).cast_unsigned()) << 3;
        let number = sample.abs().to_bits() >> 20;
        if let Some(bin) = number.checked_sub(LOWEST)
            && let Some(count) = self.counts.get_mut((bin as usize).min(BINS - 1))
        {
            *count += 1.0;
        }
    }

    /// What has been counted.
    pub fn levels(&self) -> LevelHistogram {
        let per_sample = if self.total > 0.0 {
            self.total.recip()
        } else {
            0.0
        };
        LevelHistogram {
            shares: self.counts.map(|count| count * per_sample),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn counted(samples: &mut [f32]) -> LevelHistogram {
        let mut counter = LevelCounter::new(48_000.0);
        counter.count(&[samples]);
        counter.levels()
    }

    /// A sine is above the share `s` of its peak for `1 − 2·asin(s)/π` of the time (the arcsine
    /// distribution).
    #[test]
    fn a_sine_has_the_arcsine_distribution() {
        let mut sine: Vec<f32> = (0..480_000)
            .map(|frame| (0.8 * (f64::from(frame) * 0.377_123).sin()) as f32)
            .collect();
        let levels = counted(&mut sine);
        for amplitude in [0.1, 0.25, 0.4, 0.5, 0.7, 0.75] {
            let expected = 1.0 - 2.0 * (amplitude / 0.8_f64).asin() / PI;
            let found = levels.share_above(amplitude);
            assert!(
                (found - expected).abs() < 0.01,
                "{amplitude}: {found} for {expected}"
            );
        }
        assert!(levels.share_above(0.88) < 1e-6);
    }

    /// By construction: of five samples one is at the peak, and the others are at 0.81 of it at most.
    #[test]
    fn a_tone_whose_period_is_five_frames_is_met_in_all_its_phases() {
        let mut tone: Vec<f32> = (0..1_764_000)
            .map(|frame| (0.8 * (f64::from(frame % 5) * 0.4 * PI).cos()) as f32)
            .collect();
        for rate_hz in [44_100.0, 48_000.0, 88_200.0, 176_400.0] {
            let mut counter = LevelCounter::new(rate_hz);
            counter.count(&[&mut tone]);
            let share = counter.levels().share_above(0.72);
            assert!((share - 0.2).abs() < 0.002, "{rate_hz}: {share}");
        }
    }

    #[test]
    fn each_sample_lies_within_the_edges_of_its_bin() {
        for amplitude in [0.031_25_f32, 0.033, 0.1, 0.499, 0.5, 0.74, 1.0, 1.9, 30.0] {
            for sign in [1.0, -1.0] {
                let levels = counted(&mut [sign * amplitude]);
                let (edges, _) = levels.bins().find(|(_, share)| *share > 0.0).unwrap();
                let inside = f64::from(amplitude).min(1.99);
                assert!(
                    edges[0] <= inside && inside < edges[1],
                    "{amplitude}: {edges:?}"
                );
            }
        }
        for nothing in [0.0, 1e-30, 0.03] {
            assert_eq!(counted(&mut [nothing]), LevelHistogram::default());
        }
    }

    #[test]
    fn how_the_samples_are_cut_does_not_matter_and_old_ones_fade() {
        let mut counter = LevelCounter::new(48_000.0);
        let mut other = counter.clone();
        let mut loud = vec![0.9_f32; 48_000];
        counter.count(&[&mut loud]);
        for part in loud.chunks_mut(37) {
            other.count(&[part]);
        }
        assert_eq!(counter.levels(), other.levels());
        let mut quiet = vec![0.2_f32; 480_000];
        counter.count(&[&mut quiet]);
        let left = counter.levels().share_above(0.8);
        // One second, ten seconds old: (1 − e^(−1/3))·e^(−10/3) of what counts, against all of the
        // eleven.
        let all = 1.0 - (-11.0_f64 / 3.0).exp();
        let expected = (1.0 - (-1.0_f64 / 3.0).exp()) * (-10.0_f64 / 3.0).exp() / all;
        assert!((left - expected).abs() < 0.002, "{left} for {expected}");
    }
}
