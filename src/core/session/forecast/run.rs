//! From a stretch of audio to points: the engine, push after push.

use super::blocks::{Blocks, Counted, Ends};
use super::curve::Path;
use super::summary::potential;
use super::{BandFigures, PathFigures, Point, Stretch};
use crate::engine::{CHUNK, Engine, EngineSpec, Settings};
use crate::measure::{Readings, Reduction};
use crate::process::{
    ChainSettings, LimiterSettings, PushSettings, SaturatorSettings, Shelves, ShelvesSettings,
};

/// Pushes lie this far apart, dB; twice as near where a curve bends.
pub const PUSH_STEP_DB: f64 = 1.5;
/// The first of them, every so many steps: few points that span the whole make a curve to look at
/// early, and the others fill it in.
const STRIDES: [usize; 3] = [4, 2, 1];
/// Neighbours that lie nearer to each other than this need no push between them.
const FINE_ENOUGH_DB: f64 = 1.0;
/// Percentile of the limiter's reduction that stands for its highest: the rarest peaks are left
/// out.
const HIGH_PERCENT: usize = 95;

/// The limiter's gain is told as the lowest of so long, s, which at high rates is several chunks: the
/// shorter it is, the higher is the mean.
const GAIN_S: f64 = 256.0 / 48_000.0;

/// How far a forecast has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Progress {
    /// Points found.
    pub done: usize,
    /// Points there will be, as far as is known: what the bend calls for comes later.
    pub planned: usize,
}

/// Runs a whole forecast: pushes of 0 dB to `max_push_db` (held to 0…18), [`PUSH_STEP_DB`] apart
/// and nearer to each other where a curve bends.
///
/// Hands each point to `found` as it comes, those that span the range first, and returns all of
/// them by rising push. `cancelled` is asked every [`CHUNK`] frames, well below a millisecond of
/// work; `None` where it said so.
pub fn forecast(
    stretch: Stretch,
    settings: &ChainSettings,
    max_push_db: f64,
    cancelled: &dyn Fn() -> bool,
    found: &mut dyn FnMut(Point, Progress),
) -> Option<Vec<Point>> {
    Runs::new(stretch, settings, cancelled)?.all(max_push_db, cancelled, found)
}

/// A stretch that is ready to be run at any push: what all pushes share has been done, so that their
/// points can be held against each other.
#[derive(Debug)]
pub struct Runs {
    /// Behind its shelves.
    stretch: Stretch,
    counted: Counted,
    settings: ChainSettings,
}

impl Runs {
    /// Sends the stretch through its shelves and finds out which parts of it count; `None` if
    /// `cancelled` said so.
    pub fn new(
        mut stretch: Stretch,
        settings: &ChainSettings,
        cancelled: &dyn Fn() -> bool,
    ) -> Option<Self> {
        let settings = through_shelves(&mut stretch, settings, cancelled)?;
        Some(Self {
            counted: Counted::of(&stretch, cancelled)?,
            stretch,
            settings,
        })
    }

    /// What [`forecast`] runs.
    pub fn all(
        &self,
        max_push_db: f64,
        cancelled: &dyn Fn() -> bool,
        found: &mut dyn FnMut(Point, Progress),
    ) -> Option<Vec<Point>> {
        let mut points: Vec<Point> = Vec::new();
        let mut run_all = |pushes: Vec<f64>, points: &mut Vec<Point>| {
            let planned = points.len() + pushes.len();
            for push_db in pushes {
                let point = self.at(push_db, cancelled)?;
                let place = points.partition_point(|other| other.push_db < push_db);
                points.insert(place, point);
                let done = points.len();
                found(point, Progress { done, planned });
            }
            Some(())
        };
        run_all(first_pushes(max_push_db), &mut points)?;
        run_all(pushes_near_the_bends(&points), &mut points)?;
        Some(points)
    }

    /// What both paths come to at one push; `None` if `cancelled` said so.
    pub fn at(&self, push_db: f64, cancelled: &dyn Fn() -> bool) -> Option<Point> {
        let Self {
            stretch,
            counted,
            settings,
        } = self;
        run(stretch, counted, settings, push_db, cancelled)
    }
}

/// Whether points, by rising push, lie as near to each other as they will all over: what lies between
/// two of the first ones is anybody's guess.
pub fn is_filled_in(points: &[Point]) -> bool {
    let mut pairs = points.windows(2);
    pairs.all(|pair| pair[1].push_db - pair[0].push_db < PUSH_STEP_DB + 1e-9)
}

/// The pushes of the even grid, in the order in which they are run.
fn first_pushes(max_push_db: f64) -> Vec<f64> {
    let most = PushSettings::PUSH_DB.held(max_push_db);
    #[expect(clippy::cast_sign_loss, reason = "a quotient of positive numbers")]
    let steps = (most / PUSH_STEP_DB).ceil() as usize;
    let mut order: Vec<usize> = Vec::new();
    for stride in STRIDES {
        // The end of the range belongs to the first few.
        for step in (0..steps).step_by(stride).chain([steps]) {
            if !order.contains(&step) {
                order.push(step);
            }
        }
    }
    order
        .into_iter()
        .map(|step| (step as f64 * PUSH_STEP_DB).min(most))
        .collect()
}

/// The pushes in the middle of those intervals between which a path's next decibel comes to too
/// little.
fn pushes_near_the_bends(points: &[Point]) -> Vec<f64> {
    let mut pushes = Vec::new();
    for path in [Path::Clean, Path::Saturated] {
        let Some(bend) = potential(points, path).filter(|bend| !bend.beyond) else {
            continue;
        };
        for near_db in [bend.push_db, bend.push_db + 1.0] {
            let after = points.partition_point(|point| point.push_db <= near_db);
            let [Some(before), Some(after)] =
                [points.get(after.wrapping_sub(1)), points.get(after)]
            else {
                continue;
            };
            let middle_db = 0.5 * (before.push_db + after.push_db);
            if after.push_db - before.push_db > FINE_ENOUGH_DB && !pushes.contains(&middle_db) {
                pushes.push(middle_db);
            }
        }
    }
    pushes
}

/// The settings with the limiter in both paths and the saturator in one.
pub(super) fn fully_on(settings: &ChainSettings) -> ChainSettings {
    ChainSettings {
        saturator: SaturatorSettings {
            enabled: true,
            ..settings.saturator
        },
        limiter: LimiterSettings {
            enabled: true,
            ..settings.limiter
        },
        ..*settings
    }
}

/// Sends the stretch through its shelves, which all pushes share: a gain and a filter that does not
/// change may change places. Returns the settings of what is left to do.
fn through_shelves(
    stretch: &mut Stretch,
    settings: &ChainSettings,
    cancelled: &dyn Fn() -> bool,
) -> Option<ChainSettings> {
    let mut shelves = Shelves::new(stretch.sample_rate_hz());
    for mut piece in stretch.pieces_mut(CHUNK) {
        if cancelled() {
            return None;
        }
        shelves.process(&mut piece, &settings.shelves);
    }
    Some(ChainSettings {
        shelves: ShelvesSettings::default(),
        ..fully_on(settings)
    })
}

/// Runs the stretch, of which these blocks count, at one push.
fn run(
    stretch: &Stretch,
    counted: &Counted,
    settings: &ChainSettings,
    push_db: f64,
    cancelled: &dyn Fn() -> bool,
) -> Option<Point> {
    let settings = Settings {
        chain: ChainSettings {
            push: PushSettings { push_db },
            ..*settings
        },
        ..Settings::default()
    };
    let mut engine = Engine::without_listening(EngineSpec {
        sample_rate_hz: stretch.sample_rate_hz(),
        channels: stretch.channels(),
    });
    let latency = engine.latency_frames();
    let end = stretch.frames() + latency;
    let (mut left, mut right) = ([0.0; CHUNK], [0.0; CHUNK]);
    let mut limiters_db: [Vec<f32>; 2] = [Vec::new(), Vec::new()];
    let mut blocks = Blocks::default();
    let mut block_ends = Ends::new(stretch.sample_rate_hz(), latency);
    let mut start = 0;
    while start < end {
        if cancelled() {
            return None;
        }
        // What comes out before the latency has passed is not of this stretch.
        let stop = if start < latency { latency } else { end };
        let frames = CHUNK.min(stop - start);
        let mut block = [&mut left[..frames], &mut right[..frames]];
        let block = &mut block[..stretch.channels().min(2)];
        stretch.copy(start, block);
        engine.process(block, &[], &settings);
        start += frames;
        if block_ends.take(start) {
            let [output, clean, _] = engine.readings();
            blocks.push([output, clean].map(|readings| readings.momentary_lufs));
        }
        if start == latency {
            engine.begin();
        } else if start > latency {
            for (gains_db, gain_db) in limiters_db.iter_mut().zip(engine.limiters_db()) {
                gains_db.push(gain_db);
            }
        }
    }
    engine.finish();
    let snapshot = engine.snapshot();
    #[expect(clippy::cast_sign_loss, reason = "a ratio of lengths")]
    let chunks = (GAIN_S * stretch.sample_rate_hz() / CHUNK as f64).round() as usize;
    let lowest = |gains_db: &[f32]| gains_db.iter().copied().fold(0.0, f32::min);
    let [clean_limiter, saturated_limiter] = limiters_db.map(|gains_db| {
        let together = gains_db.chunks(chunks.max(1));
        together.map(lowest).collect()
    });
    let [saturated_lufs, clean_lufs] = blocks.loudness_lufs(counted);
    Some(Point {
        push_db,
        clean: figures(
            &snapshot.clean.readings,
            clean_lufs,
            &snapshot.clean_reduction,
            clean_limiter,
        ),
        saturated: figures(
            &snapshot.output.readings,
            saturated_lufs,
            &snapshot.output_reduction,
            saturated_limiter,
        ),
    })
}

/// `gains_db` are the limiter's, of [`GAIN_S`] each.
fn figures(
    readings: &Readings,
    same_parts_lufs: Option<f64>,
    reduction: &Reduction,
    mut gains_db: Vec<f32>,
) -> PathFigures {
    let number = |value: Option<f32>| value.map(f64::from);
    gains_db.sort_by(|a, b| b.total_cmp(a));
    let sum: f64 = gains_db.iter().map(|gain_db| f64::from(*gain_db)).sum();
    let mean = (!gains_db.is_empty()).then(|| sum / gains_db.len() as f64);
    // The least value that so many per cent of all do not exceed.
    let rank = (gains_db.len() * HIGH_PERCENT)
        .div_ceil(100)
        .saturating_sub(1);
    let high = gains_db.get(rank).copied().map(f64::from);
    // The sum turns -0 into 0.
    let taken = |gain_db: f64| 0.0 - gain_db;
    PathFigures {
        integrated_lufs: readings.integrated_lufs,
        same_parts_lufs,
        short_term_max_lufs: readings.short_term_max_lufs,
        true_peak_dbtp: readings.true_peak_dbtp,
        plr_db: readings.plr_db,
        short_term_plr_min_db: readings.short_term_plr_min_db,
        ldr_db: readings.ldr_db,
        limiter_mean_db: mean.map(taken),
        limiter_p95_db: high.map(taken),
        bands: reduction.bands.map(|band| BandFigures {
            reduction_db: number(band.reduction.mean_db),
            distortion_db: number(band.distortion.mean_db),
        }),
        distortion_db: number(reduction.distortion.mean_db),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_pushes_span_the_range_and_the_rest_fill_it() {
        let pushes = first_pushes(18.0);
        assert_eq!(pushes[..7], [0.0, 6.0, 12.0, 18.0, 3.0, 9.0, 15.0]);
        assert_eq!(pushes.len(), 13);
        assert_eq!(first_pushes(4.0), [0.0, 4.0, 3.0, 1.5]);
        assert_eq!(first_pushes(0.0), [0.0]);
        assert_eq!(first_pushes(f64::NAN), [0.0]);
        assert_eq!(first_pushes(99.0), pushes);
    }

    #[test]
    fn a_bend_is_looked_at_more_closely() {
        // A closed form: one for one up to 6 dB, then nothing.
        let points: Vec<Point> = (0..=12_u8)
            .map(|step| {
                let push_db = PUSH_STEP_DB * f64::from(step);
                let figures = PathFigures {
                    integrated_lufs: Some(-20.0 + push_db.min(6.0)),
                    ..PathFigures::default()
                };
                Point {
                    push_db,
                    clean: figures,
                    saturated: figures,
                }
            })
            .collect();
        // The next decibel falls below half an LU at 5.5 dB, so what lies around 5.5 and 6.5 dB
        // counts.
        assert_eq!(pushes_near_the_bends(&points), [5.25, 6.75]);
    }
}
