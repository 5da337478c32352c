//! What the points say.

use super::curve::{Curve, Figure, Path};
use super::{PathFigures, Point};
use crate::session::{TurnDown, turn_down};

/// What a decibel of push must add to be worth it, LU.
pub const LEAST_GAIN_LU: f64 = 0.5;
/// Loudnesses that lie no further apart than this are one, LU: a point is measured no better.
pub const SAME_LU: f64 = 0.05;

/// Below this there is next to no distortion, and how much more of it there is says nothing: between
/// the pushes that were tried it may be off by 10 dB there, and of none it is 80 dB more. dB.
pub(super) const NEXT_TO_NONE_DB: f64 = -70.0;

/// The same of both paths.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PerPath<T> {
    /// Of the chain without its saturator.
    pub clean: T,
    /// Of the chain with it.
    pub saturated: T,
}

/// What one more decibel of push brings.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Step {
    /// Loudness gained, LU.
    pub loudness_lu: f64,
    /// Change of PLR, dB.
    pub plr_db: Option<f64>,
    /// Change of microdynamics, dB.
    pub ldr_db: Option<f64>,
    /// Change of distortion, dB; what lies below −70 dB counts as that.
    pub distortion_db: Option<f64>,
}

/// What the next decibel brings in each path; `None` past the forecast's end.
pub type NextDecibel = PerPath<Option<Step>>;

/// The bend of a path: where the next decibel, and all that follow, bring less than
/// [`LEAST_GAIN_LU`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Potential {
    /// Push at the bend, dB.
    pub push_db: f64,
    /// The bend lies beyond the highest push of the forecast; everything here is as of one decibel
    /// before that, and the path can go louder.
    pub beyond: bool,
    /// Loudness there, LUFS: the loudness potential.
    pub loudness_lufs: f64,
    /// PLR there, dB.
    pub plr_db: Option<f64>,
    /// Microdynamics there, dB.
    pub ldr_db: Option<f64>,
    /// Distortion there, dB.
    pub distortion_db: Option<f64>,
    /// What the next decibel would bring.
    pub next: Step,
}

/// One path brought to a loudness.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Choice {
    /// Push that it takes, dB.
    pub push_db: f64,
    /// PLR, dB.
    pub plr_db: Option<f64>,
    /// Lowest short-term PLR, dB: a gain leaves it as it is, so this much is kept once playback has
    /// been turned down.
    pub short_term_plr_min_db: Option<f64>,
    /// Microdynamics, dB.
    pub ldr_db: Option<f64>,
    /// What of those the song has without push, dB: a limiter that pumps adds some that it never
    /// had.
    pub kept_ldr_db: Option<f64>,
    /// Distortion, dB.
    pub distortion_db: Option<f64>,
    /// What playback at the levelled loudness makes of it.
    pub turn_down: Option<TurnDown>,
}

/// How a path can come to a loudness.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reach {
    /// At a push within the forecast.
    At(Choice),
    /// Not at all: without any push it is louder.
    Louder,
    /// Not within the forecast.
    Never,
    /// Its loudness is not known.
    Unknown,
}

impl Choice {
    /// Distortion, dB, as it is told more or less by: what lies below −70 dB counts as that.
    pub fn telling_distortion_db(&self) -> Option<f64> {
        self.distortion_db.map(|db| db.max(NEXT_TO_NONE_DB))
    }
}

impl Reach {
    /// What the path is at that loudness.
    pub fn choice(&self) -> Option<Choice> {
        match self {
            Self::At(choice) => Some(*choice),
            Self::Louder | Self::Never | Self::Unknown => None,
        }
    }
}

/// Both paths brought to the same loudness: the fair comparison.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AtOneLoudness {
    /// LUFS.
    pub loudness_lufs: f64,
    /// What becomes of each path.
    pub paths: PerPath<Reach>,
}

/// Everything that is said about a forecast.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summary {
    /// Highest push of the forecast, dB; 0 without points.
    pub max_push_db: f64,
    /// The loudness potential; `None` for silence and for a forecast of less than a decibel.
    pub potential: PerPath<Option<Potential>>,
    /// What the next decibel brings from where the push stands now.
    pub next: NextDecibel,
    /// Comparisons, in the order asked for.
    pub at_one_loudness: Vec<AtOneLoudness>,
}

impl<T> PerPath<T> {
    /// Works out the same for both.
    pub fn of(mut value: impl FnMut(Path) -> T) -> Self {
        Self {
            clean: value(Path::Clean),
            saturated: value(Path::Saturated),
        }
    }
}

impl Summary {
    /// Sums up `points` (by rising push) for a push that stands at `push_db` now, beside these
    /// comparisons.
    pub fn new(points: &[Point], push_db: f64, at_one_loudness: Vec<AtOneLoudness>) -> Self {
        Self {
            max_push_db: points.last().map_or(0.0, |point| point.push_db),
            potential: PerPath::of(|path| potential(points, path)),
            next: next_decibel(points, push_db),
            at_one_loudness,
        }
    }
}

/// What is told of how loud it is.
fn loudness(figures: &PathFigures) -> Option<f64> {
    figures.integrated_lufs
}

/// What pushes are held against each other by.
fn same_parts(figures: &PathFigures) -> Option<f64> {
    figures.same_parts_lufs.or(figures.integrated_lufs)
}

/// Loudness of a path at a push, LUFS, to be held against that at another push or of the other path:
/// of the parts that count in the input, whatever push does. `None` outside the forecast. `points`
/// by rising push.
pub fn loudness_at(points: &[Point], path: Path, push_db: f64) -> Option<f64> {
    Curve::new(points, path, same_parts).at(push_db)
}

/// Where the next decibel stops paying. `points` by rising push; `None` where the loudness is not
/// known over a decibel at least, nor of what is too quiet to have one without push.
pub fn potential(points: &[Point], path: Path) -> Option<Potential> {
    same_parts(path.of(points.first()?))?;
    let curve = Curve::new(points, path, same_parts);
    let (lowest_db, highest_db) = curve.range()?;
    let last_db = highest_db - 1.0;
    // What a decibel brings is itself made of straight lines, with corners wherever it begins or
    // ends at one of the curve's.
    let mut corners: Vec<f64> = curve
        .corners()
        .flat_map(|push_db| [push_db, push_db - 1.0])
        .filter(|push_db| (lowest_db..=last_db).contains(push_db))
        .collect();
    corners.sort_by(f64::total_cmp);
    let gains: Vec<(f64, f64)> = corners
        .iter()
        .filter_map(|push_db| Some((*push_db, curve.next_decibel(*push_db)?)))
        .collect();
    // Rounding in what is exactly half an LU must not decide.
    let pays = |gain: f64| gain >= LEAST_GAIN_LU - 1e-9;
    let push_db = match gains.iter().rposition(|(_, gain)| pays(*gain)) {
        None => gains.first()?.0,
        Some(index) => {
            let (at, gain) = gains[index];
            gains.get(index + 1).map_or(at, |(next_at, next_gain)| {
                let share = (gain - LEAST_GAIN_LU) / (gain - next_gain);
                at + (next_at - at) * share.clamp(0.0, 1.0)
            })
        }
    };
    let beyond = gains.last().is_some_and(|(_, gain)| pays(*gain));
    let at = |figure: Figure| Curve::new(points, path, figure).at(push_db);
    Some(Potential {
        push_db,
        beyond,
        loudness_lufs: at(loudness)?,
        plr_db: at(|figures| figures.plr_db),
        ldr_db: at(|figures| figures.ldr_db),
        distortion_db: at(|figures| figures.distortion_db),
        next: step(points, path, push_db)?,
    })
}

/// What one more decibel brings from a push on.
fn step(points: &[Point], path: Path, push_db: f64) -> Option<Step> {
    let next = |figure: Figure| Curve::new(points, path, figure).next_decibel(push_db);
    Some(Step {
        loudness_lu: next(same_parts)?,
        plr_db: next(|figures| {
            Some(figures.plr_db? + figures.integrated_lufs? - same_parts(figures)?)
        }),
        ldr_db: next(|figures| figures.ldr_db),
        distortion_db: next(|figures| Some(figures.distortion_db?.max(NEXT_TO_NONE_DB))),
    })
}

/// What the next decibel of push brings. `points` by rising push.
pub fn next_decibel(points: &[Point], push_db: f64) -> NextDecibel {
    PerPath::of(|path| step(points, path, push_db))
}

/// Brings both paths to one loudness, LUFS, each at the lowest push that comes to it, and plays them
/// at `playback_lufs`. `points` by rising push.
pub fn at_one_loudness(points: &[Point], loudness_lufs: f64, playback_lufs: f64) -> AtOneLoudness {
    AtOneLoudness {
        loudness_lufs,
        paths: PerPath::of(|path| reach(points, path, loudness, loudness_lufs, playback_lufs)),
    }
}

/// Brings the other path to the loudness that `path` has at `push_db`, where it stays: a curve may
/// have fallen until there, and have come to that loudness at a lower push before. `None` where that
/// loudness is not known. `points` by rising push.
pub fn as_loud_as(
    points: &[Point],
    path: Path,
    push_db: f64,
    playback_lufs: f64,
) -> Option<AtOneLoudness> {
    let loudness_lufs = Curve::new(points, path, loudness).at(push_db)?;
    let same_lufs = loudness_at(points, path, push_db)?;
    let reach = |of: Path| {
        if of == path {
            Reach::At(choice(points, of, push_db, playback_lufs))
        } else {
            reach(points, of, same_parts, same_lufs, playback_lufs)
        }
    };
    Some(AtOneLoudness {
        loudness_lufs,
        paths: PerPath::of(reach),
    })
}

/// Where a path comes to a value of some kind of loudness.
fn reach(
    points: &[Point],
    path: Path,
    kind: Figure,
    wanted_lufs: f64,
    playback_lufs: f64,
) -> Reach {
    let curve = Curve::new(points, path, kind);
    let Some((lowest_db, start_lufs)) = curve.start() else {
        return Reach::Unknown;
    };
    let push_db = match curve.reach(wanted_lufs) {
        Some(push_db) => push_db,
        None if start_lufs < wanted_lufs => return Reach::Never,
        None if start_lufs > wanted_lufs + SAME_LU => return Reach::Louder,
        None => lowest_db,
    };
    Reach::At(choice(points, path, push_db, playback_lufs))
}

fn choice(points: &[Point], path: Path, push_db: f64, playback_lufs: f64) -> Choice {
    let at = |figure: Figure| Curve::new(points, path, figure).at(push_db);
    let true_peak_dbtp = at(|figures| figures.true_peak_dbtp);
    let ldr_db = at(|figures| figures.ldr_db);
    let unpushed = Curve::new(points, path, |figures| figures.ldr_db).start();
    Choice {
        push_db,
        plr_db: at(|figures| figures.plr_db),
        short_term_plr_min_db: at(|figures| figures.short_term_plr_min_db),
        ldr_db,
        kept_ldr_db: ldr_db.map(|ldr_db| unpushed.map_or(ldr_db, |(_, most)| ldr_db.min(most))),
        distortion_db: at(|figures| figures.distortion_db),
        turn_down: turn_down(playback_lufs, at(loudness), true_peak_dbtp),
    }
}

#[cfg(test)]
mod tests;
