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
    let mut told = vec![now_db + 1.0];
    told.extend(both(&summary.potential).map(|bend| bend.push_db));
    for at in &summary.at_one_loudness {
        let choices = PerPath {
            clean: at.paths.clean.choice(),
            saturated: at.paths.saturated.choice(),
        };
        told.extend(both(&choices).map(|choice| choice.push_db));
    }
    let mut known: Vec<f64> = points.iter().map(|point| point.push_db).collect();
    let mut missing = Vec::new();
    // Where the push stands is told as exactly as it was given.
    if now_db < summary.max_push_db && !known.contains(&now_db) {
        known.push(now_db);
        missing.push(now_db);
    }
    for push_db in told {
        let near = |other: &f64| (other - push_db).abs() <= NEAR_DB;
        if push_db < summary.max_push_db && !known.iter().any(near) {
            known.push(push_db);
            missing.push(push_db);
        }
    }
    missing
}

fn both<T>(per_path: &PerPath<Option<T>>) -> impl Iterator<Item = &T> {
    [&per_path.clean, &per_path.saturated].into_iter().flatten()
}
