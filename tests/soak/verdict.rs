//! What must hold, and what did not.

use super::drift::Drift;
use super::player::Part;
use kit::growth::growth;

/// Bytes by which what is held may grow between the first half of the parts and the second: a leak
/// of one block an hour is more.
const GROWTH: usize = 256 * 1024;
/// How far old and new may be apart, in the unit of each figure: what the histograms of gating may
/// be off by the design of the meters.
const DRIFT: f64 = 0.01;
/// Tolerance of integrated loudness, LU (EBU Tech 3341, section 2.9 and its table of tests).
const LOUDNESS_LU: f64 = 0.1;
/// Tolerance of loudness range, LU (EBU Tech 3342, table of tests).
const RANGE_LU: f64 = 1.0;

/// What has been counted.
#[derive(Default)]
pub struct Counts {
    /// Points of the history that were not where they should be.
    pub points_missing: u64,
    /// Snapshots that were older than one before, or were not the last when all was still.
    pub snapshots_missed: u64,
    /// Commands that were given and not seen.
    pub commands_missed: u64,
    /// References that were sent and did not arrive.
    pub references_missed: u64,
    /// Forecasts that were complete, and those of them with something in them that is no number.
    pub forecasts: u64,
    pub forecasts_broken: u64,
    /// Those that did not come although settings were at rest and the window open.
    pub forecasts_missed: u64,
    /// Bytes held at the end of each part.
    pub held: Vec<usize>,
    /// Bytes in memory at the end of each part, where the system tells.
    pub resident: Vec<usize>,
}

impl Counts {
    /// Bytes by which what is held grew; in the last part there is the new engine, too.
    pub fn growth_held(&self) -> Option<usize> {
        growth(self.held.split_last()?.1)
    }
}

/// One line for each thing that did not hold. `whole`: the last part before the measurement began
/// anew; `last`: the last.
pub fn failures(counts: &Counts, whole: &Part, last: &Part, drift: Option<&Drift>) -> Vec<String> {
    let mut failures = Vec::new();
    let mut must = |holds: bool, what: String| {
        if !holds {
            failures.push(what);
        }
    };
    must(
        last.non_finite == 0,
        format!("{} samples were not finite", last.non_finite),
    );
    let grown = counts.growth_held().unwrap_or(0);
    must(grown <= GROWTH, format!("memory grew by {grown} bytes"));
    let missed = [
        ("points of the history", counts.points_missing),
        ("snapshots", counts.snapshots_missed),
        ("commands", counts.commands_missed),
        ("references", counts.references_missed),
        ("forecasts", counts.forecasts_missed),
    ];
    for (what, count) in missed {
        must(count == 0, format!("{count} {what} were missed"));
    }
    must(
        counts.forecasts_broken == 0,
        format!("{} forecasts were broken", counts.forecasts_broken),
    );
    let worst = drift.map(Drift::worst).unwrap_or_default();
    must(
        !worst.is_empty(),
        "nothing was compared with a fresh measurement".into(),
    );
    for (name, off) in worst.into_iter().filter(|(_, off)| *off > DRIFT) {
        must(false, format!("{name} is {off:.4} off a fresh measurement"));
    }
    let ours = [
        whole.told.input.readings.integrated_lufs,
        whole.told.input.readings.loudness_range_lu,
    ];
    let kinds = [("loudness", LOUDNESS_LU), ("loudness range", RANGE_LU)];
    for ((ours, library), (what, tolerance)) in ours.iter().zip(whole.library).zip(kinds) {
        let holds = match (ours, library) {
            (Some(ours), Some(library)) => (ours - library).abs() <= tolerance,
            _ => false,
        };
        must(
            holds,
            format!("{what} of the whole is {ours:?}, by the library {library:?}"),
        );
    }
    failures
}
