//! The static linear part in a few numbers.

mod phase;
mod rest;

use super::Transfer;
use super::arrangement::Arrangement;
use super::least_squares::NormalEquations;
use crate::dsp::decibel::gain_from_db;
use crate::measure::balance::{band_edge_hz, mid_band_hz};
use crate::measure::readings::BAND_COUNT;
use realfft::num_complex::Complex64;

/// A third-octave band this far below the strongest (−80 dB) says nothing of the response.
const LEAST_BAND: f64 = 1e-8;
/// A frequency this far below the strongest (−70 dB) says nothing of the phase.
const LEAST_BIN: f64 = 1e-7;
/// Less is no change of tone.
const LEAST_TONE_DB: f32 = 0.5;

/// What the static linear part does.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LinearPart {
    /// Gain at rest in the third-octave bands of the balance, dB: of the powers after and before.
    /// `None` where too little sounds.
    pub gain_db: [Option<f32>; BAND_COUNT],
    /// The part of that which balance and width alone would make, dB: what sounds in the middle and
    /// what sounds at a side do not lie at the same frequencies.
    pub placed_db: [f32; BAND_COUNT],
    /// Delay beyond the one taken out beforehand, frames.
    pub delay_frames: f64,
    /// By how much the right channel is later than the left, frames, if by more than half a frame;
    /// delay and polarity are then those of the stronger one.
    pub right_late_frames: Option<f64>,
    /// Whether the signal after is upside down, apart from what minimum phase and all-passes turn;
    /// its left channel, where the other is not.
    pub inverted: bool,
    /// Whether one channel is upside down against the other.
    pub opposed: bool,
    /// Whether left comes out on the right, and right on the left. What is told besides is told of
    /// the channels where they were.
    pub exchanged: bool,
    /// By how much the right channel has gained on the left, dB; `None` for mono.
    pub balance_db: Option<f32>,
    /// By how much the side has gained on the middle, dB, −90 where none is left; `None` for mono, or
    /// without a side.
    pub width_db: Option<f32>,
    /// Whether nothing comes out of the left or the right channel, though something goes in.
    pub muted: [bool; 2],
}

impl LinearPart {
    /// What the device does with the channels as such.
    pub(super) fn arrangement(&self) -> Arrangement {
        Arrangement {
            exchanged: self.exchanged,
            opposed: self.opposed,
            inverted: self.inverted,
        }
    }

    /// Gain that the bands have in the middle, dB.
    pub fn level_db(&self) -> Option<f32> {
        middle(self.gain_db)
    }

    /// What the one muted channel is called.
    pub fn muted_channel(&self) -> Option<&'static str> {
        match self.muted {
            [true, false] => Some("left"),
            [false, true] => Some("right"),
            _ => None,
        }
    }

    /// Where the tone is changed most, Hz, and by how much, dB against the level; `None` where it
    /// is by less than half a decibel. What balance and width change is no tone.
    pub fn tone(&self) -> Option<(f64, f32)> {
        let mut gains_db = self.gain_db;
        for (gain, placed) in gains_db.iter_mut().zip(self.placed_db) {
            *gain = gain.map(|gain| gain - placed);
        }
        let level_db = middle(gains_db)?;
        let bands = gains_db.iter().enumerate();
        let changes =
            bands.filter_map(|(band, gain)| Some((mid_band_hz(band), (*gain)? - level_db)));
        changes
            .max_by(|(_, a), (_, b)| a.abs().total_cmp(&b.abs()))
            .filter(|(_, change)| change.abs() >= LEAST_TONE_DB)
    }
}

fn middle(gains_db: [Option<f32>; BAND_COUNT]) -> Option<f32> {
    let mut gains: Vec<f32> = gains_db.into_iter().flatten().collect();
    gains.sort_by(f32::total_cmp);
    gains.get(gains.len() / 2).copied()
}

/// Powers before and the spectra of the responses, by frequency from 0 to half the sample rate.
pub(super) struct Powers {
    bin_hz: f64,
    sample_rate_hz: f64,
    lead: usize,
    before: Vec<Vec<f64>>,
    cross: Vec<Complex64>,
    /// `[after][before]`, without the arrangement.
    responses: Vec<Vec<Vec<Complex64>>>,
    arrangement: Arrangement,
}

impl Powers {
    pub fn new(sample_rate_hz: f64, equations: &NormalEquations, transfer: &Transfer) -> Self {
        let (channels, taps) = (transfer.responses.len(), transfer.taps());
        let spectrum = |response: &Option<Vec<f64>>| match response {
            Some(response) => equations.spectrum(response),
            None => vec![Complex64::default(); taps + 1],
        };
        let before: Vec<_> = (0..channels)
            .map(|channel| equations.power(channel))
            .collect();
        let responses = transfer.responses.iter();
        let mut responses: Vec<Vec<_>> = responses
            .map(|row| row.iter().map(spectrum).collect())
            .collect();
        Self {
            arrangement: Arrangement::take_out(&before, &mut responses),
            bin_hz: sample_rate_hz / (2 * taps) as f64,
            sample_rate_hz,
            lead: transfer.lead,
            before,
            cross: if channels == 2 {
                equations.cross_power().to_vec()
            } else {
                vec![Complex64::default(); taps + 1]
            },
            responses,
        }
    }

    /// What the device does with the channels as such. Upside down is what a plain gain would be
    /// negative of.
    pub fn arrangement(&self) -> Arrangement {
        Arrangement {
            inverted: self.product() < 0.0,
            ..self.arrangement
        }
    }

    fn bins(&self) -> std::ops::Range<usize> {
        0..self.cross.len()
    }

    /// Power before at a frequency, of all channels.
    fn power(&self, bin: usize) -> f64 {
        self.before.iter().map(|powers| powers[bin]).sum()
    }

    /// Power of the signals before added up with some weights.
    fn power_of(&self, bin: usize, weights: &[Complex64]) -> f64 {
        match (weights, &*self.before) {
            ([a, b], [left, right]) => {
                let both = a * b.conj() * self.cross[bin].conj();
                a.norm_sqr() * left[bin] + b.norm_sqr() * right[bin] + 2.0 * both.re
            }
            ([a, ..], [left, ..]) => a.norm_sqr() * left[bin],
            _ => 0.0,
        }
    }

    /// Power after at a frequency.
    fn passed(&self, bin: usize) -> f64 {
        let channel = |row: &Vec<Vec<Complex64>>| {
            let weights: Vec<_> = row.iter().map(|response| response[bin]).collect();
            self.power_of(bin, &weights)
        };
        self.responses.iter().map(channel).sum()
    }

    /// The numbers, for bands whose gain that moves is `rest_db` at rest, and muted channels.
    pub fn told(&self, corners_hz: [f64; 3], rest_db: [f64; 4], muted: [bool; 2]) -> LinearPart {
        let place = self.place();
        let (balance_db, width_db) = (self.balance_db(), self.width_db());
        LinearPart {
            gain_db: self.curve(corners_hz, rest_db),
            placed_db: self.placed_db(balance_db, width_db),
            delay_frames: place.delay_frames,
            right_late_frames: place.right_late_frames,
            inverted: place.inverted,
            opposed: self.arrangement.opposed,
            exchanged: self.arrangement.exchanged,
            balance_db,
            width_db,
            muted,
        }
    }

    /// Gain in each third octave of a device that changes balance and width alone, and each by so
    /// much.
    fn placed_db(&self, balance_db: Option<f32>, width_db: Option<f32>) -> [f32; BAND_COUNT] {
        let (Some(balance_db), Some(width_db)) = (balance_db, width_db) else {
            return [0.0; BAND_COUNT];
        };
        let [right, side] = [balance_db, width_db].map(|db| gain_from_db(db.into()));
        let (own, other) = (0.5 + 0.5 * side, 0.5 - 0.5 * side);
        let rows = [[own, other], [right * other, right * own]]
            .map(|row| row.map(|weight| Complex64::new(weight, 0.0)));
        std::array::from_fn(|band| {
            let (low, high) = (band_edge_hz(band), band_edge_hz(band + 1));
            let within = |bin: &usize| (low..high).contains(&(*bin as f64 * self.bin_hz));
            let [before, after] = self.bins().filter(within).fold([0.0; 2], |sums, bin| {
                let placed = rows.iter().map(|row| self.power_of(bin, row)).sum::<f64>();
                [sums[0] + self.power(bin), sums[1] + placed]
            });
            ratio_db(after, before).map_or(0.0, |db| db as f32)
        })
    }

    fn curve(&self, corners_hz: [f64; 3], rest_db: [f64; 4]) -> [Option<f32>; BAND_COUNT] {
        let rest = rest_db.map(gain_from_db);
        let sums: [[f64; 2]; BAND_COUNT] = std::array::from_fn(|band| {
            let (low, high) = (band_edge_hz(band), band_edge_hz(band + 1));
            let mut sums = [0.0; 2];
            for bin in self.bins() {
                let hz = bin as f64 * self.bin_hz;
                if (low..high).contains(&hz) {
                    let gains = self.band_gains(corners_hz, bin);
                    let at_rest: f64 = gains.iter().zip(&rest).map(|(a, b)| a * b).sum();
                    sums[0] += self.power(bin);
                    sums[1] += at_rest * at_rest * self.passed(bin);
                }
            }
            sums
        });
        let most = sums
            .iter()
            .fold(0.0_f64, |most, [before, _]| most.max(*before));
        sums.map(|[before, after]| {
            let told = before > LEAST_BAND * most;
            ratio_db(after, before).filter(|_| told).map(|db| db as f32)
        })
    }

    /// What the right channel has gained on the left.
    fn balance_db(&self) -> Option<f32> {
        let [[left, from_right], [from_left, right]] = self.matrix()?;
        // Where one channel is silent, nothing is known of its gain; nor, if each can hold some of
        // the other, where both are the same.
        let known = |bin: usize| {
            let [a, b] = [0, 1].map(|channel| self.before[channel][bin]);
            let across = from_right[bin].norm_sqr() + from_left[bin].norm_sqr() > 0.0;
            let alike = if across {
                self.cross[bin].norm_sqr()
            } else {
                0.0
            };
            let apart = 1.0 - alike / (a * b).max(f64::MIN_POSITIVE);
            weaker_share(a, b) * apart.max(0.0)
        };
        // All that comes out of either: a signal that is made mono is in both.
        let row = |own: &[Complex64], other: &[Complex64], bin: usize| {
            own[bin].norm_sqr() + other[bin].norm_sqr()
        };
        self.gained_db(known, |bin| {
            [row(left, from_right, bin), row(right, from_left, bin)]
        })
    }

    /// What the side has gained on the middle, from the responses of either to itself.
    fn width_db(&self) -> Option<f32> {
        let [[ll, lr], [rl, rr]] = self.matrix()?;
        let one = Complex64::new(1.0, 0.0);
        // Where there is no side, or nothing but side, nothing is known of its gain.
        let known = |bin: usize| {
            let [middle, side] =
                [[one, one], [one, -one]].map(|weights| self.power_of(bin, &weights));
            weaker_share(middle, side)
        };
        self.gained_db(known, |bin| {
            let (own, other) = (ll[bin] + rr[bin], lr[bin] + rl[bin]);
            let [middle, side] = [own + other, own - other].map(|of| of.norm_sqr());
            [middle, side.max(LEAST_SIDE * middle)]
        })
    }

    fn matrix(&self) -> Option<[[&[Complex64]; 2]; 2]> {
        match &*self.responses {
            [left, right] => Some([[&*left[0], &*left[1]], [&*right[0], &*right[1]]]),
            _ => None,
        }
    }

    fn gained_db(
        &self,
        weight: impl Fn(usize) -> f64,
        pair: impl Fn(usize) -> [f64; 2],
    ) -> Option<f32> {
        let mut sums = [0.0; 2];
        for bin in self.bins() {
            let weight = weight(bin) * self.power(bin);
            for (sum, power) in sums.iter_mut().zip(pair(bin)) {
                *sum += weight * power;
            }
        }
        ratio_db(sums[1], sums[0]).map(|db| db as f32)
    }
}

/// A side that is weaker against the middle is none (−90 dB).
const LEAST_SIDE: f64 = 1e-9;

/// Share of the weaker of two powers in both.
fn weaker_share(one: f64, other: f64) -> f64 {
    one.min(other).max(0.0) / (one + other).max(f64::MIN_POSITIVE)
}

fn ratio_db(after: f64, before: f64) -> Option<f64> {
    (before > 0.0 && after > 0.0).then(|| 10.0 * (after / before).log10())
}
