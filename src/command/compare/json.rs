//! What a comparison prints for machines.

use crestline_files::named;
use serde::Serialize;

use super::report::Report;
use crate::measures::{to_thousandths, to_thousandths_if_any};
use crestline_core::dsp::crossover::DEFAULT_CORNERS_HZ;
use crestline_core::measure::mid_band_hz;
use crestline_core::session::reference::{Figures, Finding, Profile, Suggestion};

/// The object of `--json`.
#[derive(Serialize)]
struct Json {
    mix: JsonSide,
    reference: JsonSide,
    same: bool,
    #[serde(serialize_with = "to_thousandths_if_any")]
    match_gain_db: Option<f64>,
    bands: Vec<JsonBand>,
    regions: Vec<JsonRegion>,
    suggestion: Option<JsonSuggestion>,
    findings: Vec<JsonFinding>,
}

#[derive(Serialize)]
struct JsonSide {
    file: String,
    sample_rate_hz: u32,
    channels: usize,
    lossy: bool,
    part: JsonFigures,
    whole: JsonFigures,
}

/// The same numbers as [`Figures`], which are thousandths already.
#[derive(Serialize)]
struct JsonFigures {
    start_s: f64,
    end_s: f64,
    integrated_lufs: Option<f64>,
    short_term_max_lufs: Option<f64>,
    loudness_range_lu: Option<f64>,
    true_peak_dbtp: Option<f64>,
    plr_db: Option<f64>,
    short_term_plr_min_db: Option<f64>,
    ldr_db: Option<f64>,
    flat_tops_percent: Option<f64>,
}

#[derive(Serialize)]
struct JsonBand {
    #[serde(serialize_with = "to_thousandths")]
    hz: f64,
    mix_db: Option<f64>,
    reference_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    difference_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    shelved_db: Option<f64>,
}

#[derive(Serialize)]
struct JsonRegion {
    low_hz: Option<f64>,
    high_hz: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    difference_db: Option<f64>,
    mix_crest_db: Option<f64>,
    reference_crest_db: Option<f64>,
}

#[derive(Serialize)]
struct JsonSuggestion {
    helps: bool,
    #[serde(serialize_with = "to_thousandths")]
    low_shelf_hz: f64,
    #[serde(serialize_with = "to_thousandths")]
    low_shelf_db: f64,
    #[serde(serialize_with = "to_thousandths")]
    high_shelf_hz: f64,
    #[serde(serialize_with = "to_thousandths")]
    high_shelf_db: f64,
    #[serde(serialize_with = "to_thousandths")]
    before_db: f64,
    #[serde(serialize_with = "to_thousandths")]
    after_db: f64,
    #[serde(serialize_with = "to_thousandths")]
    loudness_change_lu: f64,
}

#[derive(Serialize)]
struct JsonFinding {
    about: &'static str,
    #[serde(serialize_with = "to_thousandths")]
    difference: f64,
    sentence: String,
}

impl From<&Figures> for JsonFigures {
    fn from(figures: &Figures) -> Self {
        Self {
            start_s: figures.start_s,
            end_s: figures.end_s,
            integrated_lufs: figures.integrated_lufs,
            short_term_max_lufs: figures.short_term_max_lufs,
            loudness_range_lu: figures.loudness_range_lu,
            true_peak_dbtp: figures.true_peak_dbtp,
            plr_db: figures.plr_db,
            short_term_plr_min_db: figures.short_term_plr_min_db,
            ldr_db: figures.ldr_db,
            flat_tops_percent: figures.flat_tops_percent,
        }
    }
}

impl JsonSide {
    fn new(file: &std::path::Path, channels: usize, profile: &Profile) -> Self {
        Self {
            file: named(file),
            sample_rate_hz: profile.sample_rate_hz,
            channels,
            lossy: profile.lossy,
            part: (&profile.part).into(),
            whole: (&profile.whole).into(),
        }
    }
}

impl From<&Suggestion> for JsonSuggestion {
    fn from(suggestion: &Suggestion) -> Self {
        let shelves = &suggestion.shelves;
        Self {
            helps: suggestion.helps(),
            low_shelf_hz: shelves.low_hz,
            low_shelf_db: shelves.low_gain_db,
            high_shelf_hz: shelves.high_hz,
            high_shelf_db: shelves.high_gain_db,
            before_db: suggestion.before_db,
            after_db: suggestion.after_db,
            loudness_change_lu: suggestion.loudness_change_lu,
        }
    }
}

impl From<&Finding> for JsonFinding {
    fn from(finding: &Finding) -> Self {
        Self {
            about: finding.about,
            difference: finding.difference,
            sentence: finding.sentence.clone(),
        }
    }
}

impl Report {
    /// The comparison for machines.
    pub fn json(&self) -> impl Serialize {
        let [mix, reference] = [&self.mix.part, &self.reference.part];
        let bands = (0..mix.balance_db.len()).map(|band| JsonBand {
            hz: mid_band_hz(band),
            mix_db: mix.balance_db[band],
            reference_db: reference.balance_db[band],
            difference_db: self.comparison.difference_db[band],
            shelved_db: self.shelved_db(band),
        });
        let corner = |index: Option<usize>| DEFAULT_CORNERS_HZ.get(index?).copied();
        let regions = (0..4_usize).map(|region| JsonRegion {
            low_hz: corner(region.checked_sub(1)),
            high_hz: corner(Some(region)),
            difference_db: self.comparison.region_difference_db[region],
            mix_crest_db: self.comparison.crest_db(&self.mix, region),
            reference_crest_db: self.comparison.crest_db(&self.reference, region),
        });
        Json {
            mix: JsonSide::new(&self.files[0], self.channels[0], &self.mix),
            reference: JsonSide::new(&self.files[1], self.channels[1], &self.reference),
            same: self.comparison.same,
            match_gain_db: self.comparison.match_gain_db,
            bands: bands.collect(),
            regions: regions.collect(),
            suggestion: self.comparison.suggestion.as_ref().map(Into::into),
            findings: self.findings.iter().map(Into::into).collect(),
        }
    }
}
