//! The pushes that something is told of.
//!
//! They are measured: between two pushes, and most of all where a stage sets in, distortion can be
//! far from the straight line between the two.

use crestline_core::session::forecast::{PerPath, Point, Summary};

/// Over so short a way a straight line is near enough, dB.
const NEAR_DB: f64 = 0.1;

/// The pushes, none of which the `points` (by rising push) hold, that `summary` tells something of.
/// `now_db` is where the push stood for it.
pub(super) fn missing(points: &[Point], summary: &Summary, now_db: f64) -> Vec<f64> {
    let PerPath { clean, saturated } = &summary.potential;
    let bends = [clean, saturated].into_iter().flatten();
    let bends = bends.map(|bend| bend.push_db);
    let paths = summary.at_one_loudness.iter().map(|at| &at.paths);
    let choices = paths.flat_map(|paths| [paths.clean.choice(), paths.saturated.choice()]);
    let choices = choices.flatten().map(|choice| choice.push_db);
    let told = [now_db + 1.0].into_iter().chain(bends).chain(choices);
    // Where the push stands is told as exactly as it was given.
    let told = [(now_db, 0.0)]
        .into_iter()
        .chain(told.map(|push_db| (push_db, NEAR_DB)));
    let mut known: Vec<f64> = points.iter().map(|point| point.push_db).collect();
    for (push_db, near_db) in told {
        let near = |other: &f64| (other - push_db).abs() <= near_db;
        if push_db < summary.max_push_db && !known.iter().any(near) {
            known.push(push_db);
        }
    }
    known.split_off(points.len())
}
