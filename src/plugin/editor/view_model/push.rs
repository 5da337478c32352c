//! What the push gives, and what each decibel of it would.

use crate::editor::number::{NONE, fixed, plain, signed, with_unit};
use crestline_core::handover::Snapshot;
use crestline_core::process::ChainSettings;
use crestline_core::session::forecast::{Path, Point, is_filled_in, loudness_at, potential};
use crestline_core::session::turn_down;

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

/// How far a path can go while each further decibel adds half an LU and more: in a few words, and
/// with what it costs and what playback levelled to `playback_lufs` makes of it. `points` by rising push; `None` while
/// that is not known, nor from a forecast's first points alone.
pub fn potential_in_words(points: &[Point], path: Path, playback_lufs: f64) -> Option<[String; 2]> {
    let there = potential(points, path).filter(|_| is_filled_in(points))?;
    let loudness = with_unit(Some(there.loudness_lufs), 1, "LUFS");
    let push = with_unit(Some(there.push_db), 1, "dB");
    let words = if there.beyond {
        format!("past {loudness}")
    } else {
        format!("{loudness} at {push}")
    };
    let peak_dbtp = there.plr_db.map(|plr_db| plr_db + there.loudness_lufs);
    let turned = turn_down(playback_lufs, Some(there.loudness_lufs), peak_dbtp);
    let level = plain(playback_lufs);
    let turned = turned.map_or_else(String::new, |turned| {
        format!(
            ", levelled to {level} LUFS: {}\u{a0}dB",
            signed(Some(turned.gain_db), 1)
        )
    });
    let costs = [
        ("microdynamics", there.ldr_db, 1),
        ("distortion", there.distortion_db, 0),
    ];
    let costs = costs.map(|(name, db, decimals)| {
        db.map_or_else(String::new, |db| {
            format!(", {name} {}", with_unit(Some(db), decimals, "dB"))
        })
    });
    let longer = format!("{words}{}{turned}", costs.concat());
    Some([words, longer])
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

    // One LU for each decibel up to 6 dB: from 5.5 dB on the next one brings less than half.
    #[test]
    fn the_potential_is_told_with_what_levelled_playback_makes_of_it() {
        let point = |step: u8| {
            let push_db = f64::from(step);
            let lufs = -14.0 + push_db.min(6.0);
            let figures = PathFigures {
                integrated_lufs: Some(lufs),
                plr_db: Some(-1.0 - lufs),
                ldr_db: Some(3.0),
                distortion_db: Some(-30.0),
                ..PathFigures::default()
            };
            Point {
                push_db,
                clean: figures,
                saturated: figures,
            }
        };
        let points: Vec<Point> = (0..=12).map(point).collect();
        let [words, longer] = potential_in_words(&points, Path::Clean, -14.0).unwrap();
        assert_eq!(words, "−8.5\u{a0}LUFS at 5.5\u{a0}dB");
        assert_eq!(
            longer,
            format!(
                "{words}, microdynamics 3.0\u{a0}dB, distortion −30\u{a0}dB, levelled to −14 LUFS: \
                 −5.5\u{a0}dB"
            )
        );
        let [words, _] = potential_in_words(&points[..6], Path::Clean, -14.0).unwrap();
        assert_eq!(words, "past −10.0\u{a0}LUFS");
        assert_eq!(potential_in_words(&[], Path::Clean, -14.0), None);
        let first: Vec<Point> = points.iter().step_by(4).copied().collect();
        assert_eq!(potential_in_words(&first, Path::Clean, -14.0), None);
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
