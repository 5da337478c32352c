//! From the gain that peaks need to a smooth gain that never asks for more.
//!
//! One value stands for a group of eight frames. Everything here is a running minimum over a
//! window, then a mean over a window no longer than that: a mean of values that each respect a peak
//! respects it too (Hämäläinen, "Smoothing of the control signal without clipped output in digital
//! peak limiters", DAFx-02, pp. 195–198). Cubic B-spline interpolation, whose weights are
//! non-negative and sum to one, returns to single frames.
//!
//! Two such gains run side by side over one look-ahead:
//!
//! * the *long* one, a minimum and a mean over 22 ms: the straight ramps of 22 ms that it draws
//!   around a peak leave the least distortion, and while peaks are rare they cost next to nothing;
//! * the *short* one, two in a row: 15.7 ms for what stands more than a little above the ceiling,
//!   then 6.3 ms for the rest. Where one peak follows another it gives back what the long one would
//!   keep down between them, for more distortion.
//!
//! The automatic release mixes them, and a mean of two safe gains is safe. How far it goes over to
//! the short one follows the *pressure*: by how much the long gain stood below what the peaks of
//! each 6.3 ms needed, in the mean of the last 1.4 s. Where bass rules alone (`bass`) it stays
//! with the long one, holds it for longer and lets go slowly, for then every movement of the gain is
//! heard as distortion.

use super::running::{Delay, RunningMean, RunningMinimum, UNIT, rounded_down};
use crate::dsp::quantum::{Lane, QUANTUM};

/// Frames that share one value of the needed gain.
pub const GROUP: usize = 8;
/// Groups in a quantum.
pub const GROUPS: usize = QUANTUM / GROUP;

/// Windows of the short gain, one after the other; that of the long gain is the sum of both.
const FIRST_MS: f64 = 15.7;
const SECOND_MS: f64 = 6.3;
/// Shortest time that the long gain holds what a peak needed: half the period of 20 Hz, so that it
/// does not follow a steady tone.
const HOLD_MS: f64 = 25.0;
/// Span over which the pressure is averaged.
const PRESSURE_MS: f64 = 1400.0;
/// Fastest way from the long gain to the short one.
const CROSSING_MS: f64 = 50.0;
/// Pressure at which the short gain alone is used, as a share of the gain (0.2 dB).
const PRESSURE_OF_SHORT: f64 = 0.0235;
/// How far above the ceiling the first window of the short gain holds peaks at rest (0.3 dB), from
/// which pressure on (0.8 dB) it holds them higher, by how much for each bit of pressure (2 dB a
/// dB), and where that ends (6 dB): what is left for the second window.
const LEAST_ABOVE: f64 = 1.034;
const PRESSURE_OF_ABOVE: f64 = 0.1;
const ABOVE_PER_PRESSURE: f64 = 2.0;
const MOST_ABOVE: f64 = 2.0;
/// Groups by which the gain is down before its peak, and stays down after it.
const SETTLED_GROUPS: usize = 2;
/// Groups that the interpolation reaches back.
const SPLINE_REACH: usize = 3;
/// Groups around a gain that have a say in it.
const REACH: usize = SPLINE_REACH + 2 * SETTLED_GROUPS + 1;

/// Hold and time constant of the automatic release while bass rules alone: over a period of 20 Hz
/// the gain rests, and then comes back as a decaying note falls. Held for 25 ms and let go in 1 s,
/// decaying notes 6 dB over the ceiling lost 1.5 LU, and were distorted by 7 dB more; with a hold of
/// 75 ms a kick is distorted by 3 dB more at equal loudness.
const BASS_HOLD_MS: f64 = 50.0;
const BASS_RELEASE_MS: f64 = 100.0;

/// How fast the gain returns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// With this time constant in ms.
    Manual(f64),
    /// As the programme asks; with how far bass rules alone, 0…1.
    Automatic(f64),
}

/// Gain computer for one chain of needed gains.
#[derive(Debug, Clone)]
pub struct GainComputer {
    groups_per_ms: f64,
    /// What the frames around a gain need.
    around: RunningMinimum,
    long: Long,
    short: Short,
    pressure: Pressure,
    /// Share of the short gain, and how far it moves in a group.
    share: f64,
    crossing: f64,
    /// Groups since something was needed, and after how many of them nothing is left of it.
    calm: usize,
    memory: usize,
    /// The last gains, newest first.
    gains: [f32; SPLINE_REACH + 1],
    spline: [[f32; GROUP]; SPLINE_REACH + 1],
}

/// One window as long as the look-ahead, after a release.
#[derive(Debug, Clone)]
struct Long {
    lowest: RunningMinimum,
    /// Over the hold of bass alone.
    lowest_of_bass: RunningMinimum,
    released: f64,
    mean: RunningMean,
}

/// Two windows in a row that are together as long as the look-ahead.
#[derive(Debug, Clone)]
struct Short {
    first_lowest: RunningMinimum,
    first_mean: RunningMean,
    /// What is needed, until the first mean is known for it.
    needed: Delay<u32>,
    second_lowest: RunningMinimum,
    second_mean: RunningMean,
    /// The first mean, until the second is known for it.
    first: Delay<f64>,
}

/// How much lower the long gain stands than the peaks of every 6.3 ms need.
#[derive(Debug, Clone)]
struct Pressure {
    lowest: RunningMinimum,
    needed: Span,
    long: Span,
    value: f64,
}

/// Sum over as long as the pressure is averaged, quantum by quantum.
#[derive(Debug, Clone)]
struct Span {
    quanta: Delay<u64>,
    sum: u64,
    newest: u64,
}

impl GainComputer {
    /// A gain computer at rest. Allocates.
    pub fn new(sample_rate_hz: f64) -> Self {
        let groups_per_ms = sample_rate_hz / 1000.0 / GROUP as f64;
        let [first, second] = [FIRST_MS, SECOND_MS].map(|ms| groups(ms * groups_per_ms).max(2));
        let long = Long::new(first + second - 1, groups_per_ms);
        let pressure = Pressure::new(second, groups_per_ms);
        let crossing = groups(CROSSING_MS * groups_per_ms);
        Self {
            groups_per_ms,
            around: RunningMinimum::new(REACH),
            // Two stages, the pressure of what left them, and the way back.
            memory: 4 * (first + second + groups(BASS_HOLD_MS * groups_per_ms) + REACH)
                + pressure.needed.quanta.len() * GROUPS
                + crossing,
            long,
            short: Short::new(first, second),
            pressure,
            share: 0.0,
            crossing: 1.0 / crossing as f64,
            calm: usize::MAX,
            gains: [1.0; SPLINE_REACH + 1],
            spline: spline(),
        }
    }

    /// Frames by which a needed gain is known before the frame it is for has its gain computed.
    pub fn latency_frames(&self) -> usize {
        (self.long.mean.len() - 1 + SPLINE_REACH + SETTLED_GROUPS) * GROUP
    }

    /// Back to a gain of one.
    ///
    /// # Realtime
    /// Safe.
    pub fn reset(&mut self) {
        self.around.reset();
        self.long.reset();
        self.short.reset();
        self.pressure.reset();
        self.share = 0.0;
        self.calm = usize::MAX;
        self.gains = [1.0; SPLINE_REACH + 1];
    }

    /// Takes over the state of another gain computer for the same sample rate.
    ///
    /// # Realtime
    /// Safe.
    pub fn copy_from(&mut self, other: &Self) {
        self.around.copy_from(&other.around);
        self.long.copy_from(&other.long);
        self.short.copy_from(&other.short);
        self.pressure.copy_from(&other.pressure);
        (self.share, self.calm, self.gains) = (other.share, other.calm, other.gains);
    }

    /// Takes what the groups of a quantum need; returns the gains of the frames
    /// [`Self::latency_frames`] before them.
    ///
    /// # Realtime
    /// Safe.
    pub fn process(&mut self, needed: &[f64; GROUPS], pace: Pace) -> Lane {
        if needed.iter().any(|needed| *needed < 1.0) {
            self.calm = 0;
        } else if self.calm > self.memory {
            return [1.0; QUANTUM];
        } else {
            self.calm += GROUPS;
            if self.calm > self.memory {
                // A slow release may not have arrived by now, or only just, behind the means.
                if self.long.released < 1.0 || self.gains.iter().any(|gain| *gain < 1.0) {
                    self.calm = 0;
                } else {
                    self.reset();
                    return [1.0; QUANTUM];
                }
            }
        }
        let (release, bass, wanted) = match pace {
            Pace::Manual(ms) => (coefficient(ms * self.groups_per_ms), 0.0, 0.0),
            Pace::Automatic(bass) => (
                bass_release(bass, self.groups_per_ms),
                bass,
                self.pressure.share_of_short() * (1.0 - bass),
            ),
        };
        let above = self.pressure.above();
        let mut lane = [0.0; QUANTUM];
        for (needed, lane) in needed.iter().zip(lane.as_chunks_mut::<GROUP>().0) {
            let needed = self.around.push(rounded_down(*needed));
            let long = self.long.push(needed, release, bass);
            let short = self.short.push(needed, above);
            self.pressure.push(needed, long);
            self.share += (wanted - self.share).clamp(-self.crossing, self.crossing);
            self.gains.rotate_right(1);
            self.gains[0] = (long + self.share * (short - long)) as f32;
            for (weights, gain) in self.spline.iter().zip(&self.gains).rev() {
                for (frame, weight) in lane.iter_mut().zip(weights) {
                    *frame += weight * gain;
                }
            }
        }
        self.pressure.end_quantum();
        lane
    }
}

impl Long {
    fn new(len: usize, groups_per_ms: f64) -> Self {
        let over = |hold_ms: f64| {
            // From one peak to the next may be a group more than their distance.
            let hold = groups((hold_ms * groups_per_ms).ceil()) + 2;
            RunningMinimum::new(len.max((hold + 1).saturating_sub(REACH)))
        };
        Self {
            lowest: over(HOLD_MS),
            lowest_of_bass: over(BASS_HOLD_MS),
            released: 1.0,
            mean: RunningMean::new(len),
        }
    }

    fn reset(&mut self) {
        self.lowest.reset();
        self.lowest_of_bass.reset();
        self.released = 1.0;
        self.mean.reset();
    }

    fn copy_from(&mut self, other: &Self) {
        self.lowest.copy_from(&other.lowest);
        self.lowest_of_bass.copy_from(&other.lowest_of_bass);
        self.released = other.released;
        self.mean.copy_from(&other.mean);
    }

    fn push(&mut self, needed: u32, release: f64, bass: f64) -> f64 {
        let of_any = f64::from(self.lowest.push(needed));
        let of_bass = f64::from(self.lowest_of_bass.push(needed));
        let held = (of_any + bass * (of_bass - of_any)) / f64::from(UNIT);
        self.released = if held <= self.released {
            held
        } else {
            approach(self.released, held, release)
        };
        self.mean.push(rounded_down(self.released))
    }
}

impl Short {
    fn new(first: usize, second: usize) -> Self {
        Self {
            first_lowest: RunningMinimum::new(first),
            first_mean: RunningMean::new(first),
            needed: Delay::new(first - 1, UNIT),
            second_lowest: RunningMinimum::new(second),
            second_mean: RunningMean::new(second),
            first: Delay::new(second - 1, 1.0),
        }
    }

    fn reset(&mut self) {
        self.first_lowest.reset();
        self.first_mean.reset();
        self.needed.reset(UNIT);
        self.second_lowest.reset();
        self.second_mean.reset();
        self.first.reset(1.0);
    }

    fn copy_from(&mut self, other: &Self) {
        self.first_lowest.copy_from(&other.first_lowest);
        self.first_mean.copy_from(&other.first_mean);
        self.needed.copy_from(&other.needed);
        self.second_lowest.copy_from(&other.second_lowest);
        self.second_mean.copy_from(&other.second_mean);
        self.first.copy_from(&other.first);
    }

    fn push(&mut self, needed: u32, above: f64) -> f64 {
        let lowest = f64::from(self.first_lowest.push(needed)) / f64::from(UNIT);
        let first = self.first_mean.push(rounded_down(lowest * above));
        let needed = f64::from(self.needed.push(needed)) / f64::from(UNIT);
        let rest = if first > needed { needed / first } else { 1.0 };
        let second = self
            .second_mean
            .push(self.second_lowest.push(rounded_down(rest)));
        self.first.push(first) * second
    }
}

impl Pressure {
    fn new(window: usize, groups_per_ms: f64) -> Self {
        let quanta = groups(PRESSURE_MS * groups_per_ms / GROUPS as f64);
        Self {
            lowest: RunningMinimum::new(window),
            needed: Span::new(quanta),
            long: Span::new(quanta),
            value: 0.0,
        }
    }

    fn reset(&mut self) {
        self.lowest.reset();
        self.needed.reset();
        self.long.reset();
        self.value = 0.0;
    }

    fn copy_from(&mut self, other: &Self) {
        self.lowest.copy_from(&other.lowest);
        self.needed.copy_from(&other.needed);
        self.long.copy_from(&other.long);
        self.value = other.value;
    }

    fn push(&mut self, needed: u32, long: f64) {
        self.needed.newest += u64::from(self.lowest.push(needed));
        self.long.newest += u64::from(rounded_down(long));
    }

    fn end_quantum(&mut self) {
        let (needed, long) = (self.needed.end_quantum(), self.long.end_quantum());
        self.value = (needed as f64 / long.max(1) as f64 - 1.0).max(0.0);
    }

    /// 0…1.
    fn share_of_short(&self) -> f64 {
        (self.value / PRESSURE_OF_SHORT).min(1.0)
    }

    /// How far above the ceiling the first window of the short gain holds peaks, as a gain.
    fn above(&self) -> f64 {
        let more = (self.value - PRESSURE_OF_ABOVE).max(0.0) * ABOVE_PER_PRESSURE;
        (LEAST_ABOVE + more).min(MOST_ABOVE)
    }
}

impl Span {
    /// What a quantum at rest adds.
    const REST: u64 = GROUPS as u64 * UNIT as u64;

    fn new(quanta: usize) -> Self {
        let quanta = Delay::new(quanta, Self::REST);
        Self {
            sum: quanta.len() as u64 * Self::REST,
            quanta,
            newest: 0,
        }
    }

    fn reset(&mut self) {
        self.quanta.reset(Self::REST);
        self.sum = self.quanta.len() as u64 * Self::REST;
        self.newest = 0;
    }

    fn copy_from(&mut self, other: &Self) {
        self.quanta.copy_from(&other.quanta);
        (self.sum, self.newest) = (other.sum, other.newest);
    }

    /// The sum, with the quantum that has just ended.
    fn end_quantum(&mut self) -> u64 {
        let newest = std::mem::take(&mut self.newest);
        self.sum = self.sum + newest - self.quanta.push(newest);
        self.sum
    }
}

/// Share of the way back that a group takes, for a time constant in groups.
fn coefficient(groups: f64) -> f64 {
    1.0 - (-1.0 / groups).exp()
}

/// The same of the automatic release: all of it, less and less of it the more bass rules alone.
fn bass_release(bass: f64, groups_per_ms: f64) -> f64 {
    if bass > 0.0 {
        coefficient(BASS_RELEASE_MS * groups_per_ms).powf(bass)
    } else {
        1.0
    }
}

/// Rounded to whole groups, 1…65536.
#[expect(clippy::cast_sign_loss, reason = "at least 1")]
fn groups(number: f64) -> usize {
    number.round().clamp(1.0, 65536.0) as usize
}

/// One step towards `goal`; the last ten-millionth of a decibel is taken at once, so that rest is
/// reached.
fn approach(value: f64, goal: f64, coefficient: f64) -> f64 {
    let next = value + coefficient * (goal - value);
    if (goal - next).abs() < 1e-8 {
        goal
    } else {
        next
    }
}

/// Weights of the last four gains at each frame of a group: four boxes of one group in a row, a
/// discrete cubic B-spline. They are multiples of 1/512.
fn spline() -> [[f32; GROUP]; SPLINE_REACH + 1] {
    let mut shape = vec![1.0_f32];
    for _ in 0..=SPLINE_REACH {
        let mut wider = vec![0.0; shape.len() + GROUP - 1];
        for (n, value) in shape.iter().enumerate() {
            for cell in wider.iter_mut().skip(n).take(GROUP) {
                *cell += value;
            }
        }
        shape = wider;
    }
    let scale = (GROUP as f32).powi(3);
    std::array::from_fn(|back| {
        std::array::from_fn(|frame| shape.get(back * GROUP + frame).copied().unwrap_or(0.0) / scale)
    })
}

#[cfg(test)]
mod tests;
