//! What a forecast prints for people.

use std::fmt::Write as _;
use std::path::PathBuf;

use serde::Serialize;

use super::input::Whole;
use crate::table::{column, hundredths, lines, name_column, tenths};
use crestline_core::session::forecast::{
    AtOneLoudness, Choice, Path, PathFigures, Point, SAME_LU, Step, Summary,
};
use crestline_files::printable;

/// Why the paths are compared at a loudness.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Reason {
    Now,
    CleanPotential,
    Asked,
}

/// A forecast and what it was made of.
#[derive(Debug)]
pub(super) struct Report {
    pub file: PathBuf,
    pub section_s: (f64, f64),
    pub whole: Option<Whole>,
    pub sample_rate_hz: u32,
    pub channels: usize,
    pub now_db: f64,
    pub way: Path,
    pub max_push_db: f64,
    pub playback_lufs: f64,
    pub points: Vec<Point>,
    pub summary: Summary,
    /// For each comparison of the summary.
    pub reasons: Vec<Reason>,
}

impl Report {
    /// Both paths push by push, what the next decibel brings, both at one loudness, and the
    /// sentence.
    pub fn text(&self) -> String {
        let of = self.whole.map_or_else(String::new, |whole| {
            format!(", the loudest of {:.1} s", whole.length_s)
        });
        let mut text = format!(
            "{}, {:.1} s to {:.1} s{of}\n\n{}\n",
            printable(&self.file),
            self.section_s.0,
            self.section_s.1,
            self.pushes()
        );
        let next = &self.summary.next;
        let _ = writeln!(
            text,
            "the next decibel after {:.1} dB of push: clean {}; saturated {}",
            self.now_db,
            gain(next.clean),
            gain(next.saturated)
        );
        if !self.summary.at_one_loudness.is_empty() {
            let _ = writeln!(text, "\n{}", self.comparisons());
            let quieter_lu = self.whole.and_then(|whole| whole.quieter_lu);
            if let Some(quieter_lu) = quieter_lu.filter(|lu| *lu > SAME_LU) {
                let _ = writeln!(
                    text,
                    "As it is, the whole file is {quieter_lu:.1} LU quieter than this part, and playback levels the whole."
                );
            }
        }
        let sentence = self.summary.sentence();
        if sentence.is_empty() {
            text + "It is too quiet or too short to tell.\n"
        } else {
            text + &sentence + "\n"
        }
    }

    fn pushes(&self) -> String {
        let mut columns = vec![column(["", "push", "dB"], &self.points, |point| {
            hundredths(Some(point.push_db))
        })];
        for (name, path) in [("clean", Path::Clean), ("saturated", Path::Saturated)] {
            let shown: [([&str; 2], Figure, Form); 6] = [
                (["loudness", "LUFS"], |f| f.integrated_lufs, tenths),
                (["true peak", "dBTP"], |f| f.true_peak_dbtp, hundredths),
                (["PLR", "dB"], |f| f.plr_db, tenths),
                (["LDR", "dB"], |f| f.ldr_db, hundredths),
                (["limiter", "mean dB"], |f| f.limiter_mean_db, tenths),
                (["distortion", "dB"], |f| f.distortion_db, tenths),
            ];
            for (n, ([above, below], figure, form)) in shown.into_iter().enumerate() {
                let name = if n == 0 { name } else { "" };
                columns.push(column([name, above, below], &self.points, |point| {
                    form(figure(path.of(point)))
                }));
            }
        }
        lines(&columns)
    }

    fn comparisons(&self) -> String {
        let beyond = self
            .summary
            .potential
            .clean
            .is_some_and(|clean| clean.beyond);
        let rows: Vec<(&str, &AtOneLoudness)> = self
            .reasons
            .iter()
            .map(|reason| match reason {
                Reason::Now => "as loud as now",
                // One decibel before the last push that was tried: the path still gets louder.
                Reason::CleanPotential if beyond => "clean, potential not reached",
                Reason::CleanPotential => "at the clean potential",
                Reason::Asked => "as asked",
            })
            .zip(&self.summary.at_one_loudness)
            .collect();
        let heading = ["", "at one loudness", ""];
        let mut columns = vec![
            name_column(heading, &rows, |(name, _)| (*name).to_owned()),
            column(["", "", "LUFS"], &rows, |(_, at)| {
                tenths(Some(at.loudness_lufs))
            }),
        ];
        let clean: Side = |at| at.paths.clean.choice();
        let saturated: Side = |at| at.paths.saturated.choice();
        for (name, side) in [("clean", clean), ("saturated", saturated)] {
            let shown: [([&str; 2], Chosen, Form); 5] = [
                (["push", "dB"], |c| Some(c.push_db), tenths),
                (["LDR", "dB"], |c| c.ldr_db, hundredths),
                (["distortion", "dB"], |c| c.distortion_db, tenths),
                (
                    ["least PLR", "3 s, dB"],
                    |c| c.short_term_plr_min_db,
                    tenths,
                ),
                (
                    ["unused peak", "played, dB"],
                    |c| c.turn_down.map(|played| played.unused_peak_db),
                    tenths,
                ),
            ];
            for (n, ([above, below], figure, form)) in shown.into_iter().enumerate() {
                let name = if n == 0 { name } else { "" };
                columns.push(column([name, above, below], &rows, |(_, at)| {
                    form(side(at).as_ref().and_then(figure))
                }));
            }
        }
        lines(&columns)
            + &format!(
                "unused peak: how far the peaks lie below -1 dBTP once playback is levelled to {:.1} LUFS (what is \
                 quieter is turned up as far as its peaks allow)\n",
                self.playback_lufs
            )
    }
}

type Figure = fn(&PathFigures) -> Option<f64>;
type Chosen = fn(&Choice) -> Option<f64>;
type Form = fn(Option<f64>) -> String;
type Side = fn(&AtOneLoudness) -> Option<Choice>;

fn gain(step: Option<Step>) -> String {
    let Some(step) = step else {
        return "—".to_owned();
    };
    let lu = signed(hundredths(Some(step.loudness_lu)));
    let costs = [
        ("LDR", step.ldr_db.map(|db| hundredths(Some(db)))),
        ("distortion", step.distortion_db.map(|db| tenths(Some(db)))),
    ];
    let costs = costs.map(|(name, cost)| {
        cost.map_or_else(String::new, |cost| format!(", {name} {} dB", signed(cost)))
    });
    format!("{lu} LU{}", costs.concat())
}

fn signed(number: String) -> String {
    if number.starts_with('-') {
        number
    } else {
        format!("+{number}")
    }
}
