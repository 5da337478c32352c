//! The forecast on the plane: where each push would bring the song, and what the next decibel adds.

use super::plane::Place;
use crate::editor::number;
use crestline_core::session::PlaneMode;
use crestline_core::session::forecast::{
    NextDecibel, Path, PathFigures, Point, Potential, Step, potential,
};

/// One path's curve.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    /// Pushes, dB, and where they lead, by rising push.
    pub places: Vec<(f64, Place)>,
    /// Push at the bend, dB, and where it lies, if it is within the forecast.
    pub bend: Option<(f64, Place)>,
}

impl Curve {
    /// The curve of a path through `points` (by rising push).
    pub fn new(points: &[Point], path: Path, mode: PlaneMode) -> Self {
        let known = |point: &Point| Some((point.push_db, place(path.of(point), mode)?));
        let places = points.iter().filter_map(known).collect();
        let curve = Self { places, bend: None };
        let bend = potential(points, path).filter(|bend| !bend.beyond);
        let at = |bend: Potential| Some((bend.push_db, curve.at(bend.push_db)?));
        Self {
            bend: bend.and_then(at),
            ..curve
        }
    }

    /// Where a push leads; `None` outside the forecast.
    pub fn at(&self, push_db: f64) -> Option<Place> {
        let after = self.places.partition_point(|(at, _)| *at < push_db);
        let (high_db, high) = *self.places.get(after)?;
        if high_db == push_db {
            return Some(high);
        }
        let (low_db, low) = *self.places.get(after.checked_sub(1)?)?;
        let share = (push_db - low_db) / (high_db - low_db);
        let between = |low: f64, high: f64| low + share * (high - low);
        Some(Place {
            lufs: between(low.lufs, high.lufs),
            up_db: between(low.up_db, high.up_db),
        })
    }
}

fn place(figures: &PathFigures, mode: PlaneMode) -> Option<Place> {
    let up_db = match mode {
        PlaneMode::Plr => figures.plr_db,
        PlaneMode::Microdynamics => figures.ldr_db,
    };
    Some(Place {
        lufs: figures.integrated_lufs?,
        up_db: up_db?,
    })
}

/// What the next decibel of push adds, in a line; `None` where neither path knows.
pub fn next_decibel_in_words(next: &NextDecibel) -> Option<String> {
    if next.clean.is_none() && next.saturated.is_none() {
        return None;
    }
    let gain = |step: Option<Step>| {
        let gained = step.map(|step| step.loudness_lu);
        let sign = if gained.is_some_and(|lu| lu >= 0.05) {
            "+"
        } else {
            ""
        };
        format!("{sign}{}", number::with_unit(gained, 1, "LU"))
    };
    Some(format!(
        "next dB of push: clean {}, saturated {}",
        gain(next.clean),
        gain(next.saturated)
    ))
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
    fn a_curve_leads_from_push_to_push_and_knows_its_bend() {
        let curve = Curve::new(&points(), Path::Clean, PlaneMode::Plr);
        assert_eq!(curve.places.len(), 13);
        let at = curve.at(2.0).unwrap();
        assert!((at.lufs + 18.0).abs() < 1e-9 && (at.up_db - 17.0).abs() < 1e-9);
        assert_eq!((curve.at(-0.1), curve.at(18.1)), (None, None));
        let (push_db, bend) = curve.bend.unwrap();
        assert!((push_db - 5.5).abs() < 1e-9 && (bend.lufs + 14.5).abs() < 1e-9);
        // No microdynamics are known of it.
        let none = Curve::new(&points(), Path::Clean, PlaneMode::Microdynamics);
        assert_eq!(none, Curve::default());
    }

    #[test]
    fn the_next_decibel_is_told_with_sign_and_unit() {
        let step = |loudness_lu| {
            Some(Step {
                loudness_lu,
                ..Step::default()
            })
        };
        let next = |clean, saturated| next_decibel_in_words(&NextDecibel { clean, saturated });
        assert_eq!(
            next(step(0.42), step(0.95)).unwrap(),
            "next dB of push: clean +0.4\u{a0}LU, saturated +0.9\u{a0}LU"
        );
        assert_eq!(
            next(step(0.01), None).unwrap(),
            "next dB of push: clean 0.0\u{a0}LU, saturated —"
        );
        assert_eq!(next(None, None), None);
    }
}
