//! What the push gives, and what each decibel of it would.

use crate::editor::number::{NONE, fixed};
use crestline_core::handover::Snapshot;
use crestline_core::process::ChainSettings;
use crestline_core::session::forecast::{Path, Point, loudness_at};

/// Highest push, dB, as a number of bars.
pub const MAX_DB: u16 = 18;

/// What the decibel after a push adds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gained {
    /// The push, dB.
    pub from_db: f64,
    /// Loudness gained, LU.
    pub lu: f64,
}

/// What each whole decibel of push adds in a path, as far as the forecast goes. `points` by rising
/// push.
pub fn gained(points: &[Point], path: Path) -> impl Iterator<Item = Gained> {
    (0..MAX_DB).filter_map(move |push_db| {
        let from_db = f64::from(push_db);
        let at = |push_db| loudness_at(points, path, push_db);
        Some(Gained {
            from_db,
            lu: at(from_db + 1.0)? - at(from_db)?,
        })
    })
}

/// What the push makes of the loudness of the last 10 s, in words: "gives 6.4 of 6.5 dB", or, where
/// shelves or bands move the loudness as well, "chain gives 8.0 LU"; while they are not all of the
/// chain as it is, "settling".
pub fn gives(snapshot: &Snapshot, chain: &ChainSettings) -> String {
    if snapshot.output.readings.gated_10s_lufs.is_none() {
        return format!("gives {NONE}");
    }
    let shelves = &chain.shelves;
    let push_alone = shelves.low_gain_db == 0.0 && shelves.high_gain_db == 0.0 && !chain.bands.on;
    let push_db = chain.push.push_db;
    match snapshot.activity.output_over_input_lu {
        None => "gives: settling".into(),
        Some(lu) if !push_alone => format!("chain gives {} LU", fixed(Some(lu), 1)),
        Some(lu) => format!(
            "gives {} of {} dB",
            fixed(Some(lu), 1),
            fixed(Some(push_db), 1)
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::process::PushSettings;
    use crestline_core::session::forecast::PathFigures;

    // Straight lines: a decibel adds their slope.
    #[test]
    fn each_decibel_adds_the_slope() {
        let point = |push_db: f64| {
            let figures = PathFigures {
                integrated_lufs: Some(-20.0 + 0.75 * push_db),
                ..PathFigures::default()
            };
            Point {
                push_db,
                clean: figures,
                saturated: figures,
            }
        };
        let points = [0.0, 1.5, 9.0].map(point);
        let bars: Vec<Gained> = gained(&points, Path::Clean).collect();
        assert_eq!(bars.len(), 9);
        for bar in bars {
            assert!((bar.lu - 0.75).abs() < 1e-9);
        }
        assert_eq!(gained(&[], Path::Saturated).count(), 0);
    }

    #[test]
    fn what_is_given_is_told_once_it_has_settled() {
        let mut snapshot = Snapshot::default();
        let mut chain = ChainSettings {
            push: PushSettings { push_db: 6.5 },
            ..ChainSettings::default()
        };
        assert_eq!(gives(&snapshot, &chain), "gives —");
        snapshot.output.readings.gated_10s_lufs = Some(-10.0);
        assert_eq!(gives(&snapshot, &chain), "gives: settling");
        snapshot.activity.output_over_input_lu = Some(6.4);
        assert_eq!(gives(&snapshot, &chain), "gives 6.4 of 6.5 dB");
        // Of what else moves the loudness nothing is the push's.
        chain.shelves.high_gain_db = 3.0;
        snapshot.activity.output_over_input_lu = Some(8.0);
        assert_eq!(gives(&snapshot, &chain), "chain gives 8.0 LU");
    }
}
