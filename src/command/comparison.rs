//! What a process did to a signal, as the commands report it: reduction and added distortion by
//! band, and what changed in the whole.

use crate::measures::{Measures, to_thousandths_if_any};
use crate::table::{column, decimals, hundredths, lines, name_column};
use crestline_core::measure::{LinearPart, Reduction, ReductionMeter, mid_band_hz};
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

/// Gain of the linear part in one third-octave band.
#[derive(Clone, Debug, PartialEq, Serialize)]
struct Gain {
    hz: f64,
    gain_db: f64,
}

/// The way from one signal to the other, as it was found: delay in frames, with its fraction.
#[derive(Clone, Copy, Debug)]
pub(super) struct Way {
    pub delay_frames: f64,
    pub inverted: bool,
    pub linear: LinearPart,
    /// Whether it is a device that stays what it is but for gains.
    pub fixed: bool,
}

/// What became of one signal in another: the object of `crestline reduction --json`, and that of
/// either path in `crestline render --json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Comparison {
    /// To a thousandth.
    delay_samples: f64,
    #[serde(serialize_with = "to_thousandths_if_any")]
    right_late_samples: Option<f64>,
    polarity: &'static str,
    exchanged: bool,
    fixed_device: bool,
    linear: Vec<Gain>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    balance_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    width_db: Option<f64>,
    muted: Option<&'static str>,
    bands: [Band; BANDS],
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    loudness_change_lu: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    plr_change_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    ldr_change_db: Option<f64>,
    /// In words.
    #[serde(skip)]
    tone: String,
}

impl Comparison {
    /// Comparison `index` of a meter that was made with
    /// [`GainMemory::Session`](crestline_core::measure::GainMemory::Session) and whose bands meet
    /// at `corners_hz`, as the split [holds](crestline_core::dsp::crossover::held_hz) them;
    /// without a `way` the signals lie in step and nothing linear is between them.
    /// `measures` are those of the signal before and of the one after.
    pub fn new(
        meter: &ReductionMeter,
        index: usize,
        corners_hz: [f64; 3],
        way: Option<&Way>,
        [before, after]: [&Measures; 2],
    ) -> Self {
        let fixed_device = way.is_none_or(|way| way.fixed);
        // Of what moves by itself no gain and no share can be told.
        let reading = if fixed_device {
            meter.readings(index)
        } else {
            Reduction::default()
        };
        let edge =
            |corner: Option<usize>| corner.and_then(|corner| corners_hz.get(corner)).copied();
        let bands = std::array::from_fn(|band| {
            let figures = &reading.bands[band];
            let p95_db = meter
                .percentile_db(index, band, 95)
                .filter(|_| fixed_device);
            // Single moments between notes are left out of the highest; a twentieth of all of them,
            // as behind a gate, is told.
            let max_db = figures.reduction.max_db.map(f64::from);
            let max_db = max_db.map(|max_db| p95_db.map_or(max_db, |p95_db| max_db.max(p95_db)));
            Band {
                low_hz: edge(band.checked_sub(1)),
                high_hz: edge(Some(band)),
                rest_gain_db: figures
                    .reduction
                    .mean_db
                    .and(figures.rest_gain_db)
                    .map(f64::from),
                mean_db: figures.reduction.mean_db.map(f64::from),
                p95_db,
                max_db,
                distortion_db: figures.distortion.mean_db.map(f64::from),
            }
        });
        let change = |of: fn(&Measures) -> Option<f64>| Some(of(after)? - of(before)?);
        let thousandths = |value: f64| (1000.0 * value).round() / 1000.0;
        let inverted = way.is_some_and(|way| way.inverted);
        let linear = way.filter(|_| fixed_device).map(|way| way.linear);
        let gains = linear
            .iter()
            .flat_map(|linear| linear.gain_db.iter().enumerate());
        let gains = gains.filter_map(|(band, gain)| {
            Some(Gain {
                hz: mid_band_hz(band),
                gain_db: thousandths(f64::from((*gain)?)),
            })
        });
        Self {
            delay_samples: way.map_or(0.0, |way| thousandths(way.delay_frames) + 0.0),
            right_late_samples: linear.and_then(|linear| linear.right_late_frames),
            fixed_device,
            linear: gains.collect(),
            balance_db: linear.and_then(|linear| linear.balance_db).map(f64::from),
            width_db: linear.and_then(|linear| linear.width_db).map(f64::from),
            muted: linear.and_then(|linear| linear.muted_channel()),
            tone: linear.map_or_else(String::new, |linear| tone_in_words(&linear)),
            polarity: match (inverted, linear.is_some_and(|linear| linear.opposed)) {
                (false, false) => "normal",
                (true, false) => "inverted",
                (true, true) => "left inverted",
                (false, true) => "right inverted",
            },
            exchanged: linear.is_some_and(|linear| linear.exchanged),
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
        let shown: [([&str; 2], Figure); 5] = [
            (["rest", "dB"], |band| band.rest_gain_db),
            (["mean", "dB"], |band| band.mean_db),
            (["95 %", "dB"], |band| band.p95_db),
            (["most", "dB"], |band| band.max_db),
            (["distortion", "dB"], |band| band.distortion_db),
        ];
        let mut columns = vec![name_column(["band", ""], &self.bands, name)];
        for (heading, figure) in shown {
            columns.push(column(heading, &self.bands, |band| {
                hundredths(figure(band))
            }));
        }
        lines(&columns)
    }

    /// Where the second signal was found, in a line.
    pub fn alignment(&self, sample_rate_hz: f64) -> String {
        let ms = hundredths(Some(self.delay_samples * 1000.0 / sample_rate_hz));
        let whole = self.delay_samples.fract().abs() < 0.005;
        let samples = decimals(Some(self.delay_samples), if whole { 0 } else { 2 });
        format!(
            "delay {samples} samples ({ms} ms), polarity {}\n",
            self.polarity
        )
    }

    /// What is linear and stays, in a line; or that nothing stays.
    pub fn linear(&self) -> String {
        if !self.fixed_device {
            return "not a fixed device: its delay or phase moves, it distorts as hard as that looks, or the files begin more \
                    than 2 s apart; neither reduction nor distortion can be told\n".to_owned();
        }
        let moved = |what: &str, db: Option<f64>| {
            db.filter(|db| db.abs() >= 0.1)
                .map(|db| format!("{what} {db:+.1} dB"))
        };
        let parts = [
            Some(self.tone.clone()),
            self.exchanged
                .then(|| "left and right exchanged".to_owned()),
            self.right_late_samples.map(|frames| {
                let (channel, other) = if frames > 0.0 {
                    ("right", "left")
                } else {
                    ("left", "right")
                };
                let samples = decimals(Some(frames.abs()), 2);
                format!("{channel} {samples} samples later than {other}")
            }),
            moved("right against left", self.balance_db),
            moved("side against middle", self.width_db),
            self.muted.map(|channel| format!("{channel} channel muted")),
        ];
        parts.into_iter().flatten().collect::<Vec<_>>().join(", ") + "\n"
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

type Figure = fn(&Band) -> Option<f64>;

/// Where the tone is changed most.
fn tone_in_words(linear: &LinearPart) -> String {
    match linear.tone() {
        None => "tone unchanged".to_owned(),
        Some((hz, db)) if hz < 1000.0 => format!("tone changed: {db:+.1} dB at {hz:.0} Hz"),
        Some((hz, db)) => format!("tone changed: {db:+.1} dB at {} kHz", round(hz / 1000.0)),
    }
}

/// To two digits behind the point, without zeros at the end.
fn round(value: f64) -> f64 {
    (100.0 * value).round() / 100.0
}
