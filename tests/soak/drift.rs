//! What is told after many hours, beside what is told by an engine that is as good as new.

use crestline_core::handover::{Point, Snapshot};
use crestline_core::measure::Reduction;
use std::collections::BTreeMap;

/// How far each figure was off at most, in its own unit (LU, LUFS, dB).
#[derive(Default)]
pub struct Drift {
    worst: BTreeMap<String, f64>,
    /// Pairs of figures that were compared.
    pub compared: u64,
}

impl Drift {
    /// Compares all that is told. A figure that only one side tells is infinitely far off.
    pub fn compare(&mut self, old: &Snapshot, new: &Snapshot) {
        for ((name, old), (_, new)) in figures(old).into_iter().zip(figures(new)) {
            let off = match (old, new) {
                (Some(old), Some(new)) => (old - new).abs(),
                (None, None) => continue,
                _ => f64::INFINITY,
            };
            self.compared += 1;
            let worst = self.worst.entry(name).or_default();
            *worst = worst.max(off);
        }
    }

    /// The figures, those that were furthest off first.
    pub fn worst(&self) -> Vec<(&str, f64)> {
        let mut all: Vec<_> = self
            .worst
            .iter()
            .map(|(name, off)| (name.as_str(), *off))
            .collect();
        all.sort_by(|one, other| other.1.total_cmp(&one.1));
        all
    }

    /// How many figures there are.
    pub fn figures(&self) -> usize {
        self.worst.len()
    }
}

fn figures(told: &Snapshot) -> Vec<(String, Option<f64>)> {
    let mut all = Vec::new();
    for (name, point) in [
        ("input", &told.input),
        ("clean", &told.clean),
        ("output", &told.output),
    ] {
        all.extend(point_figures(point).map(|(what, value)| (format!("{name} {what}"), value)));
        let balance = point.balance.long_term_db.iter().enumerate();
        all.extend(balance.map(|(band, db)| (format!("{name} balance {band}"), db.map(f64::from))));
    }
    for (name, reduction) in [
        ("clean", &told.clean_reduction),
        ("output", &told.output_reduction),
    ] {
        all.extend(
            reduction_figures(reduction).map(|(what, value)| (format!("{name} {what}"), value)),
        );
    }
    all
}

fn point_figures(point: &Point) -> impl Iterator<Item = (&'static str, Option<f64>)> {
    let told = &point.readings;
    [
        ("momentary loudness", told.momentary_lufs),
        ("short-term loudness", told.short_term_lufs),
        ("integrated loudness", told.integrated_lufs),
        ("loudness of 10 s", told.gated_10s_lufs),
        ("highest momentary loudness", told.momentary_max_lufs),
        ("highest short-term loudness", told.short_term_max_lufs),
        ("loudness range", told.loudness_range_lu),
        ("true peak", told.true_peak_dbtp),
        ("PLR of 3 s", told.short_term_plr_db),
        ("PLR", told.plr_db),
        ("lowest PLR", told.short_term_plr_min_db),
        ("microdynamics", told.ldr_db),
        ("microdynamics of 10 s", told.ldr_10s_db),
        ("RMS", told.rms_dbfs),
        ("crest factor", told.crest_factor_db),
    ]
    .into_iter()
}

fn reduction_figures(told: &Reduction) -> impl Iterator<Item = (&'static str, Option<f64>)> {
    let [low, low_mid, high_mid, high] = told.bands.map(|band| band.reduction.mean_db);
    [
        ("reduction, low", low),
        ("reduction, low-mid", low_mid),
        ("reduction, high-mid", high_mid),
        ("reduction, high", high),
        ("added distortion", told.distortion.mean_db),
        ("added distortion of 3 s", told.distortion.mean_3s_db),
    ]
    .map(|(what, db)| (what, db.map(f64::from)))
    .into_iter()
}
