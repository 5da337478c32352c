//! Which shelves bring one balance nearest to another.
//!
//! Least squares in decibels over the third-octave bands, with the magnitude of the chain's own
//! shelves ([`ShelvesSettings::coefficients`]); the level is left free, as the comparison is one at
//! equal loudness. Corners and gains are found by the method of Levenberg and Marquardt from
//! several beginnings.
//!
//! A band weighs by how far its K-weighted level, in whichever of the two it is lower, stands above
//! a floor 50 dB below the strongest band: a band that holds nothing says nothing. (Its plain
//! energy as weight would leave all to the bass, which often stands 30 dB above the treble.)

use crate::dsp::decibel::power_from_db;
use crate::dsp::solve::solve;
use crate::measure::{BAND_COUNT, KWeighting, band_edge_hz, mid_band_hz};
use crate::process::ShelvesSettings;

/// Largest gain that is suggested, dB: what needs more needs another look at the mix.
pub const LARGEST_GAIN_DB: f64 = 6.0;
/// A shelf of less gain is not worth its while, dB.
pub const SMALLEST_GAIN_DB: f64 = 0.5;

/// Each shelf must bring what is left of the difference (its mean square) down to this share or
/// less, unless it would have to be larger than is allowed. A notch or a resonance, which no shelf
/// undoes, leaves more.
const SHARE_LEFT: f64 = 0.65;
/// Of the bands that a shelf moves by a quarter of its gain or more, it must bring so many nearer,
/// by weight: a notch pulls a shelf over, at the cost of the bands around it.
const SHARE_NEARER: f64 = 0.7;
/// Two shelves that turn the same way from corners nearer to each other than this, in octaves, make
/// a bell between them: another tool's work. So do two of which one would have its corner nearer to
/// the other's than its range allows.
const BELL_OCTAVES: f64 = 3.0;
/// Together they must bring the difference down by this, dB.
const LEAST_IMPROVEMENT_DB: f64 = 0.2;
/// Balances whose difference in shape is smaller than this are the same, dB.
const SAME_DB: f64 = 0.05;
/// Weights begin so far below the strongest band, dB.
const FLOOR_DB: f64 = 50.0;
/// Bands that both must have for anything to be said.
const LEAST_BANDS: usize = 10;

const ITERATIONS: usize = 60;
/// Corners from which the search begins, Hz.
const LOW_STARTS_HZ: [f64; 3] = [60.0, 120.0, 250.0];
const HIGH_STARTS_HZ: [f64; 3] = [2_200.0, 4_500.0, 9_000.0];

/// Balance in the third-octave bands from 20 Hz to 20 kHz, dB.
pub(super) type Bands = [Option<f64>; BAND_COUNT];

/// Shelves that bring the mix nearest to the reference, and how near.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Suggestion {
    /// A shelf that does not help has a gain of 0 dB.
    pub shelves: ShelvesSettings,
    /// Difference in shape before and with these shelves, dB: weighted root mean square over the
    /// bands, the mean taken out.
    pub before_db: f64,
    /// The same with the shelves.
    pub after_db: f64,
    /// What the shelves do to each band, dB.
    pub gain_db: [f64; BAND_COUNT],
    /// What they do to the mix's loudness, LU.
    pub loudness_change_lu: f64,
}

impl Suggestion {
    /// Whether there is a shelf that helps.
    pub fn helps(&self) -> bool {
        self.shelves.low_gain_db != 0.0 || self.shelves.high_gain_db != 0.0
    }
}

/// Mix less reference in each band at equal loudness, dB: positive where the mix is stronger.
pub fn difference_db(mix: &Bands, mix_lufs: f64, reference: &Bands, reference_lufs: f64) -> Bands {
    std::array::from_fn(|band| Some(mix[band]? - mix_lufs - (reference[band]? - reference_lufs)))
}

/// The shelves that bring `mix` nearest to `reference`, at the mix's sample rate. Gains are held to
/// ±[`LARGEST_GAIN_DB`], corners to the ranges of [`ShelvesSettings`].
///
/// `None` where fewer than ten bands are known of both.
pub fn suggest(sample_rate_hz: f64, mix: &Bands, reference: &Bands) -> Option<Suggestion> {
    let problem = Problem::new(sample_rate_hz, mix, reference)?;
    let none = ([0.0; 4], problem.mean_square(&[0.0; 4]));
    let [low, high, both] =
        [[true, false], [false, true], [true, true]].map(|active| problem.solve(active));
    let before = none.1;
    let left = |mean_square: f64, shelves: i32| {
        (mean_square + SAME_DB * SAME_DB) / SHARE_LEFT.powi(shelves)
    };
    let mut best = (left(before, 0), none.0, before);
    // Each with what there would be without its low and without its high shelf.
    for (found, shelves, without) in [
        (low, 1, [Some(none.0), None]),
        (high, 1, [None, Some(none.0)]),
        (both, 2, [Some(high.0), Some(low.0)]),
    ] {
        let (parameters, mean_square) = found;
        let worth = (0..2).all(|shelf| {
            without[shelf].is_none_or(|without| problem.is_worth(shelf, &parameters, &without))
        });
        let [low_db, low, high_db, high] = parameters;
        let held_apart = low >= ShelvesSettings::LOW_HZ.max.log2()
            || high <= ShelvesSettings::HIGH_HZ.min.log2();
        let bell = low_db * high_db > 0.0 && (held_apart || high - low < BELL_OCTAVES);
        let improved = before.sqrt() - mean_square.sqrt() >= LEAST_IMPROVEMENT_DB;
        let largest = |shelf: usize| i32::from(parameters[2 * shelf].abs() >= LARGEST_GAIN_DB);
        let held = largest(0) + largest(1);
        let score = left(mean_square, shelves - held);
        if worth && improved && !bell && score < best.0 {
            best = (score, parameters, mean_square);
        }
    }
    let (_, parameters, after) = best;
    let gain_db = problem.response_db(&parameters);
    Some(Suggestion {
        shelves: settings(&parameters),
        before_db: before.sqrt(),
        after_db: after.sqrt(),
        gain_db,
        loudness_change_lu: loudness_change_lu(sample_rate_hz, mix, &gain_db),
    })
}

/// What some shelves do to a mix beside a reference.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AsSet {
    /// What is left of the difference in shape, dB, as in [`Suggestion::after_db`].
    pub difference_db: f64,
    /// What they do to the mix's loudness, LU.
    pub loudness_change_lu: f64,
}

/// What these shelves do to a mix that is without any. `None` as for [`suggest`].
pub fn as_set(
    sample_rate_hz: f64,
    mix: &Bands,
    reference: &Bands,
    shelves: &ShelvesSettings,
) -> Option<AsSet> {
    let problem = Problem::new(sample_rate_hz, mix, reference)?;
    let parameters = [
        shelves.low_gain_db,
        shelves.low_hz.log2(),
        shelves.high_gain_db,
        shelves.high_hz.log2(),
    ];
    let gain_db = problem.response_db(&parameters);
    Some(AsSet {
        difference_db: problem.mean_square(&parameters).sqrt(),
        loudness_change_lu: loudness_change_lu(sample_rate_hz, mix, &gain_db),
    })
}

/// Gain in dB and corner as log₂ Hz of the low shelf, then of the high one.
type Parameters = [f64; 4];

fn settings(parameters: &Parameters) -> ShelvesSettings {
    let [low_gain_db, low, high_gain_db, high] = *parameters;
    let default = ShelvesSettings::default();
    let hz = |gain_db: f64, octaves: f64, default: f64| {
        if gain_db == 0.0 {
            default
        } else {
            octaves.exp2()
        }
    };
    ShelvesSettings {
        low_hz: hz(low_gain_db, low, default.low_hz),
        low_gain_db,
        high_hz: hz(high_gain_db, high, default.high_hz),
        high_gain_db,
    }
}

/// Nearest settings within the ranges.
fn held(parameters: Parameters) -> Parameters {
    let [low_gain, low, high_gain, high] = parameters;
    let gain = |gain: f64| gain.clamp(-LARGEST_GAIN_DB, LARGEST_GAIN_DB);
    let corner = |octaves: f64, range: crate::dsp::setting::Setting| {
        octaves.clamp(range.min.log2(), range.max.log2())
    };
    [
        gain(low_gain),
        corner(low, ShelvesSettings::LOW_HZ),
        gain(high_gain),
        corner(high, ShelvesSettings::HIGH_HZ),
    ]
}

struct Problem {
    sample_rate_hz: f64,
    /// What the shelves should do, dB.
    wanted_db: [f64; BAND_COUNT],
    /// Adding up to 1; 0 where a band is not known.
    weights: [f64; BAND_COUNT],
}

/// K-weighted levels of the bands, dB; `None` where one is not known.
fn weighted(sample_rate_hz: f64, bands: &Bands) -> Bands {
    let k = KWeighting::new(sample_rate_hz);
    std::array::from_fn(|band| {
        let level_db = bands[band].filter(|db| db.is_finite())?;
        let hz = mid_band_hz(band).min(0.499 * sample_rate_hz);
        Some(level_db + 10.0 * k.power_response(hz, sample_rate_hz).log10())
    })
}

/// What these gains do to the loudness of a balance, LU, of bands that are only partly there too.
pub(super) fn loudness_change_lu(
    sample_rate_hz: f64,
    balance: &Bands,
    gain_db: &[f64; BAND_COUNT],
) -> f64 {
    let powers =
        weighted(sample_rate_hz, balance).map(|level_db| level_db.map_or(0.0, power_from_db));
    let before: f64 = powers.iter().sum();
    let bands = powers.iter().zip(gain_db);
    let after: f64 = bands.map(|(power, db)| power * power_from_db(*db)).sum();
    10.0 * (after / before).log10()
}

/// [`weighted`] without those that reach beyond half the rate and are only partly there.
fn weighted_whole(sample_rate_hz: f64, bands: &Bands) -> Bands {
    let weighted = weighted(sample_rate_hz, bands);
    let is_whole = |band: usize| band_edge_hz(band + 1) < 0.5 * sample_rate_hz;
    std::array::from_fn(|band| weighted[band].filter(|_| is_whole(band)))
}

/// How much each band says of a difference between the two, 0 to 1: see the [module](self).
pub(super) fn evidence(sample_rate_hz: f64, mix: &Bands, reference: &Bands) -> [f64; BAND_COUNT] {
    let both = [mix, reference].map(|bands| weighted_whole(sample_rate_hz, bands));
    let strongest = |bands: &Bands| bands.iter().flatten().copied().fold(f64::MIN, f64::max);
    let tops = [strongest(&both[0]), strongest(&both[1])];
    std::array::from_fn(|band| match (both[0][band], both[1][band]) {
        (Some(mix), Some(reference)) => {
            let lower_db = (mix - tops[0]).min(reference - tops[1]);
            (1.0 + lower_db / FLOOR_DB).clamp(0.0, 1.0)
        }
        _ => 0.0,
    })
}

impl Problem {
    fn new(sample_rate_hz: f64, mix: &Bands, reference: &Bands) -> Option<Self> {
        let both = [mix, reference].map(|bands| weighted_whole(sample_rate_hz, bands));
        let [of_mix, of_reference] = both;
        let weights = evidence(sample_rate_hz, mix, reference);
        let known = weights.iter().filter(|weight| **weight > 0.0).count();
        if known < LEAST_BANDS {
            return None;
        }
        let sum: f64 = weights.iter().sum();
        Some(Self {
            sample_rate_hz,
            wanted_db: std::array::from_fn(|band| match (of_mix[band], of_reference[band]) {
                (Some(mix), Some(reference)) => reference - mix,
                _ => 0.0,
            }),
            weights: weights.map(|weight| weight / sum),
        })
    }

    fn response_db(&self, parameters: &Parameters) -> [f64; BAND_COUNT] {
        let filters = settings(parameters).coefficients(self.sample_rate_hz);
        std::array::from_fn(|band| {
            let hz = mid_band_hz(band).min(0.499 * self.sample_rate_hz);
            let gains = filters.map(|filter| filter.magnitude_db(hz, self.sample_rate_hz));
            gains.iter().sum()
        })
    }

    fn mean(&self, values: &[f64; BAND_COUNT]) -> f64 {
        let products = values.iter().zip(&self.weights);
        products.map(|(value, weight)| value * weight).sum()
    }

    /// What is left of the difference in each band, without its mean: the level is free.
    fn left(&self, parameters: &Parameters) -> [f64; BAND_COUNT] {
        let response = self.response_db(parameters);
        self.centred(std::array::from_fn(|band| {
            self.wanted_db[band] - response[band]
        }))
    }

    fn centred(&self, values: [f64; BAND_COUNT]) -> [f64; BAND_COUNT] {
        let mean = self.mean(&values);
        values.map(|value| value - mean)
    }

    fn mean_square(&self, parameters: &Parameters) -> f64 {
        self.mean(&self.left(parameters).map(|left| left * left))
    }

    /// Whether the low (0) or high shelf (1) brings most of what it moves nearer, against other
    /// parameters without it.
    fn is_worth(&self, shelf: usize, with: &Parameters, without: &Parameters) -> bool {
        let gain = with[2 * shelf];
        if gain.abs() < SMALLEST_GAIN_DB {
            return false;
        }
        let mut alone = *with;
        alone[2 * (1 - shelf)] = 0.0;
        let (moves, left) = (
            self.response_db(&alone),
            [self.left(with), self.left(without)],
        );
        let (mut moved, mut nearer) = (0.0, 0.0);
        for band in (0..BAND_COUNT).filter(|band| moves[*band].abs() >= 0.25 * gain.abs()) {
            moved += self.weights[band];
            if left[0][band].abs() <= left[1][band].abs() {
                nearer += self.weights[band];
            }
        }
        nearer >= SHARE_NEARER * moved
    }

    /// The best parameters with these shelves, and the mean square that they leave.
    fn solve(&self, active: [bool; 2]) -> (Parameters, f64) {
        let starts = |active: bool, starts: [f64; 3]| if active { 3 } else { 1 }.min(starts.len());
        let mut best = ([0.0; 4], f64::INFINITY);
        for low in &LOW_STARTS_HZ[..starts(active[0], LOW_STARTS_HZ)] {
            for high in &HIGH_STARTS_HZ[..starts(active[1], HIGH_STARTS_HZ)] {
                let found = self.descend([0.0, low.log2(), 0.0, high.log2()], active);
                if found.1 < best.1 {
                    best = found;
                }
            }
        }
        best
    }

    fn descend(&self, start: Parameters, active: [bool; 2]) -> (Parameters, f64) {
        let mut at = start;
        let mut mean_square = self.mean_square(&at);
        let mut damping = 1e-2;
        for _ in 0..ITERATIONS {
            let left = self.left(&at);
            let slopes = self.slopes(&at, active);
            let mut matrix = [[0.0; 4]; 4];
            let mut vector = [0.0; 4];
            for (row, slope) in slopes.iter().enumerate() {
                let product = |other: &[f64; BAND_COUNT]| {
                    self.mean(&std::array::from_fn(|band| slope[band] * other[band]))
                };
                vector[row] = product(&left);
                for (column, other) in slopes.iter().enumerate() {
                    matrix[row][column] = product(other);
                }
                // The constant keeps a corner still while its gain is 0.
                matrix[row][row] += damping * (matrix[row][row] + 1e-3);
            }
            let step = solve(matrix, vector);
            let next = held(std::array::from_fn(|index| at[index] + step[index]));
            let there = self.mean_square(&next);
            if there < mean_square {
                let gained = mean_square - there;
                (at, mean_square) = (next, there);
                damping = (0.3 * damping).max(1e-9);
                if gained < 1e-10 {
                    break;
                }
            } else {
                damping *= 8.0;
                if damping > 1e9 {
                    break;
                }
            }
        }
        (at, mean_square)
    }

    /// How the bands move with each parameter, level free; none for a shelf that is not active.
    fn slopes(&self, at: &Parameters, active: [bool; 2]) -> [[f64; BAND_COUNT]; 4] {
        const STEP: f64 = 1e-4;
        std::array::from_fn(|index| {
            if !active[index / 2] {
                return [0.0; BAND_COUNT];
            }
            let moved = |by: f64| {
                let mut there = *at;
                there[index] += by;
                self.response_db(&there)
            };
            let (up, down) = (moved(STEP), moved(-STEP));
            self.centred(std::array::from_fn(|band| {
                (up[band] - down[band]) / (2.0 * STEP)
            }))
        })
    }
}
