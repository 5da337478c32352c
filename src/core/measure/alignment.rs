//! By how much one signal lags behind another, found by cross-correlation.
//!
//! The correlation is whitened (the phase transform of Knapp and Carter, IEEE Trans. ASSP 24(4),
//! 1976): every frequency counts the same, whatever its level, so that neither an equaliser nor a
//! compressor between the signals moves or hides the peak.

use crestline_transforms::{forward_f32, inverse_f32};
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealToComplex};
use std::f32::consts::PI;
use std::fmt;
use std::ops::RangeInclusive;
use std::sync::Arc;

/// A peak must stand out this far above the rms of the correlation. Between unrelated noises the
/// highest of the some 2·10⁴…2·10⁵ values looked at is 4.5 to 5.5 times the rms (a normal
/// distribution's tail), between two places in one song up to 15 times; in 2.7 s of a song behind a
/// limiter that is pushed by 30 dB the true one stands out by 270.
const LEAST_PROMINENCE: f32 = 25.0;
/// Of what is too bare to be whitened (a tone), the plain correlation must come this close to 1.
const LEAST_LIKENESS: f32 = 0.9;
/// Signals below this mean square (−70 dBFS) are too weak to be compared.
const LEAST_POWER: f32 = 1e-7;
/// Frequencies this far below the mean power in both signals together count less and less: down
/// there is nothing but rounding.
const FLOOR: f32 = 1e-10;

/// Longest delay that is looked for, ms, whichever of the two signals is late.
pub const LONGEST_DELAY_MS: f64 = 200.0;

/// Longest delay that is looked for, in frames.
pub fn longest_delay_frames(sample_rate_hz: f64) -> usize {
    #[expect(clippy::cast_sign_loss, reason = "a product of positive numbers")]
    let frames = (LONGEST_DELAY_MS * sample_rate_hz / 1000.0).round() as usize;
    frames
}

/// How two signals lie to each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alignment {
    /// Frames by which the second signal comes after the first; negative if it comes before.
    pub delay_frames: i32,
    /// Whether one is upside down against the other.
    pub inverted: bool,
    /// Height of the correlation's peak over its rms, 25 at least; 0 for signals of so few
    /// frequencies that only their likeness can be told. Those repeat themselves, and the delay is
    /// the shortest of those that fit.
    pub prominence: f32,
}

/// What a comparison came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Relation {
    /// One of the signals, or both, is too weak (below −70 dBFS) to tell.
    TooWeak {
        /// Whether the first one is.
        first: bool,
        /// Whether the second one is.
        second: bool,
    },
    /// Nothing that the signals have in common stands out.
    Unrelated,
    /// They belong together.
    Aligned(Alignment),
}

/// Compares stretches of signal of one length.
pub struct Aligner {
    frames: usize,
    lags: RangeInclusive<i32>,
    forward: Arc<dyn RealToComplex<f32>>,
    backward: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
    time: Vec<f32>,
    first: Vec<Complex32>,
    second: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl fmt::Debug for Aligner {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Aligner")
            .field("frames", &self.frames)
            .field("lags", &self.lags)
            .finish_non_exhaustive()
    }
}

impl Aligner {
    /// Compares stretches of `frames` frames and looks for the second signal to be `lags` frames
    /// behind the first; lags as long as the stretch or longer are left out. Allocates.
    pub fn new(frames: usize, lags: RangeInclusive<i32>) -> Self {
        let frames = frames.max(2);
        // Room for the longest lag, so that the ends do not wrap around onto each other.
        let len = (2 * frames).next_power_of_two();
        let (forward, backward) = (forward_f32(len), inverse_f32(len));
        let longest = i32::try_from(frames - 1).unwrap_or(i32::MAX);
        Self {
            frames,
            lags: (*lags.start()).max(-longest)..=(*lags.end()).min(longest),
            // Without it the steps at both ends, which lie at the same places in both signals,
            // would be what they have in common.
            window: (0..frames)
                .map(|n| (PI * (n as f32 + 0.5) / frames as f32).sin().powi(2))
                .collect(),
            time: vec![0.0; len],
            first: forward.make_output_vec(),
            second: forward.make_output_vec(),
            scratch: vec![
                Complex32::default();
                forward.get_scratch_len().max(backward.get_scratch_len())
            ],
            forward,
            backward,
        }
    }

    /// Frames of a stretch.
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// As [`compare`](Self::compare) from a frame on, of what [`mono`] has made of the signals, or
    /// where that is unrelated, of one of their channels: of two that have little in common, one of
    /// which is upside down afterwards, nothing is left in the sum nor in the difference.
    pub fn compare_any(
        &mut self,
        made: [&[f32]; 2],
        of: [&[Vec<f32>]; 2],
        from: usize,
    ) -> Relation {
        let mut compare = |signals: [&[f32]; 2]| {
            let [first, second] = signals.map(|signal| &signal[from.min(signal.len())..]);
            self.compare(first, second)
        };
        let relation = compare(made);
        let channels = of[0].iter().zip(of[1]);
        if relation != Relation::Unrelated || channels.len() < 2 {
            return relation;
        }
        channels
            .map(|(first, second)| compare([first, second]))
            .find(|relation| matches!(relation, Relation::Aligned(_)))
            .unwrap_or(relation)
    }

    /// How the second signal lies to the first. Takes what is there of the first
    /// [`frames`](Self::frames) frames of each, which must be finite.
    ///
    /// Some 3 ms of work for 2.7 s at 48 kHz: not for the audio thread, although it does not
    /// allocate.
    pub fn compare(&mut self, first: &[f32], second: &[f32]) -> Relation {
        let (first, second) = (
            &first[..first.len().min(self.frames)],
            &second[..second.len().min(self.frames)],
        );
        let weak = |signal: &[f32]| {
            signal.iter().map(|x| x * x).sum::<f32>() <= LEAST_POWER * signal.len() as f32
        };
        let (first_is_weak, second_is_weak) = (weak(first), weak(second));
        if first_is_weak || second_is_weak {
            return Relation::TooWeak {
                first: first_is_weak,
                second: second_is_weak,
            };
        }
        self.correlate(first, second, true);
        let found = self.peak().or_else(|| {
            self.correlate(first, second, false);
            self.likeness(first, second)
        });
        found.map_or(Relation::Unrelated, Relation::Aligned)
    }

    /// Leaves the correlation in `time`, negative lags at its end.
    fn correlate(&mut self, first: &[f32], second: &[f32], whitened: bool) {
        for (signal, spectrum) in [(first, &mut self.first), (second, &mut self.second)] {
            self.time.fill(0.0);
            for (time, sample) in self.time.iter_mut().zip(windowed(signal, &self.window)) {
                *time = sample;
            }
            // The buffers were made by the plan itself, so their lengths fit and this cannot fail.
            let _ = self
                .forward
                .process_with_scratch(&mut self.time, spectrum, &mut self.scratch);
        }
        for (first, second) in self.first.iter_mut().zip(&self.second) {
            *first = first.conj() * second;
        }
        if whitened {
            self.whiten();
        }
        // Neither end of the spectrum has a phase, and a constant says nothing.
        if let [constant, .., highest] = &mut *self.first {
            (*constant, *highest) = (Complex32::default(), Complex32::default());
        }
        let _ =
            self.backward
                .process_with_scratch(&mut self.first, &mut self.time, &mut self.scratch);
    }

    fn whiten(&mut self) {
        let mean =
            self.first.iter().map(|cross| cross.norm()).sum::<f32>() / self.first.len() as f32;
        let floor = FLOOR * mean + f32::MIN_POSITIVE;
        for cross in &mut self.first {
            *cross /= cross.norm() + floor;
        }
    }

    /// The correlation at a lag.
    fn at(&self, lag: i32) -> f32 {
        let distance = lag.unsigned_abs() as usize;
        let index = if lag < 0 {
            self.time.len().checked_sub(distance)
        } else {
            Some(distance)
        };
        index
            .and_then(|index| self.time.get(index))
            .copied()
            .unwrap_or(0.0)
    }

    /// The shortest lag at which the signals are about as alike as at any, if they are alike.
    fn likeness(&self, first: &[f32], second: &[f32]) -> Option<Alignment> {
        let energy = |signal: &[f32]| {
            let windowed = windowed(signal, &self.window).map(f64::from);
            windowed.map(|sample| sample * sample).sum::<f64>()
        };
        // The transforms leave a factor of their length.
        let scale = (energy(first) * energy(second)).sqrt() as f32 * self.time.len() as f32;
        let highest = self
            .lags
            .clone()
            .fold(0.0_f32, |highest, lag| highest.max(self.at(lag).abs()));
        if highest < LEAST_LIKENESS * scale {
            return None;
        }
        // A level that changes leans the whole correlation to one side, but hardly moves its waves.
        let crest = |lag: i32| {
            let [before, here, after] = [lag - 1, lag, lag + 1].map(|lag| self.at(lag).abs());
            here >= LEAST_LIKENESS * highest && here >= before && here >= after
        };
        let delay_frames = self
            .lags
            .clone()
            .filter(|lag| crest(*lag))
            .min_by_key(|lag| lag.abs())?;
        Some(Alignment {
            delay_frames,
            inverted: self.at(delay_frames) < 0.0,
            prominence: 0.0,
        })
    }

    /// The highest value within the lags, if it stands out.
    fn peak(&self) -> Option<Alignment> {
        let (mut highest, mut delay_frames, mut power) = (0.0_f32, 0, 0.0_f64);
        for lag in self.lags.clone() {
            let value = self.at(lag);
            power += f64::from(value * value);
            if value.abs() > highest.abs() {
                (highest, delay_frames) = (value, lag);
            }
        }
        // The rms of the rest, or a short range that is mostly peak would hide it.
        let others = (self.lags.clone().count() as f64 - 1.0).max(1.0);
        let rms = ((power - f64::from(highest * highest)).max(0.0) / others).sqrt() as f32;
        let prominence = highest.abs() / rms.max(f32::MIN_POSITIVE);
        (prominence >= LEAST_PROMINENCE).then_some(Alignment {
            delay_frames,
            inverted: highest < 0.0,
            prominence,
        })
    }
}

/// A signal under the window, drawn together where it is shorter: one that broke off under it would
/// leave a step.
fn windowed(signal: &[f32], window: &[f32]) -> impl Iterator<Item = f32> {
    let weight = |frame: usize| window[frame * window.len() / signal.len()];
    let signal_frames = signal.iter().enumerate();
    signal_frames.map(move |(frame, sample)| sample * weight(frame))
}

/// A signal that holds so many times more in the sum of its channels than in their difference, beside
/// one of which the contrary is true, has had one of them turned upside down.
const OPPOSED: f64 = 4.0;

/// Both signals on one channel: the sum of theirs, or the difference where that holds more of
/// both. Of two of which the one holds most in its sum and the other in its difference, each has
/// what it holds most in.
pub fn mono(signals: [&[Vec<f32>]; 2]) -> [Vec<f32>; 2] {
    let mixed = |sign: f32| {
        signals.map(|signal| match signal {
            [left, right] => left
                .iter()
                .zip(right)
                .map(|(left, right)| left + sign * right)
                .collect(),
            [only] => only.clone(),
            _ => Vec::new(),
        })
    };
    let energy = |signal: &Vec<f32>| signal.iter().map(|x| f64::from(x * x)).sum::<f64>();
    let [sum, difference] = [mixed(1.0), mixed(-1.0)];
    let [sums, differences] = [&sum, &difference].map(|signals| signals.each_ref().map(energy));
    let mostly_sum = |index: usize| sums[index] > OPPOSED * differences[index];
    let mostly_difference = |index: usize| differences[index] > OPPOSED * sums[index];
    if mostly_sum(0) && mostly_difference(1) || mostly_difference(0) && mostly_sum(1) {
        let ([first_sum, second_sum], [first_difference, second_difference]) = (sum, difference);
        return if mostly_sum(0) {
            [first_sum, second_difference]
        } else {
            [first_difference, second_sum]
        };
    }
    let weakest = |energies: [f64; 2]| energies[0].min(energies[1]);
    if weakest(differences) > weakest(sums) {
        difference
    } else {
        sum
    }
}
