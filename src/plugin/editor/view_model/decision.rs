//! What one more decibel of push gives, and what saturation is worth.

use crate::editor::number::{fixed, signed, with_unit};
use crestline_core::handover::Snapshot;
use crestline_core::session::PLAYBACK_LUFS;
use crestline_core::session::forecast::{
    AtOneLoudness, Choice, Forecasted, LEAST_MUSIC_S, Path, Reach, Step, as_loud_as, loudness_at,
    next_decibel,
};

/// One path's next decibel; `None` while not known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Next {
    /// Loudness gained, LU.
    pub gained_lu: Option<f64>,
    /// Change of microdynamics, dB.
    pub microdynamics_db: Option<f64>,
    /// Change of distortion, dB.
    pub distortion_db: Option<f64>,
}

impl Next {
    fn of(step: Option<Step>) -> Self {
        Self {
            gained_lu: step.map(|step| step.loudness_lu),
            microdynamics_db: step.and_then(|step| step.ldr_db),
            distortion_db: step.and_then(|step| step.distortion_db),
        }
    }

    /// The three as written: `+0.4`, `−0.3 dB`, `+1 dB`.
    pub fn written(&self) -> [String; 3] {
        let unit = |value: Option<f64>, decimals| {
            let text = signed(value, decimals);
            match value {
                Some(_) => format!("{text}\u{a0}dB"),
                None => text,
            }
        };
        [
            signed(self.gained_lu, 1),
            unit(self.microdynamics_db, 1),
            unit(self.distortion_db, 0),
        ]
    }

    /// Tenths of an LU gained, 0 to 10.
    pub fn tenths(&self) -> Option<u8> {
        let lu = self.gained_lu.filter(|lu| lu.is_finite())?;
        #[expect(clippy::cast_sign_loss, reason = "held to 0 and more")]
        Some((10.0 * lu).round().clamp(0.0, 10.0) as u8)
    }
}

/// What is on of the chain, and whether that is what was forecast.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct InUse {
    /// The saturator: the output is the saturated path.
    pub saturated: bool,
    /// The limiter.
    pub limited: bool,
    /// It has been changed since the forecast was made.
    pub changed: bool,
}

/// Everything on the card.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decision {
    /// What the figures are, or why there are none.
    pub title: String,
    /// Clean, then saturated.
    pub next: [Next; 2],
    /// What saturation is worth at this push.
    pub worth: String,
    /// Saturated against clean, both at one loudness.
    pub fair: String,
    /// That loudness, LUFS: the one of the path in use at this push.
    pub fair_at_lufs: Option<f64>,
    /// Push at which the clean path, then the saturated one has it, dB.
    pub fair_push_db: Option<[f64; 2]>,
}

/// What is known of the next decibel from `push_db` on: from the forecast, or, before there is one,
/// from what is being measured. `possible`: whether a forecast will come.
pub fn decision(
    found: &Forecasted,
    possible: bool,
    snapshot: &Snapshot,
    push_db: f64,
    chain: InUse,
) -> Decision {
    let InUse {
        saturated,
        limited,
        changed,
    } = chain;
    let next = next_decibel(&found.points, push_db);
    let next = [next.clean, next.saturated].map(Next::of);
    let title = if next.iter().any(|next| next.gained_lu.is_some()) {
        // A forecast limits both paths, and a new one is told from its first points on.
        let limited = if limited { "" } else { ", limiter on," };
        match (changed, found.done) {
            (true, _) => format!("before: one more dB{limited} gave"),
            (false, true) => format!("one more dB of push{limited} gives"),
            (false, false) => format!("one more dB of push{limited} gives so far"),
        }
    } else if found.done && !found.points.is_empty() {
        let most_db = found.points.iter().map(|point| point.push_db);
        if push_db + 1.0 > most_db.fold(0.0, f64::max) {
            "one more dB of push: past the forecast's end".into()
        } else {
            "one more dB of push: too quiet to tell".into()
        }
    } else if let Some(progress) = found.progress.filter(|_| !found.done) {
        format!("forecasting, {} of {}", progress.done, progress.planned)
    } else if possible || snapshot.sample_rate_hz == 0.0 {
        format!("one more dB of push: told after {LEAST_MUSIC_S:.0} s of music")
    } else {
        "one more dB: no room for music here".into()
    };
    let clean = loudness_at(&found.points, Path::Clean, push_db);
    let driven = loudness_at(&found.points, Path::Saturated, push_db);
    // Of what was played before the saturator was on both paths are the same.
    let settled = snapshot.activity.output_over_input_lu.is_some();
    let over_input_lu = snapshot.activity.paths_over_input_lu;
    let measured = over_input_lu.filter(|_| saturated && settled);
    let worth = match (driven.zip(clean), measured) {
        (Some((driven, clean)), _) => format!(
            "saturation {} worth {} LU at this push{}",
            if changed { "was" } else { "is" },
            signed(Some(driven - clean), 1),
            if limited { "" } else { ", limiter on" }
        ),
        (None, Some([output, clean])) => format!(
            "saturation is worth {} LU, measured",
            signed(Some(output - clean), 1)
        ),
        (None, None) => format!("saturation is worth {}", fixed(None, 1)),
    };
    let path = if saturated {
        Path::Saturated
    } else {
        Path::Clean
    };
    let at = as_loud_as(&found.points, path, push_db, PLAYBACK_LUFS.default);
    Decision {
        fair_at_lufs: at.map(|at| at.loudness_lufs),
        fair_push_db: at.and_then(|at| {
            let choices = (at.paths.clean.choice(), at.paths.saturated.choice());
            let (Some(clean), Some(saturated)) = choices else {
                return None;
            };
            Some([clean.push_db, saturated.push_db])
        }),
        title,
        next,
        worth,
        fair: at.map_or_else(
            || format!("at one loudness {}", fixed(None, 1)),
            |at| fair(&at),
        ),
    }
}

/// Saturated against clean where both have the same loudness.
fn fair(at: &AtOneLoudness) -> String {
    let loudness = with_unit(Some(at.loudness_lufs), 1, "LUFS");
    match (at.paths.clean, at.paths.saturated) {
        (Reach::At(clean), Reach::At(saturated)) => {
            let difference = |of: fn(&Choice) -> Option<f64>| {
                of(&saturated)
                    .zip(of(&clean))
                    .map(|(saturated, clean)| saturated - clean)
            };
            let difference = Next {
                gained_lu: None,
                microdynamics_db: difference(|choice| choice.kept_ldr_db),
                distortion_db: difference(Choice::telling_distortion_db),
            };
            let [_, microdynamics, distortion] = difference.written();
            format!(
                "against clean at one loudness: microdynamics {microdynamics}, distortion {distortion}"
            )
        }
        (Reach::Never, Reach::At(_)) => format!("clean alone does not come to {loudness}"),
        (Reach::Louder, Reach::At(_)) => "clean is louder without any push".into(),
        (Reach::At(_), Reach::Never) => format!("saturated does not come to {loudness}"),
        (Reach::At(_), Reach::Louder) => "saturated is louder without any push".into(),
        _ => format!("at {loudness} {}", fixed(None, 1)),
    }
}

/// Push of the clean path at which it has the loudness that the saturated one has at `push_db`, dB.
pub fn clean_at_one_loudness(found: &Forecasted, push_db: f64) -> Option<f64> {
    let level = PLAYBACK_LUFS.default;
    let at = as_loud_as(&found.points, Path::Saturated, push_db, level)?;
    Some(at.paths.clean.choice()?.push_db)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::session::forecast::{PathFigures, Point, Progress};

    /// Clean gains half an LU a decibel and loses a fifth of a decibel of microdynamics; saturated
    /// one LU, and a tenth.
    fn forecast() -> Forecasted {
        let figures = |push_db: f64, slope: f64, loss: f64, distortion: f64| PathFigures {
            integrated_lufs: Some(-20.0 + slope * push_db),
            ldr_db: Some(5.0 - loss * push_db),
            distortion_db: Some(distortion + push_db),
            ..PathFigures::default()
        };
        let point = |push: u8| Point {
            push_db: push.into(),
            clean: figures(push.into(), 0.5, 0.2, -40.0),
            saturated: figures(push.into(), 1.0, 0.1, -30.0),
        };
        Forecasted {
            points: (0..=18).map(point).collect(),
            done: true,
            music_s: 60.0,
            ..Forecasted::default()
        }
    }

    const BOTH: InUse = InUse {
        saturated: true,
        limited: true,
        changed: false,
    };

    #[test]
    fn the_next_decibel_is_told_with_sign_and_unit() {
        let card = decision(&forecast(), true, &Snapshot::default(), 6.0, BOTH);
        assert_eq!(card.title, "one more dB of push gives");
        assert_eq!(
            card.next[0].written(),
            ["+0.5", "−0.2\u{a0}dB", "+1\u{a0}dB"]
        );
        assert_eq!(
            card.next[1].written(),
            ["+1.0", "−0.1\u{a0}dB", "+1\u{a0}dB"]
        );
        assert_eq!(card.next[0].tenths(), Some(5));
        assert_eq!(card.worth, "saturation is worth +3.0 LU at this push");
        let changed = InUse {
            changed: true,
            ..BOTH
        };
        let old = decision(&forecast(), true, &Snapshot::default(), 6.0, changed);
        assert_eq!(old.next, card.next);
        assert_eq!(old.title, "before: one more dB gave");
        assert_eq!(old.worth, "saturation was worth +3.0 LU at this push");
        // At -14 LUFS: clean 12 dB, 2.6 dB, -28 dB; saturated 6 dB, 4.4 dB, -24 dB.
        assert_eq!(
            card.fair,
            "against clean at one loudness: microdynamics +1.8\u{a0}dB, distortion +4\u{a0}dB"
        );
        assert!((clean_at_one_loudness(&forecast(), 6.0).unwrap() - 12.0).abs() < 1e-9);
    }

    // Saturated gets quieter past 9 dB, so that 15 dB are as loud as 3.
    #[test]
    fn the_path_in_use_is_compared_where_its_push_stands() {
        let mut found = forecast();
        for point in &mut found.points {
            let arch = point.push_db.min(9.0) - (point.push_db - 9.0).max(0.0);
            point.saturated.integrated_lufs = Some(-20.0 + arch);
        }
        // At -17 LUFS: clean 6 dB, 3.8 dB, -34 dB; saturated at 15 dB 3.5 dB, -15 dB.
        let card = decision(&found, true, &Snapshot::default(), 15.0, BOTH);
        assert_eq!(
            card.fair,
            "against clean at one loudness: microdynamics −0.3\u{a0}dB, distortion +19\u{a0}dB"
        );
        assert!((clean_at_one_loudness(&found, 15.0).unwrap() - 6.0).abs() < 1e-9);
    }

    #[test]
    fn what_the_figures_are_of_is_said() {
        let mut found = forecast();
        let card = |found: &Forecasted, limited| {
            let chain = InUse { limited, ..BOTH };
            decision(found, true, &Snapshot::default(), 6.0, chain)
        };
        let unlimited = card(&found, false);
        assert_eq!(unlimited.title, "one more dB of push, limiter on, gives");
        assert_eq!(
            unlimited.worth,
            "saturation is worth +3.0 LU at this push, limiter on"
        );
        found.done = false;
        assert_eq!(card(&found, true).title, "one more dB of push gives so far");
    }

    #[test]
    fn a_path_that_is_louder_without_push_is_not_said_to_be_too_quiet() {
        let raised = |path: fn(&mut Point) -> &mut PathFigures| {
            let mut found = forecast();
            for point in &mut found.points {
                *path(point).integrated_lufs.as_mut().unwrap() += 4.0;
            }
            found
        };
        let found = raised(|point| &mut point.clean);
        let card = decision(&found, true, &Snapshot::default(), 1.0, BOTH);
        assert_eq!(card.fair, "clean is louder without any push");
        let found = raised(|point| &mut point.saturated);
        let clean = InUse {
            saturated: false,
            ..BOTH
        };
        let card = decision(&found, true, &Snapshot::default(), 1.0, clean);
        assert_eq!(card.fair, "saturated is louder without any push");
    }

    #[test]
    fn what_is_too_quiet_is_not_past_the_end() {
        let mut found = forecast();
        for point in found.points.iter_mut().take(4) {
            (point.clean.integrated_lufs, point.saturated.integrated_lufs) = (None, None);
        }
        let card = decision(&found, true, &Snapshot::default(), 0.0, BOTH);
        assert_eq!(card.title, "one more dB of push: too quiet to tell");
    }

    #[test]
    fn what_cannot_be_had_is_said() {
        let card = decision(&forecast(), true, &Snapshot::default(), 10.0, BOTH);
        assert_eq!(card.fair, "clean alone does not come to −10.0\u{a0}LUFS");
        let card = decision(&forecast(), true, &Snapshot::default(), 18.0, BOTH);
        assert_eq!(card.title, "one more dB of push: past the forecast's end");
        assert_eq!(card.next[0].written(), ["—"; 3]);
        assert_eq!(card.next[0].tenths(), None);
    }

    #[test]
    fn before_a_forecast_there_is_what_is_measured() {
        let mut snapshot = Snapshot::default();
        let mut found = Forecasted::default();
        let card = decision(&found, true, &snapshot, 3.0, BOTH);
        assert_eq!(card.title, "one more dB of push: told after 10 s of music");
        assert_eq!(card.worth, "saturation is worth —");
        // Foretold, as yet.
        snapshot.activity.paths_over_input_lu = Some([6.7, 6.0]);
        found.progress = Some(Progress {
            done: 0,
            planned: 13,
        });
        let card = decision(&found, true, &snapshot, 3.0, BOTH);
        assert_eq!(card.title, "forecasting, 0 of 13");
        assert_eq!(card.worth, "saturation is worth —");
        snapshot.activity.output_over_input_lu = Some(6.7);
        let card = decision(&found, true, &snapshot, 3.0, BOTH);
        assert_eq!(card.worth, "saturation is worth +0.7 LU, measured");
        let clean = InUse {
            saturated: false,
            ..BOTH
        };
        let card = decision(&found, true, &snapshot, 3.0, clean);
        assert_eq!(card.worth, "saturation is worth —");
        found.progress = None;
        snapshot.sample_rate_hz = 48_000.0;
        let card = decision(&found, false, &snapshot, 3.0, BOTH);
        assert_eq!(card.title, "one more dB: no room for music here");
    }
}
