//! What is printed of a file's way through the encoders.

use serde::Serialize;

use super::trial::{CEILING_DBTP, Coded, Trial};
use crate::measures::to_thousandths_if_any;
use crate::table::{column, hundredths, lines, name_column, tenths};
use crestline_files::{named, printable};

/// The object of `--json`.
#[derive(Serialize)]
struct Json<'a> {
    file: String,
    sample_rate_hz: u32,
    channels: usize,
    #[serde(serialize_with = "to_thousandths_if_any")]
    true_peak_dbtp: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    integrated_lufs: Option<f64>,
    samples_over: u64,
    mp3_encoder: Option<&'a str>,
    coded: Vec<JsonCoded>,
}

#[derive(Serialize)]
struct JsonCoded {
    codec: &'static str,
    nominal_kbps: u32,
    kbps: f64,
    sample_rate_hz: u32,
    #[serde(serialize_with = "to_thousandths_if_any")]
    true_peak_dbtp: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    overshoot_db: Option<f64>,
    samples_over: u64,
    #[serde(serialize_with = "to_thousandths_if_any")]
    integrated_lufs: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    ceiling_dbtp: Option<f64>,
    holds: Option<bool>,
}

pub(super) fn json(trial: &Trial) -> impl Serialize {
    let coded = |coded: &Coded| JsonCoded {
        codec: coded.coding.key(),
        nominal_kbps: coded.coding.nominal_kbps(),
        kbps: (10.0 * coded.kbps).round() / 10.0,
        sample_rate_hz: coded.levels.sample_rate_hz,
        true_peak_dbtp: coded.levels.readings.true_peak_dbtp,
        overshoot_db: trial.overshoot_db(coded),
        samples_over: coded.levels.over,
        integrated_lufs: coded.levels.readings.integrated_lufs,
        ceiling_dbtp: trial.ceiling_dbtp(coded),
        holds: coded.holds(),
    };
    let original = &trial.original;
    Json {
        file: named(&trial.file),
        sample_rate_hz: original.sample_rate_hz,
        channels: original.channels,
        true_peak_dbtp: original.readings.true_peak_dbtp,
        integrated_lufs: original.readings.integrated_lufs,
        samples_over: original.over,
        mp3_encoder: trial.mp3_encoder.as_deref(),
        coded: trial.coded.iter().map(coded).collect(),
    }
}

/// One row of a table for people, whether printed or drawn.
pub(crate) struct Row {
    /// Codec and nominal bit rate.
    pub name: String,
    /// kbit/s; empty before encoding.
    pub kbps: String,
    pub true_peak: String,
    pub overshoot: String,
    pub over: String,
    pub ceiling: String,
}

impl Row {
    /// The file as it is, then a row for each way through an encoder.
    pub fn all(trial: &Trial) -> Vec<Self> {
        let original = Self {
            name: "as it is".to_owned(),
            kbps: String::new(),
            true_peak: hundredths(trial.original.readings.true_peak_dbtp),
            overshoot: String::new(),
            over: trial.original.over.to_string(),
            ceiling: String::new(),
        };
        let coded = trial.coded.iter().map(|coded| Self {
            name: format!("{} {}", coded.coding.name(), coded.coding.nominal_kbps()),
            kbps: format!("{:.0}", coded.kbps),
            true_peak: hundredths(coded.levels.readings.true_peak_dbtp),
            overshoot: hundredths(trial.overshoot_db(coded)),
            over: coded.levels.over.to_string(),
            ceiling: match coded.holds() {
                Some(true) => "holds".to_owned(),
                _ => tenths(trial.ceiling_dbtp(coded).map(tenth_below)),
            },
        });
        std::iter::once(original).chain(coded).collect()
    }
}

/// Rounded down, as a ceiling is.
fn tenth_below(dbtp: f64) -> f64 {
    (10.0 * dbtp + 1e-6).floor() / 10.0
}

pub(super) fn text(trial: &Trial) -> String {
    let rows = Row::all(trial);
    let columns = [
        name_column(["", ""], &rows, |row| row.name.clone()),
        column(["rate", "kbit/s"], &rows, |row| row.kbps.clone()),
        column(["true peak", "dBTP"], &rows, |row| row.true_peak.clone()),
        column(["overshoot", "dB"], &rows, |row| row.overshoot.clone()),
        column(["over", "samples"], &rows, |row| row.over.clone()),
        column(["ceiling", "dBTP"], &rows, |row| row.ceiling.clone()),
    ];
    let name = printable(&trial.file);
    format!("{name}\n\n{}\n{}\n", lines(&columns), trial.sentence())
}

impl Trial {
    /// What it comes to, in a sentence.
    pub fn sentence(&self) -> String {
        let Some(ceiling) = self.lowest_ceiling_dbtp() else {
            return "Nothing can be told of it.".to_owned();
        };
        let through = if self.is_complete() {
            "all of them"
        } else {
            "what was tried"
        };
        if self.coded.iter().all(|coded| coded.holds() == Some(true)) {
            return format!("It stays under {CEILING_DBTP:.0} dBTP through {through} as it is.");
        }
        format!(
            "With this overshoot a ceiling of {} dBTP holds it under {CEILING_DBTP:.0} dBTP through {through}; encode \
             what is made with it again, since the overshoot moves by some tenths.",
            tenths(Some(tenth_below(ceiling)))
        )
    }
}
