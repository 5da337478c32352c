//! What a process did to a signal, as the commands report it: reduction and added distortion by
//! band, and what changed in the whole.

use crate::measures::{Measures, to_thousandths_if_any};
use crate::table::{Align, aligned, hundredths};
use crestline_core::measure::{Alignment, ReductionMeter};
use serde::Serialize;

const BANDS: usize = 4;

/// One band of the result.
#[derive(Clone, Debug, PartialEq, Serialize)]
struct Band {
    low_hz: Option<f64>,
    high_hz: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    rest_gain_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    mean_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    p95_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    max_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
}

/// What became of one signal in another: the object of `crestline reduction --json`, and that of
/// either path in `crestline render --json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Comparison {
    delay_samples: i32,
    polarity: &'static str,
    bands: [Band; BANDS],
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    loudness_change_lu: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    plr_change_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    ldr_change_db: Option<f64>,
}

impl Comparison {
    /// Comparison `index` of a meter that was made with
    /// [`GainMemory::Session`](crestline_core::measure::GainMemory::Session) and whose bands meet
    /// at `corners_hz`; without `alignment` the signals lie in step. `measures` are those of the
    /// signal before and of the one after.
    pub fn new(
        meter: &ReductionMeter,
        index: usize,
        corners_hz: [f64; 3],
        alignment: Option<Alignment>,
        [before, after]: [&Measures; 2],
    ) -> Self {
        let reading = meter.readings(index);
        let edge =
            |corner: Option<usize>| corner.and_then(|corner| corners_hz.get(corner)).copied();
        let bands = std::array::from_fn(|band| {
            let figures = &reading.bands[band];
            Band {
                low_hz: edge(band.checked_sub(1)),
                high_hz: edge(Some(band)),
                rest_gain_db: figures
                    .reduction
                    .mean_db
                    .and(figures.rest_gain_db)
                    .map(f64::from),
                mean_db: figures.reduction.mean_db.map(f64::from),
                p95_db: meter.percentile_db(index, band, 95),
                max_db: figures.reduction.max_db.map(f64::from),
                distortion_db: figures.distortion.mean_db.map(f64::from),
            }
        });
        let change = |of: fn(&Measures) -> Option<f64>| Some(of(after)? - of(before)?);
        let inverted = alignment.is_some_and(|found| found.inverted);
        Self {
            delay_samples: alignment.map_or(0, |found| found.delay_frames),
            polarity: if inverted { "inverted" } else { "normal" },
            bands,
            distortion_db: reading.distortion.mean_db.map(f64::from),
            loudness_change_lu: change(|measures| measures.integrated_lufs),
            plr_change_db: change(|measures| measures.plr_db),
            ldr_change_db: change(|measures| measures.ldr_db),
        }
    }

    /// The table for people, one row a band.
    pub fn table(&self) -> String {
        let edge = |hz: f64| {
            if hz < 1000.0 {
                format!("{hz:.0} Hz")
            } else {
                format!("{} kHz", hz / 1000.0)
            }
        };
        let name = |band: &Band| match (band.low_hz, band.high_hz) {
            (None, Some(high)) => format!("below {}", edge(high)),
            (Some(low), None) => format!("above {}", edge(low)),
            (Some(low), Some(high)) => format!("{} … {}", edge(low), edge(high)),
            (None, None) => "all".to_owned(),
        };
        let column = |heading: [&str; 2], value: fn(&Band) -> Option<f64>| {
            let cells = self.bands.iter().map(|band| hundredths(value(band)));
            aligned(
                heading.map(str::to_owned).into_iter().chain(cells),
                Align::Right,
            )
        };
        let names = self.bands.iter().map(name);
        let columns = [
            aligned(
                ["band".to_owned(), String::new()].into_iter().chain(names),
                Align::Left,
            ),
            column(["rest", "dB"], |band| band.rest_gain_db),
            column(["mean", "dB"], |band| band.mean_db),
            column(["95 %", "dB"], |band| band.p95_db),
            column(["most", "dB"], |band| band.max_db),
            column(["distortion", "dB"], |band| band.distortion_db),
        ];
        (0..BANDS + 2)
            .map(|line| {
                let cells = columns.iter().filter_map(|column| column.get(line));
                let line = cells.cloned().collect::<Vec<_>>().join("  ");
                line.trim_end().to_owned() + "\n"
            })
            .collect()
    }

    /// Where the second signal was found, in a line.
    pub fn alignment(&self, sample_rate_hz: f64) -> String {
        let ms = f64::from(self.delay_samples) * 1000.0 / sample_rate_hz;
        format!(
            "delay {} samples ({ms:.2} ms), polarity {}\n",
            self.delay_samples, self.polarity
        )
    }

    /// What concerns the whole, in two lines.
    pub fn changes(&self) -> String {
        let figures = |what: &str, value: Option<f64>, unit: &str| {
            format!("{what} {} {unit}", hundredths(value))
        };
        let changes = [
            figures("loudness", self.loudness_change_lu, "LU"),
            figures("PLR", self.plr_change_db, "dB"),
            figures("LDR", self.ldr_change_db, "dB"),
        ];
        format!(
            "{}\nchange of {}\n",
            figures("distortion in all", self.distortion_db, "dB"),
            changes.join(", of ")
        )
    }
}
