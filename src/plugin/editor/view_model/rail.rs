//! The forecast as a rail on the plane: where each push would bring the song, and at what
//! distortion.

use super::plane::Place;
use crestline_core::session::PlaneMode;
use crestline_core::session::forecast::{Path, PathFigures, Point, is_filled_in, potential};

/// Distortion up to which a rail is as thin as it gets, dB.
const THIN_DB: f64 = -55.0;
/// Distortion from which on it is as broad as it gets, dB.
const BROAD_DB: f64 = -15.0;
/// Breadth of a rail at either end, points.
const BREADTH: [f32; 2] = [1.5, 12.0];

/// One place along a rail.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stop {
    /// Push that leads there, dB.
    pub push_db: f64,
    /// Where it is.
    pub place: Place,
    /// Distortion there, dB; `None` where there is too little signal to tell.
    pub distortion_db: Option<f64>,
}

/// One path's rail.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rail {
    /// Where the forecast was made, by rising push.
    pub stops: Vec<Stop>,
    /// Push at the bend, dB, if that is within the forecast.
    pub bend_db: Option<f64>,
}

impl Rail {
    /// The rail of a path through `points` (by rising push).
    pub fn new(points: &[Point], path: Path, mode: PlaneMode) -> Self {
        let stop = |point: &Point| {
            let figures = path.of(point);
            Some(Stop {
                push_db: point.push_db,
                place: place(figures, mode)?,
                distortion_db: figures.distortion_db,
            })
        };
        Self {
            stops: points.iter().filter_map(stop).collect(),
            bend_db: potential(points, path)
                .filter(|bend| !bend.beyond && is_filled_in(points))
                .map(|bend| bend.push_db),
        }
    }

    /// Where a push leads; `None` outside the forecast.
    pub fn at(&self, push_db: f64) -> Option<Stop> {
        let after = self.stops.partition_point(|stop| stop.push_db < push_db);
        let high = *self.stops.get(after)?;
        if high.push_db == push_db {
            return Some(high);
        }
        let low = *self.stops.get(after.checked_sub(1)?)?;
        let share = (push_db - low.push_db) / (high.push_db - low.push_db);
        let between = |low: f64, high: f64| low + share * (high - low);
        Some(Stop {
            push_db,
            place: Place {
                lufs: between(low.place.lufs, high.place.lufs),
                up_db: between(low.place.up_db, high.place.up_db),
            },
            distortion_db: low
                .distortion_db
                .zip(high.distortion_db)
                .map(|(low, high)| between(low, high)),
        })
    }

    /// What a stop has upwards as it is told against another: of microdynamics no more than the song
    /// has without push, for a limiter that pumps adds some.
    pub fn kept_up_db(&self, stop: Stop, mode: PlaneMode) -> f64 {
        match (mode, self.stops.first()) {
            (PlaneMode::Microdynamics, Some(unpushed)) => {
                stop.place.up_db.min(unpushed.place.up_db)
            }
            _ => stop.place.up_db,
        }
    }

    /// Each whole decibel of push.
    pub fn ticks(&self) -> impl Iterator<Item = Stop> {
        let last = self.stops.last().map_or(-1.0, |stop| stop.push_db);
        (0..=last.floor() as i32).filter_map(|push_db| self.at(f64::from(push_db)))
    }

    /// The push, in steps of a tenth of a decibel, that `distance` finds nearest of those that have
    /// one; `None` without a forecast.
    pub fn nearest(&self, distance: impl Fn(Place) -> Option<f32>) -> Option<f64> {
        let first = self.stops.first()?.push_db;
        let last = self.stops.last()?.push_db;
        let tenths = (10.0 * first).ceil() as i32..=(10.0 * last).floor() as i32;
        tenths
            .filter_map(|tenth| {
                let push_db = f64::from(tenth) / 10.0;
                Some((push_db, distance(self.at(push_db)?.place)?))
            })
            .min_by(|one, other| one.1.total_cmp(&other.1))
            .map(|(push_db, _)| push_db)
    }
}

/// How broad a rail is, points, at a distortion.
pub fn breadth(distortion_db: Option<f64>) -> f32 {
    let [thin, broad] = BREADTH;
    let share = distortion_db.map_or(0.0, |db| {
        ((db - THIN_DB) / (BROAD_DB - THIN_DB)).clamp(0.0, 1.0)
    });
    thin + share as f32 * (broad - thin)
}

fn place(figures: &PathFigures, mode: PlaneMode) -> Option<Place> {
    let (plr_db, ldr_db) = (figures.plr_db, figures.ldr_db);
    Place::new(mode, figures.integrated_lufs, plr_db, ldr_db)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One LU a decibel up to 6 dB, then nothing; PLR falls by what loudness gains.
    fn points() -> Vec<Point> {
        (0..=12_u8)
            .map(|step| {
                let push_db = 1.5 * f64::from(step);
                let lufs = -20.0 + push_db.min(6.0);
                let figures = PathFigures {
                    integrated_lufs: Some(lufs),
                    plr_db: Some(-1.0 - lufs),
                    distortion_db: Some(-60.0 + 2.0 * push_db),
                    ..PathFigures::default()
                };
                Point {
                    push_db,
                    clean: figures,
                    saturated: figures,
                }
            })
            .collect()
    }

    #[test]
    fn a_rail_leads_from_push_to_push_and_knows_its_bend() {
        let rail = Rail::new(&points(), Path::Clean, PlaneMode::Plr);
        assert_eq!(rail.stops.len(), 13);
        let at = rail.at(2.0).unwrap();
        assert!((at.place.lufs + 18.0).abs() < 1e-9 && (at.place.up_db - 17.0).abs() < 1e-9);
        assert!((at.distortion_db.unwrap() + 56.0).abs() < 1e-9);
        assert_eq!((rail.at(-0.1), rail.at(18.1)), (None, None));
        assert!((rail.bend_db.unwrap() - 5.5).abs() < 1e-9);
        assert_eq!(rail.ticks().count(), 19);
        // No microdynamics are known of it.
        let none = Rail::new(&points(), Path::Clean, PlaneMode::Microdynamics);
        assert!(none.stops.is_empty());
        assert_eq!(none.ticks().count(), 0);
    }

    #[test]
    fn the_nearest_push_is_found_in_tenths() {
        let rail = Rail::new(&points(), Path::Clean, PlaneMode::Plr);
        let nearest = |lufs: f64, most: f64| {
            let far = |place: Place| (place.lufs <= most).then_some((place.lufs - lufs).abs());
            rail.nearest(|place| far(place).map(|far| far as f32))
        };
        assert!((nearest(-16.72, 0.0).unwrap() - 3.3).abs() < 1e-9);
        assert!((nearest(-16.72, -18.0).unwrap() - 2.0).abs() < 1e-9);
        assert_eq!(Rail::default().nearest(|_| Some(0.0)), None);
    }

    #[test]
    fn what_pumping_adds_is_not_told_as_kept() {
        let mut points = points();
        for point in &mut points {
            point.clean.ldr_db = Some(0.6 + 0.1 * point.push_db);
        }
        let rail = Rail::new(&points, Path::Clean, PlaneMode::Microdynamics);
        let stop = rail.at(6.0).unwrap();
        assert!((stop.place.up_db - 1.2).abs() < 1e-9);
        let kept = |mode| rail.kept_up_db(stop, mode);
        assert!((kept(PlaneMode::Microdynamics) - 0.6).abs() < 1e-9);
        assert!((kept(PlaneMode::Plr) - 1.2).abs() < 1e-9);
    }

    #[test]
    fn a_rail_is_broader_the_more_distortion_there_is() {
        assert_eq!(breadth(None), BREADTH[0]);
        assert_eq!(breadth(Some(-90.0)), BREADTH[0]);
        assert_eq!(breadth(Some(0.0)), BREADTH[1]);
        assert!(breadth(Some(-30.0)) > breadth(Some(-40.0)) + 1.0);
    }
}
