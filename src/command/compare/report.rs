//! What a comparison prints for people.

use std::fmt::Write as _;
use std::path::PathBuf;

use crate::table::{column, hundredths, lines, name_column, tenths};
use crestline_core::measure::nominal_hz;
use crestline_core::session::reference::{
    Comparison, Figures, Finding, Profile, REGIONS, Suggestion,
};
use crestline_files::printable;

/// A comparison and what it was made of.
#[derive(Debug)]
pub(super) struct Report {
    /// Mix and reference.
    pub files: [PathBuf; 2],
    /// Channels of the files.
    pub channels: [usize; 2],
    pub mix: Profile,
    pub reference: Profile,
    pub comparison: Comparison,
    pub findings: Vec<Finding>,
}

impl Report {
    /// What was measured, both in numbers, the balance, the regions, the shelves, the findings.
    pub fn text(&self) -> String {
        let mut text = format!("{}\n{}\n{}\n", self.numbers(), self.regions(), self.bands());
        let _ = writeln!(text, "{}", self.matching());
        let _ = writeln!(text, "{}\n", shelves(self.comparison.suggestion.as_ref()));
        if self.comparison.same {
            text += "Nothing that is measured sets mix and reference apart.\n";
        } else if self.findings.is_empty() {
            text += nothing_apart(self.comparison.suggestion.as_ref());
            text.push('\n');
        }
        for finding in &self.findings {
            let _ = writeln!(text, "{}", finding.sentence);
        }
        text
    }

    /// Mix less reference in a band with the suggested shelves, both at equal loudness again, dB.
    pub fn shelved_db(&self, band: usize) -> Option<f64> {
        let difference = self.comparison.difference_db[band]?;
        let suggestion = self.comparison.suggestion.as_ref()?;
        Some(difference + suggestion.gain_db[band] - suggestion.loudness_change_lu)
    }

    fn numbers(&self) -> String {
        let mut rows: Vec<(String, &Profile, &Figures)> = Vec::new();
        for (what, file, profile) in [
            ("mix", &self.files[0], &self.mix),
            ("reference", &self.files[1], &self.reference),
        ] {
            let part = &profile.part;
            let name = printable(file);
            let between = format!("{:.1} s to {:.1} s", part.start_s, part.end_s);
            rows.push((format!("{what}: {name}, {between}"), profile, part));
            if profile.part != profile.whole {
                rows.push((format!("{what}, whole"), profile, &profile.whole));
            }
        }
        let mut columns = vec![name_column(["", ""], &rows, |(name, ..)| name.clone())];
        let shown: [([&str; 2], Figure, Form); 6] = [
            (["loudness", "LUFS"], |f| f.integrated_lufs, tenths),
            (["range", "LU"], |f| f.loudness_range_lu, tenths),
            (["true peak", "dBTP"], |f| f.true_peak_dbtp, hundredths),
            (["PLR", "dB"], |f| f.plr_db, tenths),
            (
                ["least PLR", "3 s, dB"],
                |f| f.short_term_plr_min_db,
                tenths,
            ),
            (["LDR", "dB"], |f| f.ldr_db, tenths),
        ];
        for (heading, figure, form) in shown {
            columns.push(column(heading, &rows, |(.., figures)| {
                form(figure(figures))
            }));
        }
        columns.push(column(["flat tops", "%"], &rows, |(_, of, figures)| {
            let told = tenths(figures.flat_tops_percent);
            // An encoder rounds them: there were as many at least.
            match figures.flat_tops_percent {
                Some(_) if of.lossy => format!("≥ {told}"),
                _ => told,
            }
        }));
        lines(&columns)
    }

    fn regions(&self) -> String {
        let rows: Vec<usize> = (0..REGIONS.len()).collect();
        let comparison = &self.comparison;
        lines(&[
            name_column(["", ""], &REGIONS, |(_, name)| (*name).to_owned()),
            column(
                ["mix less reference", "at equal loudness, dB"],
                &rows,
                |row| signed(comparison.region_difference_db[*row]),
            ),
            column(["crest factor", "mix, dB"], &rows, |row| {
                tenths(comparison.crest_db(&self.mix, *row))
            }),
            column(["", "reference, dB"], &rows, |row| {
                tenths(comparison.crest_db(&self.reference, *row))
            }),
        ])
    }

    fn bands(&self) -> String {
        let rows: Vec<usize> = (0..self.comparison.difference_db.len()).collect();
        let mut columns = vec![
            column(["third", "octave, Hz"], &rows, |band| {
                nominal_hz(*band).to_string()
            }),
            column(
                ["mix less reference", "at equal loudness, dB"],
                &rows,
                |band| signed(self.comparison.difference_db[*band]),
            ),
        ];
        let helps = |suggestion: &Suggestion| suggestion.helps();
        if self.comparison.suggestion.as_ref().is_some_and(helps) {
            columns.push(column(["with the", "shelves, dB"], &rows, |band| {
                signed(self.shelved_db(*band))
            }));
        }
        lines(&columns)
    }

    fn matching(&self) -> String {
        match self.comparison.match_gain_db {
            None => "the loudness of one of them is not known".to_owned(),
            // What would be printed as 0.0 dB.
            Some(db) if db.abs() < 0.05 => "both are equally loud".to_owned(),
            Some(db) if db > 0.0 => format!(
                "to compare: turn the mix down by {db:.1} dB, or the reference up by as much"
            ),
            Some(db) => format!("to compare: turn the reference down by {:.1} dB", -db),
        }
    }
}

/// What is said where there are no findings.
pub(crate) fn nothing_apart(suggestion: Option<&Suggestion>) -> &'static str {
    if suggestion.is_some_and(Suggestion::helps) {
        "But for the balance that the shelves mend nothing sets them apart by enough to be told."
    } else {
        "Nothing sets them apart by enough to be told."
    }
}

/// What is suggested, in a line.
pub(crate) fn shelves(suggestion: Option<&Suggestion>) -> String {
    let Some(suggestion) = suggestion else {
        return "shelves: too few bands are known of both to tell".to_owned();
    };
    let difference = format!("the difference in shape is {:.1} dB", suggestion.before_db);
    if !suggestion.helps() {
        return format!("shelves: no shelf helps; {difference}");
    }
    let settings = &suggestion.shelves;
    let shelf = |what: &str, hz: f64, db: f64| {
        (db != 0.0).then(|| format!("--{what}-shelf-db {db:.1} --{what}-shelf-hz {hz:.0}"))
    };
    let both = [
        shelf("low", settings.low_hz, settings.low_gain_db),
        shelf("high", settings.high_hz, settings.high_gain_db),
    ];
    let both: Vec<String> = both.into_iter().flatten().collect();
    format!(
        "shelves: {}; {difference}, and {:.1} dB with them",
        both.join(" "),
        suggestion.after_db
    )
}

type Figure = fn(&Figures) -> Option<f64>;
type Form = fn(Option<f64>) -> String;

/// With its sign, as a difference is read.
fn signed(value: Option<f64>) -> String {
    match value {
        Some(value) if value >= 0.05 => format!("+{value:.1}"),
        value => tenths(value),
    }
}
