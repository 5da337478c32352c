//! Target windows: where loudness, PLR and true peak are meant to lie.
//!
//! The built-in ones come from open standards and recommendations, each named with its edition;
//! their values are as transcribed from them by others, not read in the documents themselves. None
//! of these documents states a limit of PLR, so theirs is open. What a mix engineer aims at is
//! mostly not in any standard: such windows are the user's own.

use crate::measure::Readings;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// A range, either end of which may be open.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Limits {
    /// Lowest value inside.
    pub low: Option<f64>,
    /// Highest value inside.
    pub high: Option<f64>,
}

impl Limits {
    /// Everything.
    pub const OPEN: Self = Self {
        low: None,
        high: None,
    };

    /// From `low` to `high`, both inside.
    pub const fn between(low: f64, high: f64) -> Self {
        Self {
            low: Some(low),
            high: Some(high),
        }
    }

    /// Up to `high`, inside.
    pub const fn at_most(high: f64) -> Self {
        Self {
            low: None,
            high: Some(high),
        }
    }

    /// The same with its ends in order, between `low` and `high` and rounded to tenths, as they are
    /// shown; an end that is not a number is open.
    fn within(self, low: f64, high: f64) -> Self {
        let end = |end: Option<f64>| {
            end.filter(|end| end.is_finite())
                .map(|end| (end.clamp(low, high) * 10.0).round() / 10.0)
        };
        match (end(self.low), end(self.high)) {
            (Some(low), Some(high)) => Self::between(low.min(high), low.max(high)),
            (low, high) => Self { low, high },
        }
    }

    /// Where a value lies.
    ///
    /// Value and limits are judged as they are shown, rounded to 0.1, so that the word never
    /// contradicts the figure beside it.
    pub fn judge(self, value: Option<f64>) -> Judgement {
        self.judge_in(10.0, value)
    }

    /// The same where value and limits are shown in so many steps a unit.
    fn judge_in(self, steps: f64, value: Option<f64>) -> Judgement {
        let shown = |value: f64| (value * steps).round();
        let Some(value) = value.filter(|value| value.is_finite()).map(shown) else {
            return Judgement::Unknown;
        };
        if self.low.is_some_and(|low| value < shown(low)) {
            Judgement::Below
        } else if self.high.is_some_and(|high| value > shown(high)) {
            Judgement::Above
        } else {
            Judgement::In
        }
    }
}

/// Short enough to be the same after it has been written and read as JSON.
pub(super) fn hundredths(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// Where a value lies against a range.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Judgement {
    /// Under the lower end.
    Below,
    /// Inside, ends included.
    In,
    /// Over the upper end.
    Above,
    /// There is no value to judge.
    #[default]
    Unknown,
}

impl Judgement {
    /// A word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Below => "below",
            Self::In => "in",
            Self::Above => "above",
            Self::Unknown => "unknown",
        }
    }
}

/// A target.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct TargetWindow {
    /// What it is called.
    pub name: Cow<'static, str>,
    /// Integrated loudness, LUFS.
    pub loudness_lufs: Limits,
    /// PLR, dB.
    pub plr_db: Limits,
    /// Highest true peak allowed, dBTP.
    pub ceiling_dbtp: Option<f64>,
    /// Highest short-term loudness allowed, LUFS.
    pub short_term_max_lufs: Option<f64>,
}

/// What a window says to a set of readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Verdict {
    /// Integrated loudness.
    pub loudness: Judgement,
    /// PLR.
    pub plr: Judgement,
    /// Highest true peak.
    pub true_peak: Judgement,
    /// Highest short-term loudness.
    pub short_term_max: Judgement,
}

/// Longest name of a window, characters.
const NAME_CHARS: usize = 48;

impl TargetWindow {
    /// The same with a name of one line and at most 48 characters, and every limit in a sensible
    /// range, in order and rounded: to tenths, and the ceiling to hundredths, in which it is judged
    /// of files.
    #[must_use]
    pub fn sanitised(self) -> Self {
        let printable = self
            .name
            .chars()
            .filter(|letter| !letter.is_control())
            .take(NAME_CHARS);
        let name = printable.collect::<String>().trim().to_owned();
        let ceiling = self.ceiling_dbtp.filter(|ceiling| ceiling.is_finite());
        let short_term = Limits {
            low: None,
            high: self.short_term_max_lufs,
        };
        Self {
            name: Cow::Owned(name),
            loudness_lufs: self.loudness_lufs.within(-70.0, 10.0),
            plr_db: self.plr_db.within(-10.0, 60.0),
            ceiling_dbtp: ceiling.map(|ceiling| hundredths(ceiling.clamp(-60.0, 20.0))),
            short_term_max_lufs: short_term.within(-70.0, 10.0).high,
        }
    }

    /// Judges what has been measured of a file, whose true peak is shown to hundredths.
    pub fn judge_file(&self, readings: &Readings) -> Verdict {
        let ceiling = Limits {
            low: None,
            high: self.ceiling_dbtp,
        };
        Verdict {
            true_peak: ceiling.judge_in(100.0, readings.true_peak_dbtp),
            ..self.judge(readings)
        }
    }

    /// Judges what has been measured since the last restart.
    pub fn judge(&self, readings: &Readings) -> Verdict {
        let at_most = |high| Limits { low: None, high };
        Verdict {
            loudness: self.loudness_lufs.judge(readings.integrated_lufs),
            plr: self.plr_db.judge(readings.plr_db),
            true_peak: at_most(self.ceiling_dbtp).judge(readings.true_peak_dbtp),
            short_term_max: at_most(self.short_term_max_lufs).judge(readings.short_term_max_lufs),
        }
    }
}

/// A window out of a published document.
#[derive(Clone, Debug, PartialEq)]
pub struct BuiltIn {
    /// Stands for it in saved sessions. Never renamed, never used again.
    pub id: &'static str,
    /// The document and its edition.
    pub document: &'static str,
    /// What the document says beyond the numbers.
    pub note: &'static str,
    /// Whether it asks its loudness of the loudest of several songs alone.
    pub of_loudest: bool,
    /// The numbers.
    pub window: TargetWindow,
}

/// A window whose PLR and short-term loudness are open.
const fn window(
    name: &'static str,
    low_lufs: f64,
    high_lufs: f64,
    ceiling_dbtp: f64,
) -> TargetWindow {
    TargetWindow {
        name: Cow::Borrowed(name),
        loudness_lufs: Limits::between(low_lufs, high_lufs),
        plr_db: Limits::OPEN,
        ceiling_dbtp: Some(ceiling_dbtp),
        short_term_max_lufs: None,
    }
}

/// Id of the window of a new session.
pub const DEFAULT_WINDOW_ID: &str = "aes77-track";

/// The built-in windows.
pub static BUILT_IN: [BuiltIn; 8] = [
    BuiltIn {
        id: "ebu-r128",
        document: "EBU R 128, version 5 (2023)",
        note: "−23.0 LUFS; 0.2 LU either way is left to measurement",
        of_loudest: false,
        window: window("EBU R 128", -23.2, -22.8, -1.0),
    },
    BuiltIn {
        id: "ebu-r128-live",
        document: "EBU R 128, version 5 (2023)",
        note: "−23.0 LUFS ±1.0 LU where the target cannot be met in practice, as in live programmes",
        of_loudest: false,
        window: window("EBU R 128 live", -24.0, -22.0, -1.0),
    },
    BuiltIn {
        id: "ebu-r128-s1",
        document: "EBU R 128 s1, version 3 (2020)",
        note: "short programmes, up to about two minutes: short-term loudness at most −18.0 LUFS, with 0.2 LU left to measurement",
        of_loudest: false,
        window: TargetWindow {
            name: Cow::Borrowed("EBU R 128 s1"),
            loudness_lufs: Limits::between(-23.2, -22.8),
            plr_db: Limits::OPEN,
            ceiling_dbtp: Some(-1.0),
            short_term_max_lufs: Some(-17.8),
        },
    },
    BuiltIn {
        id: "atsc-a85",
        document: "ATSC A/85:2013, alike in the edition of 2026-07",
        note: "−24 LKFS, with about 2 dB left to measurement; long programmes by their dialogue, short ones by the full mix; true peak below −2 dBTP",
        of_loudest: false,
        window: window("ATSC A/85", -26.0, -22.0, -2.0),
    },
    BuiltIn {
        id: "arib-tr-b32",
        document: "ARIB TR-B32, version 1.6 (March 2025)",
        note: "−24 LKFS ±1; may be lower for creative reasons",
        of_loudest: false,
        window: window("ARIB TR-B32", -25.0, -23.0, -1.0),
    },
    BuiltIn {
        id: "free-tv-op59",
        document: "Free TV OP-59",
        note: "−24 LKFS ±1",
        of_loudest: false,
        window: window("Free TV OP-59", -25.0, -23.0, -2.0),
    },
    BuiltIn {
        id: "aes77-track",
        document: "AES77-2023 (AES TD1008, 2021)",
        note: "music levelled track by track: −16 LUFS ±0.2; true peak at the input of the codec",
        of_loudest: false,
        window: window("AES77 track", -16.2, -15.8, -1.0),
    },
    BuiltIn {
        id: "aes-td1008-album",
        document: "AES TD1008 (2021)",
        note: "music levelled by the album: its loudest track −14 LUFS, exceeded by at most 0.2 LU; true peak at the input of the codec",
        of_loudest: true,
        window: window("AES TD1008 album", -14.0, -13.8, -1.0),
    },
];

/// The built-in window of this id.
pub fn built_in(id: &str) -> Option<&'static BuiltIn> {
    BUILT_IN.iter().find(|built_in| built_in.id == id)
}

/// What a window of one's own begins with: not from any document.
pub fn my_target() -> TargetWindow {
    window("my target", -11.0, -9.0, -1.0)
}

/// An example of a window of one's own: not from any document.
pub fn rink_floor() -> TargetWindow {
    TargetWindow {
        plr_db: Limits::between(8.0, 11.0),
        ..window("Rink floor", -11.0, -9.0, -1.0)
    }
}
