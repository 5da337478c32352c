//! From windows to readings: what is reported of each band now, over 3 s and since the last
//! restart.

use super::readings::{BandReduction, Reduction, RestGain, Trend};
use super::window::Fit;
use crate::dsp::decibel::{db_from_gain, db_from_power};
use crate::measure::percentiles::Percentiles;

/// Windows in a bucket of 100 ms, and buckets in 3 s.
const WINDOWS_PER_BUCKET: u32 = 10;
const BUCKETS: usize = 30;
/// Windows in 10 s.
const RECENT_WINDOWS: usize = 1_000;
/// A band of less power than this (mean square over the channels, −70 dBFS) is silence.
const GATE: f64 = 1e-7;
/// A band this far below the whole signal (−40 dB) holds what leaks in from its neighbours; its
/// gain would be theirs.
const LEAK: f64 = 1e-4;
/// Where less than this share of the output comes from the input, a gain means nothing.
const LEAST_EXPLAINED: f64 = 0.1;
/// Gains are held to this range, dB.
const LOWEST_DB: f64 = -60.0;
const HIGHEST_DB: f64 = 40.0;
const GAINS_DB: std::ops::Range<i32> = LOWEST_DB as i32..HIGHEST_DB as i32;
/// Shares are held to −150 dB, where the arithmetic ends.
const LEAST_SHARE: f64 = 1e-15;
/// A window counts for the percentiles only where a gain explains this share of the output, and
/// where the gain that is told, from which the neighbours' part is taken out, still makes this
/// share of it; and for the highest reduction, a single moment, only where besides the band is no
/// more than 30 dB below its own mean: what is left of a band between its notes is mostly its
/// neighbours' skirts.
const FIRMLY_EXPLAINED: f64 = 0.5;
const LEAST_OWN: f64 = 0.25;
const FIRM_LEVEL: f64 = 1e-3;
/// Levels from −100 to +20 dB (mean square) of which the lowest gain is kept by itself, each 2 dB
/// wide: the mean that decides is that of the whole session, which a quiet beginning does not know.
const LEVELS: usize = 60;
const LOWEST_LEVEL_DB: f64 = -100.0;
const LEVEL_DB: f64 = 2.0;
/// A band of less than this share of its power before is muted (−60 dB).
const MUTED: f64 = 1e-6;
/// Windows, a hundred a second, into which a response rings: three quarters of at most 0.24 s (0.12 s,
/// rounded up to a power of two in frames), and the length of a window.
const RINGS_WINDOWS: u32 = 22;
const PERCENT_AT_REST: u64 = 95;

/// Sums over some windows of one band.
#[derive(Clone, Copy, Debug)]
struct Sums {
    /// Energy of the input where the gain could be told, the same times the gain in dB, and in how
    /// many windows that was.
    weight: f64,
    weighted_db: f64,
    windows: f64,
    lowest_db: f64,
    output: f64,
    residual: f64,
    highest_share: f64,
}

impl Sums {
    const NONE: Self = Self {
        weight: 0.0,
        weighted_db: 0.0,
        windows: 0.0,
        lowest_db: f64::INFINITY,
        output: 0.0,
        residual: 0.0,
        highest_share: 0.0,
    };

    fn add(&mut self, other: &Self) {
        self.weight += other.weight;
        self.weighted_db += other.weighted_db;
        self.windows += other.windows;
        self.lowest_db = self.lowest_db.min(other.lowest_db);
        self.output += other.output;
        self.residual += other.residual;
        self.highest_share = self.highest_share.max(other.highest_share);
    }

    fn reduction_db(&self, rest_db: Option<f64>) -> Option<f32> {
        let rest_db = rest_db.filter(|_| self.weight > 0.0)?;
        Some((rest_db - self.weighted_db / self.weight) as f32)
    }

    fn highest_reduction_db(&self, rest_db: Option<f64>) -> Option<f32> {
        rest_db
            .filter(|_| self.lowest_db.is_finite())
            .map(|rest_db| (rest_db - self.lowest_db) as f32)
    }

    fn share_db(&self) -> Option<f32> {
        share_db(
            if self.output > 0.0 {
                self.residual / self.output
            } else {
                0.0
            },
            self.output,
        )
    }

    fn highest_share_db(&self) -> Option<f32> {
        share_db(self.highest_share, self.output)
    }
}

fn share_db(share: f64, output: f64) -> Option<f32> {
    (output > 0.0).then(|| db_from_power(share.max(LEAST_SHARE)).unwrap_or_default() as f32)
}

/// The lowest gain of windows of each level.
#[derive(Clone, Debug)]
struct Lowest([f32; LEVELS]);

impl Lowest {
    const NONE: Self = Self([f32::INFINITY; LEVELS]);

    fn level(power: f64) -> usize {
        let db = db_from_power(power).unwrap_or(LOWEST_LEVEL_DB);
        let level = ((db - LOWEST_LEVEL_DB) / LEVEL_DB).max(0.0);
        #[expect(clippy::cast_sign_loss, reason = "held to 0")]
        let level = level as usize;
        level.min(LEVELS - 1)
    }

    fn add(&mut self, power: f64, gain_db: f64) {
        if let Some(lowest) = self.0.get_mut(Self::level(power)) {
            *lowest = lowest.min(gain_db as f32);
        }
    }

    /// Of the windows of at least this power, to the width of a level.
    fn from(&self, power: f64) -> f64 {
        let levels = self.0.iter().skip(Self::level(power));
        levels.fold(f64::INFINITY, |lowest, db| lowest.min(f64::from(*db)))
    }
}

/// One band, or (last) all of them together, whose gain is left open.
#[derive(Clone, Debug)]
struct Track {
    now: Sums,
    bucket: Sums,
    buckets: [Sums; BUCKETS],
    session: Sums,
    lowest: Lowest,
    three_seconds: Sums,
}

impl Track {
    const EMPTY: Self = Self {
        now: Sums::NONE,
        bucket: Sums::NONE,
        buckets: [Sums::NONE; BUCKETS],
        session: Sums::NONE,
        lowest: Lowest::NONE,
        three_seconds: Sums::NONE,
    };

    fn push(&mut self, now: Sums) {
        self.now = now;
        self.bucket.add(&now);
        self.session.add(&now);
    }

    /// Added up afresh, so that nothing drifts in a session of any length.
    fn close_bucket(&mut self, index: usize) {
        let newest = std::mem::replace(&mut self.bucket, Sums::NONE);
        if let Some(oldest) = self.buckets.get_mut(index) {
            *oldest = newest;
        }
        self.three_seconds = self.buckets.iter().fold(Sums::NONE, |mut sum, bucket| {
            sum.add(bucket);
            sum
        });
    }

    /// The lowest gain of the session where the band was no more than 30 dB below its mean.
    fn lowest_firm_db(&self) -> f64 {
        let session = &self.session;
        if session.windows > 0.0 {
            self.lowest
                .from(FIRM_LEVEL * session.weight / session.windows)
        } else {
            f64::INFINITY
        }
    }

    /// A quantity over every span.
    fn trend(
        &self,
        value: impl Fn(&Sums) -> Option<f32>,
        highest: impl Fn(&Sums) -> Option<f32>,
    ) -> Trend {
        // A mean has windows in it that are not firm enough for the highest, which is no less.
        let highest = |sums: &Sums| {
            let (highest, mean) = (highest(sums)?, value(sums)?);
            Some(highest.max(mean))
        };
        Trend {
            now_db: value(&self.now),
            mean_3s_db: value(&self.three_seconds),
            mean_db: value(&self.session),
            max_db: highest(&self.session),
        }
    }
}

/// Which windows the percentiles of the gain are taken over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GainMemory {
    /// None: the gain at rest must be known.
    Nothing,
    /// The last 10 s.
    TenSeconds,
    /// All since the last restart.
    Session,
}

/// Everything reported of one pair of signals.
#[derive(Clone, Debug)]
pub(super) struct Report {
    tracks: [Track; 5],
    gains: Option<[Percentiles; 4]>,
    rest: RestGain,
    rest_gain_db: [Option<f64>; 4],
    given_gain_db: [f64; 4],
    windows: u32,
    bucket: usize,
    /// Windows in a row in which a band is muted.
    muted: [u32; 4],
    readings: Reduction,
}

impl Report {
    pub fn new(span: GainMemory, rest: RestGain) -> Self {
        let gains = match span {
            GainMemory::Nothing => None,
            GainMemory::TenSeconds => Some(Percentiles::of_last(RECENT_WINDOWS, GAINS_DB)),
            GainMemory::Session => Some(Percentiles::of_all(GAINS_DB)),
        };
        let gains = gains.map(|gains| std::array::from_fn(|_| gains.clone()));
        let mut levels = Self {
            tracks: [Track::EMPTY; 5],
            gains,
            rest,
            rest_gain_db: [None; 4],
            given_gain_db: [0.0; 4],
            windows: 0,
            bucket: 0,
            muted: [0; 4],
            readings: Reduction::default(),
        };
        levels.report();
        levels
    }

    pub fn restart(&mut self) {
        self.tracks = [Track::EMPTY; 5];
        self.gains.iter_mut().flatten().for_each(Percentiles::reset);
        self.rest_gain_db = [None; 4];
        self.windows = 0;
        self.bucket = 0;
        self.muted = [0; 4];
        self.report();
    }

    pub fn set_rest_gain(&mut self, rest: RestGain) {
        if rest != self.rest {
            self.rest = rest;
            self.rest_gain_db = [None; 4];
            self.report();
        }
    }

    pub fn set_given_gain(&mut self, gain_db: [f64; 4]) {
        self.given_gain_db = gain_db;
    }

    pub fn readings(&self) -> &Reduction {
        &self.readings
    }

    /// Percentile of the reduction in a band, dB.
    pub fn percentile_db(&self, band: usize, percent: u64) -> Option<f64> {
        let gains = self.gains.as_ref()?.get(band)?;
        Some((*self.rest_gain_db.get(band)?)? - gains.percentile_db(100 - percent.min(100))?)
    }

    /// Takes the window that has just ended.
    pub fn push(&mut self, fit: &Fit, channels: f64) {
        let gate = GATE * channels;
        let whole: f64 = fit.xx.iter().sum();
        for (band, track) in self.tracks[..4].iter_mut().enumerate() {
            let (xx, yy, residual) = (fit.xx[band], fit.yy[band], fit.residual[band]);
            let loud = xx > gate.max(LEAK * whole);
            let (through, explained) = (fit.through[band], fit.explained[band]);
            let gain_db = |gain: f64| {
                gain_db(xx, through, gain, explained)
                    .map(|db| db + self.given_gain_db[band])
                    .filter(|_| loud)
            };
            let no_lower_db = gain_db(fit.no_lower[band]);
            let gain_db = gain_db(fit.gain[band]);
            // What has been muted is explained by its silence, once that lasts longer than a response
            // that is taken out beforehand can ring into a pause of the music, from either end.
            let muted = through < xx * MUTED;
            self.muted[band] = if muted && loud {
                self.muted[band].saturating_add(1)
            } else {
                0
            };
            let own = fit.gain[band].powi(2) * xx > LEAST_OWN * through;
            let firm = if muted {
                self.muted[band] > RINGS_WINDOWS
            } else {
                explained > FIRMLY_EXPLAINED && own
            };
            if let Some(gains) = &mut self.gains {
                gains[band].push(gain_db.filter(|_| firm));
            }
            let mut now = Sums::NONE;
            if let (Some(gain_db), Some(no_lower_db)) = (gain_db, no_lower_db) {
                (now.weight, now.weighted_db, now.windows) = (xx, xx * gain_db, 1.0);
                let session = &track.session;
                if firm {
                    track.lowest.add(xx, no_lower_db);
                }
                if firm && xx * session.windows >= FIRM_LEVEL * session.weight {
                    now.lowest_db = no_lower_db;
                }
            }
            if yy > gate {
                (now.output, now.residual, now.highest_share) = (yy, residual, residual / yy);
            }
            track.push(now);
        }
        let mut total = Sums::NONE;
        if fit.whole > gate {
            total.output = fit.whole;
            total.residual = fit.whole_residual;
            total.highest_share = fit.whole_residual / fit.whole;
        }
        self.tracks[4].push(total);
        self.windows += 1;
        if self.windows == WINDOWS_PER_BUCKET {
            self.windows = 0;
            for track in &mut self.tracks {
                track.close_bucket(self.bucket);
            }
            self.bucket = (self.bucket + 1) % BUCKETS;
            self.report();
        } else {
            self.report_now();
        }
    }

    /// Brings every reading up to date, the gain at rest first. A percentile without windows leaves
    /// that as it was.
    pub fn report(&mut self) {
        for track in &mut self.tracks[..4] {
            track.session.lowest_db = track.lowest_firm_db();
        }
        for (band, rest_db) in self.rest_gain_db.iter_mut().enumerate() {
            *rest_db = match self.rest {
                RestGain::Known(db) => Some(db),
                RestGain::Automatic => {
                    let gains = self.gains.as_ref().and_then(|gains| gains.get(band));
                    gains
                        .and_then(|gains| gains.percentile_db(PERCENT_AT_REST))
                        .or(*rest_db)
                }
            };
        }
        let (bands, total) = self.tracks.split_at(4);
        for ((reading, track), rest_db) in self
            .readings
            .bands
            .iter_mut()
            .zip(bands)
            .zip(self.rest_gain_db)
        {
            *reading = BandReduction {
                rest_gain_db: rest_db.map(|db| db as f32),
                reduction: track.trend(
                    |sums| sums.reduction_db(rest_db),
                    |sums| sums.highest_reduction_db(rest_db),
                ),
                distortion: track.trend(Sums::share_db, Sums::highest_share_db),
            };
        }
        if let Some(total) = total.first() {
            self.readings.distortion = total.trend(Sums::share_db, Sums::highest_share_db);
        }
    }

    /// Brings only what is told of this moment up to date; everything else can wait for the end of
    /// the bucket.
    fn report_now(&mut self) {
        for ((reading, track), rest_db) in self
            .readings
            .bands
            .iter_mut()
            .zip(&self.tracks)
            .zip(self.rest_gain_db)
        {
            reading.reduction.now_db = track.now.reduction_db(rest_db);
            reading.distortion.now_db = track.now.share_db();
        }
        self.readings.distortion.now_db = self.tracks[4].now.share_db();
    }
}

/// Gain of a band in dB, if it can be trusted.
fn gain_db(xx: f64, yy: f64, gain: f64, explained: f64) -> Option<f64> {
    // Silence after the process is a gain as well, only a very low one.
    if yy < xx * MUTED {
        return Some(LOWEST_DB);
    }
    let trusted = gain > 0.0 && explained > LEAST_EXPLAINED;
    trusted
        .then(|| db_from_gain(gain))
        .flatten()
        .map(|db| db.clamp(LOWEST_DB, HIGHEST_DB))
}
