//! What a forecast prints for machines.

use crestline_files::named;
use serde::Serialize;

use super::report::{Reason, Report};
use crate::measures::{to_thousandths, to_thousandths_if_any};
use crestline_core::session::forecast::{
    AtOneLoudness, BandFigures, Choice, Path, PathFigures, PerPath, Point, Potential, Step,
};

/// The object of `--json`.
#[derive(Serialize)]
struct Json {
    file: String,
    sample_rate_hz: u32,
    channels: usize,
    section: JsonSection,
    now: JsonNow,
    max_push_db: f64,
    points: Vec<JsonPoint>,
    potential: Paths<JsonPotential>,
    next_decibel: Paths<JsonStep>,
    at_one_loudness: Vec<JsonComparison>,
    sentence: String,
}

#[derive(Serialize)]
struct JsonSection {
    #[serde(serialize_with = "to_thousandths")]
    start_s: f64,
    #[serde(serialize_with = "to_thousandths")]
    end_s: f64,
    #[serde(serialize_with = "to_thousandths_if_any")]
    of_s: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    whole_quieter_lu: Option<f64>,
}

#[derive(Serialize)]
struct JsonNow {
    #[serde(serialize_with = "to_thousandths")]
    push_db: f64,
    path: &'static str,
}

#[derive(Serialize)]
struct Paths<T> {
    clean: Option<T>,
    saturated: Option<T>,
}

impl<T> Paths<T> {
    fn of<U: Copy>(both: &PerPath<Option<U>>, json: fn(U) -> T) -> Self {
        Self {
            clean: both.clean.map(json),
            saturated: both.saturated.map(json),
        }
    }
}

#[derive(Serialize)]
struct JsonPoint {
    #[serde(serialize_with = "to_thousandths")]
    push_db: f64,
    clean: JsonFigures,
    saturated: JsonFigures,
}

#[derive(Serialize)]
struct JsonFigures {
    #[serde(serialize_with = "to_thousandths_if_any")]
    integrated_lufs: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    short_term_max_lufs: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    true_peak_dbtp: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    plr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    short_term_plr_min_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    ldr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    limiter_mean_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    limiter_p95_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
    bands: [JsonBand; 4],
}

#[derive(Serialize)]
struct JsonBand {
    #[serde(serialize_with = "to_thousandths_if_any")]
    reduction_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
}

impl From<&PathFigures> for JsonFigures {
    fn from(figures: &PathFigures) -> Self {
        let band = |band: BandFigures| JsonBand {
            reduction_db: band.reduction_db,
            distortion_db: band.distortion_db,
        };
        Self {
            integrated_lufs: figures.integrated_lufs,
            short_term_max_lufs: figures.short_term_max_lufs,
            true_peak_dbtp: figures.true_peak_dbtp,
            plr_db: figures.plr_db,
            short_term_plr_min_db: figures.short_term_plr_min_db,
            ldr_db: figures.ldr_db,
            limiter_mean_db: figures.limiter_mean_db,
            limiter_p95_db: figures.limiter_p95_db,
            distortion_db: figures.distortion_db,
            bands: figures.bands.map(band),
        }
    }
}

#[derive(Serialize)]
struct JsonPotential {
    #[serde(serialize_with = "to_thousandths")]
    push_db: f64,
    beyond: bool,
    #[serde(serialize_with = "to_thousandths")]
    loudness_lufs: f64,
    #[serde(serialize_with = "to_thousandths_if_any")]
    plr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    ldr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
    next_decibel: JsonStep,
}

impl From<Potential> for JsonPotential {
    fn from(bend: Potential) -> Self {
        Self {
            push_db: bend.push_db,
            beyond: bend.beyond,
            loudness_lufs: bend.loudness_lufs,
            plr_db: bend.plr_db,
            ldr_db: bend.ldr_db,
            distortion_db: bend.distortion_db,
            next_decibel: JsonStep::from(bend.next),
        }
    }
}

#[derive(Serialize)]
struct JsonStep {
    #[serde(serialize_with = "to_thousandths")]
    loudness_lu: f64,
    #[serde(serialize_with = "to_thousandths_if_any")]
    plr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    ldr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
}

impl From<Step> for JsonStep {
    fn from(step: Step) -> Self {
        Self {
            loudness_lu: step.loudness_lu,
            plr_db: step.plr_db,
            ldr_db: step.ldr_db,
            distortion_db: step.distortion_db,
        }
    }
}

#[derive(Serialize)]
struct JsonComparison {
    of: Reason,
    #[serde(serialize_with = "to_thousandths")]
    loudness_lufs: f64,
    #[serde(flatten)]
    paths: Paths<JsonChoice>,
}

#[derive(Serialize)]
struct JsonChoice {
    #[serde(serialize_with = "to_thousandths")]
    push_db: f64,
    #[serde(serialize_with = "to_thousandths_if_any")]
    plr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    short_term_plr_min_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    ldr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
    turned_down: Option<JsonTurnDown>,
}

#[derive(Serialize)]
struct JsonTurnDown {
    #[serde(serialize_with = "to_thousandths")]
    playback_lufs: f64,
    #[serde(serialize_with = "to_thousandths")]
    gain_db: f64,
    #[serde(serialize_with = "to_thousandths")]
    true_peak_dbtp: f64,
    #[serde(serialize_with = "to_thousandths")]
    plr_db: f64,
    #[serde(serialize_with = "to_thousandths")]
    unused_peak_db: f64,
}

impl From<Choice> for JsonChoice {
    fn from(choice: Choice) -> Self {
        Self {
            push_db: choice.push_db,
            plr_db: choice.plr_db,
            short_term_plr_min_db: choice.short_term_plr_min_db,
            ldr_db: choice.ldr_db,
            distortion_db: choice.distortion_db,
            turned_down: choice.turn_down.map(|played| JsonTurnDown {
                playback_lufs: played.loudness_lufs,
                gain_db: played.gain_db,
                true_peak_dbtp: played.true_peak_dbtp,
                plr_db: played.plr_db,
                unused_peak_db: played.unused_peak_db,
            }),
        }
    }
}

impl Report {
    /// The object of `--json`.
    pub fn json(&self) -> impl Serialize {
        let point = |point: &Point| JsonPoint {
            push_db: point.push_db,
            clean: JsonFigures::from(&point.clean),
            saturated: JsonFigures::from(&point.saturated),
        };
        let comparison = |(at, of): (&AtOneLoudness, &Reason)| JsonComparison {
            of: *of,
            loudness_lufs: at.loudness_lufs,
            paths: Paths {
                clean: at.paths.clean.choice().map(JsonChoice::from),
                saturated: at.paths.saturated.choice().map(JsonChoice::from),
            },
        };
        let compared = self.summary.at_one_loudness.iter().zip(&self.reasons);
        Json {
            file: named(&self.file),
            sample_rate_hz: self.sample_rate_hz,
            channels: self.channels,
            section: JsonSection {
                start_s: self.section_s.0,
                end_s: self.section_s.1,
                of_s: self.whole.map(|whole| whole.length_s),
                whole_quieter_lu: self.whole.and_then(|whole| whole.quieter_lu),
            },
            now: JsonNow {
                push_db: self.now_db,
                path: match self.way {
                    Path::Clean => "clean",
                    Path::Saturated => "saturated",
                },
            },
            max_push_db: self.max_push_db,
            points: self.points.iter().map(point).collect(),
            potential: Paths::of(&self.summary.potential, JsonPotential::from),
            next_decibel: Paths::of(&self.summary.next, JsonStep::from),
            at_one_loudness: compared.map(comparison).collect(),
            sentence: self.summary.sentence(),
        }
    }
}
