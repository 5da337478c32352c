//! Delay and polarity of the static linear part.

use super::{LEAST_BIN, Powers};
use crate::measure::transfer::correlation::real_ends;
use crestline_transforms::{forward_f64, inverse_f64};
use realfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Polarity is told from the first octaves above this, Hz, that hold something (above −50 dB).
const LOWEST_HZ: f64 = 40.0;
const LEAST_LOW: f64 = 1e-5;
/// Below this, Hz, no level is told apart from its neighbours'.
const LOWEST_LEVEL_HZ: f64 = 15.0;
const POLARITY_SPAN: f64 = 5.0;
/// A gain that falls towards 0 Hz by more than this over two octaves, dB, is a high-pass; its slope
/// is known where it is the same, to so many dB an octave, in half an octave and in the next.
const FALLS_DB: f64 = 10.0;
const SAME_SLOPE_DB: f64 = 6.0;
/// So far below the strongest (−60 dB), nothing of what comes out is known well enough for that.
const LEAST_PASSED: f64 = 1e-6;

/// Channels whose delays lie further apart than this, frames, are late against each other.
const APART_FRAMES: f64 = 0.5;

/// Where the signal lies in time.
pub(super) struct Place {
    /// Delay, frames.
    pub delay_frames: f64,
    /// Whether it is upside down.
    pub inverted: bool,
    /// By how much the right channel is later than the left, frames, where it is: delay and polarity
    /// are then those of the one that is stronger before.
    pub right_late_frames: Option<f64>,
}

/// By frequency: powers before, the phase of what is common to before and after, that less the
/// minimum phase, and what can be known of it.
struct Phases {
    powers: Vec<f64>,
    common: Vec<f64>,
    excess: Vec<f64>,
    /// Whether enough comes out to know the gain.
    comes_out: Vec<bool>,
    /// Whether the gain goes on towards 0 Hz as it does where it is known, and so the minimum phase
    /// is known.
    known_below: bool,
}

impl Powers {
    /// Delay and polarity.
    ///
    /// The delay is where the whitened response peaks. The polarity is the phase towards 0 Hz when
    /// the minimum phase of the gain is taken off (A. Oppenheim, R. Schafer, *Discrete-Time Signal
    /// Processing*, ch. 13: the folded cepstrum): an all-pass, and so a crossover, turns everything
    /// else, but not that. Behind a high-pass of which too little comes out to know its slope, the
    /// minimum phase is not known either; there it is the sign of the peak, which a high-pass leaves
    /// alone.
    pub(super) fn place(&self) -> Place {
        let late = [0, 1].map(|channel| {
            let own = self.comes_from_itself(channel);
            own.then(|| self.peak(&self.phases(Some(channel))).0)
        });
        let right_late_frames = match late {
            [Some(left), Some(right)] if (right - left).abs() > APART_FRAMES => Some(right - left),
            _ => None,
        };
        let phases = self.phases(right_late_frames.map(|_| self.stronger()));
        let (delay_frames, negative) = self.peak(&phases);
        Place {
            delay_frames,
            inverted: if phases.known_below {
                self.upside_down(&phases, delay_frames)
            } else {
                negative
            },
            right_late_frames,
        }
    }

    /// Whether most of what comes out of one of two channels is its own.
    fn comes_from_itself(&self, channel: usize) -> bool {
        let (Some(row), [_, _]) = (self.responses.get(channel), &*self.before) else {
            return false;
        };
        let of = |into: usize| -> f64 {
            let pairs = row[into].iter().zip(&self.before[into]);
            pairs
                .map(|(response, power)| response.norm_sqr() * power)
                .sum()
        };
        of(channel) > of(1 - channel)
    }

    fn stronger(&self) -> usize {
        let energies = self.before.iter().map(|powers| powers.iter().sum::<f64>());
        let energies: Vec<f64> = energies.collect();
        usize::from(energies.last() > energies.first())
    }

    /// Where the whitened response peaks, frames, and whether it does so below 0.
    fn peak(&self, phases: &Phases) -> (f64, bool) {
        let (powers, phase) = (&phases.powers, &phases.common);
        let most = powers.iter().fold(0.0_f64, |most, power| most.max(*power));
        let weight =
            |bin: usize| powers[bin] / (powers[bin] + LEAST_BIN * most + f64::MIN_POSITIVE);
        let whitened: Vec<Complex64> = self
            .bins()
            .map(|bin| Complex64::from_polar(weight(bin), phase[bin]))
            .collect();
        let (length, time) = inverse(whitened);
        let peak = (0..length).max_by(|a, b| time[*a].abs().total_cmp(&time[*b].abs()));
        let peak = peak.unwrap_or(0);
        let whole = if peak < length / 2 {
            peak as f64
        } else {
            peak as f64 - length as f64
        };
        let value = |delay: f64| {
            let part = |bin: usize| {
                let turn = TAU * bin as f64 * delay / length as f64;
                weight(bin) * (phase[bin] + turn).cos()
            };
            self.bins().map(part).sum::<f64>()
        };
        let delay = highest(whole - 1.0, whole + 1.0, |delay| value(delay).abs());
        (delay, value(delay) < 0.0)
    }

    /// The line that the phase follows in the lowest octaves, back to 0 Hz.
    fn upside_down(&self, phases: &Phases, delay: f64) -> bool {
        let (powers, excess) = (&phases.powers, &phases.excess);
        let length = 2 * (powers.len() - 1);
        let bins = self
            .bins()
            .filter(|bin| *bin as f64 * self.bin_hz >= LOWEST_HZ);
        let most = powers.iter().fold(0.0_f64, |most, power| most.max(*power));
        let sounds = |bin: &usize| powers[*bin] > LEAST_LOW * most && phases.comes_out[*bin];
        let Some(first) = bins.clone().find(sounds) else {
            return false;
        };
        let (mut unwrapped, mut last) = (0.0, None);
        let (mut n, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for bin in bins.skip_while(|bin| *bin < first) {
            if bin as f64 > POLARITY_SPAN * first as f64 {
                break;
            }
            let phase = excess[bin] + TAU * bin as f64 * delay / length as f64;
            unwrapped = match last {
                None => phase,
                Some(last) => unwrapped + wrapped(phase - last),
            };
            last = Some(phase);
            let x = bin as f64;
            n += 1.0;
            (sx, sy) = (sx + x, sy + unwrapped);
            (sxx, sxy) = (sxx + x * x, sxy + x * unwrapped);
        }
        let spread = n * sxx - sx * sx;
        let start = if spread > 0.0 {
            (sy * sxx - sx * sxy) / spread
        } else {
            sy / n.max(1.0)
        };
        start.cos() < 0.0
    }

    /// Of one channel, or of all of them.
    fn phases(&self, channel: Option<usize>) -> Phases {
        let powers: Vec<f64> = self.bins().map(|bin| self.power(bin)).collect();
        let most = powers.iter().fold(0.0_f64, |most, power| most.max(*power));
        let common: Vec<Complex64> = self.bins().map(|bin| self.common(bin, channel)).collect();
        let gain = |bin: usize| (self.passed(bin) / powers[bin]).max(1e-30).ln() / 2.0;
        let sounds = |bin: usize| powers[bin] > LEAST_BIN * most;
        let mut level = 0.0;
        let mut levels: Vec<Complex64> = self
            .bins()
            .map(|bin| {
                if sounds(bin) {
                    level = gain(bin);
                }
                Complex64::new(level, 0.0)
            })
            .collect();
        // Below what is heard it goes on falling as it does in the lowest half octave: a steep
        // high-pass turns the phase far above its corner.
        let mut known_below = true;
        let comes_out = self.comes_out();
        let lowest = self
            .bins()
            .skip_while(|bin| (*bin as f64 * self.bin_hz) < LOWEST_LEVEL_HZ)
            .find(|bin| sounds(*bin) && comes_out[*bin]);
        if let Some(lowest) = lowest.filter(|bin| 4 * bin < powers.len()) {
            #[expect(clippy::cast_sign_loss, reason = "a bin's number is positive")]
            let up = |octaves: f64| (lowest as f64 * octaves.exp2()).round() as usize;
            let bins = [lowest, up(0.5), up(1.0), up(2.0)];
            let [at, half, octave, two] = bins.map(gain);
            let slope =
                |from: usize, by: f64| by / (bins[from + 1] as f64 / bins[from] as f64).ln();
            let slopes = [slope(0, half - at), slope(1, octave - half)];
            let db = |nepers: f64| 20.0 * std::f64::consts::LOG10_E * nepers;
            let same = db((slopes[1] - slopes[0]).abs()) * std::f64::consts::LN_2 < SAME_SLOPE_DB;
            known_below = same || db(two - at) < FALLS_DB;
            for (bin, level) in levels.iter_mut().enumerate().take(lowest) {
                level.re = at + slopes[0].max(0.0) * (bin.max(1) as f64 / lowest as f64).ln();
            }
        }
        let (length, mut cepstrum) = inverse(levels);
        for (n, value) in cepstrum.iter_mut().enumerate() {
            *value *= match n {
                0 => 1.0,
                n if 2 * n < length => 2.0,
                n if 2 * n == length => 1.0,
                _ => 0.0,
            };
        }
        let forward = forward_f64(length);
        let mut minimum = forward.make_output_vec();
        // The buffers were made by the plan itself, so this cannot fail.
        let _ = forward.process(&mut cepstrum, &mut minimum);
        let lead = TAU * self.lead as f64 / length as f64;
        let phase: Vec<f64> = self
            .bins()
            .map(|bin| wrapped(common[bin].arg() + bin as f64 * lead))
            .collect();
        let excess = phase.iter().zip(&minimum);
        let excess = excess
            .map(|(phase, minimum)| wrapped(phase - minimum.im))
            .collect();
        Phases {
            powers,
            common: phase,
            excess,
            comes_out,
            known_below,
        }
    }

    /// By frequency, whether enough comes out of the device to know its gain.
    fn comes_out(&self) -> Vec<bool> {
        let passed: Vec<f64> = self.bins().map(|bin| self.passed(bin)).collect();
        let most = passed.iter().fold(0.0_f64, |most, power| most.max(*power));
        let enough = |power: &f64| *power > LEAST_PASSED * most;
        passed.iter().map(enough).collect()
    }

    /// What after and before have in common as they are, without a delay.
    pub(super) fn product(&self) -> f64 {
        let length = 2 * (self.cross.len() - 1);
        let turn = TAU * self.lead as f64 / length as f64;
        let part = |bin: usize| {
            let undelayed = Complex64::from_polar(1.0, bin as f64 * turn);
            (self.common(bin, None) * undelayed).re
        };
        self.bins().map(part).sum()
    }

    /// Cross-power of after and before, of one channel or channel by channel.
    fn common(&self, bin: usize, channel: Option<usize>) -> Complex64 {
        let cross = self.cross[bin];
        match (&*self.responses, &*self.before) {
            ([left, right], [a, b]) => {
                let left = left[0][bin] * a[bin] + left[1][bin] * cross;
                let right = right[1][bin] * b[bin] + right[0][bin] * cross.conj();
                match channel {
                    Some(0) => left,
                    Some(_) => right,
                    None => left + right,
                }
            }
            ([only], [a]) => only[0][bin] * a[bin],
            _ => Complex64::default(),
        }
    }
}

/// Half a spectrum back to time, and how long that is.
fn inverse(mut spectrum: Vec<Complex64>) -> (usize, Vec<f64>) {
    let length = 2 * (spectrum.len() - 1);
    let backward = inverse_f64(length);
    let mut time = backward.make_output_vec();
    real_ends(&mut spectrum);
    // The buffers were made by the plan itself, so this cannot fail.
    let _ = backward.process(&mut spectrum, &mut time);
    for value in &mut time {
        *value /= length as f64;
    }
    (length, time)
}

/// Where a function with one top between two places is highest, by the golden section.
fn highest(mut low: f64, mut high: f64, of: impl Fn(f64) -> f64) -> f64 {
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    for _ in 0..30 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if of(a) > of(b) {
            high = b;
        } else {
            low = a;
        }
    }
    f64::midpoint(low, high)
}

/// A phase between −π and π.
fn wrapped(phase: f64) -> f64 {
    phase - TAU * (phase / TAU).round()
}
