//! What is kept of a recording, and its file.

use std::borrow::Cow;
use std::fmt;

use serde::{Deserialize, Serialize};

use super::super::section::Section;
use super::findings::FLAT_TOPS;
use super::profiler::SHORTEST_S;
use crate::measure::{BAND_COUNT, Readings};

/// Version of the layout that is written.
pub const PROFILE_VERSION: u32 = 5;
/// Up to the version before this the crest factors were of other definitions, and are taken for unknown.
const CREST_VERSION: u32 = 5;

/// One channel is this much quieter than the same signal on two, dB: half the power.
const ONE_OF_TWO_DB: f64 = 3.010_3;

/// A recording in numbers. All of them are rounded to thousandths, so that a profile is the same
/// after it has been written and read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Profile {
    /// Version of this layout.
    pub version: u32,
    /// What the recording is called.
    pub name: String,
    /// Hz.
    pub sample_rate_hz: u32,
    /// One to six.
    pub channels: usize,
    /// Whether it comes from a lossy encoder ([`Profile::from_lossy`]).
    #[serde(default)]
    pub lossy: bool,
    /// Which part was asked for.
    pub section: Section,
    /// All of it.
    pub whole: Figures,
    /// That part. The same as the whole where that was asked for or is no longer.
    pub part: Figures,
}

/// Measures of a stretch of audio. `None` is what cannot be measured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Figures {
    /// Its beginning in the recording, seconds.
    pub start_s: f64,
    /// Its end, seconds.
    pub end_s: f64,
    /// Integrated loudness, LUFS (ITU-R BS.1770-5).
    pub integrated_lufs: Option<f64>,
    /// Highest short-term loudness, LUFS (EBU Tech 3341).
    pub short_term_max_lufs: Option<f64>,
    /// Loudness range, LU (EBU Tech 3342); `None` below a minute, where it is not to be relied on.
    pub loudness_range_lu: Option<f64>,
    /// Highest true peak, dBTP.
    pub true_peak_dbtp: Option<f64>,
    /// Highest true peak less integrated loudness, dB.
    pub plr_db: Option<f64>,
    /// Lowest short-term PLR, dB.
    pub short_term_plr_min_db: Option<f64>,
    /// Microdynamics: loudness dynamic ratio, dB (Skovenborg, AES 137, 2014).
    pub ldr_db: Option<f64>,
    /// Crest factor in four bands, low to high, dB
    /// ([`BandCrest`](crate::measure::BandCrest)).
    pub band_crest_db: [Option<f64>; 4],
    /// How many of its highest tops are flat, % ([`FlatTops`](crate::measure::FlatTops)).
    pub flat_tops_percent: Option<f64>,
    /// Power in the third-octave bands of IEC 61260-1 from 20 Hz to 20 kHz, summed over the
    /// channels, dB re a full-scale square wave in one channel.
    pub balance_db: [Option<f64>; BAND_COUNT],
}

impl Figures {
    pub(super) fn new(
        (start_s, end_s): (f64, f64),
        readings: &Readings,
        band_crest_db: [Option<f64>; 4],
        flat_tops_percent: Option<f64>,
        balance_db: [Option<f32>; BAND_COUNT],
    ) -> Self {
        let rounded = |value: Option<f64>| value.map(thousandths);
        let range_lu = readings.loudness_range_lu;
        Self {
            start_s: thousandths(start_s),
            end_s: thousandths(end_s),
            integrated_lufs: rounded(readings.integrated_lufs),
            short_term_max_lufs: rounded(readings.short_term_max_lufs),
            loudness_range_lu: rounded(range_lu.filter(|_| readings.loudness_range_settled)),
            true_peak_dbtp: rounded(readings.true_peak_dbtp),
            plr_db: rounded(readings.plr_db),
            short_term_plr_min_db: rounded(readings.short_term_plr_min_db),
            ldr_db: rounded(readings.ldr_db),
            band_crest_db: band_crest_db.map(rounded),
            flat_tops_percent: rounded(flat_tops_percent),
            balance_db: balance_db.map(|band| rounded(band.map(f64::from))),
        }
    }
}

impl Figures {
    /// One channel's figures as those of the same signal on two: each has its peaks, both together
    /// twice the power.
    fn on_two_channels(&self) -> Self {
        let more = |value: Option<f64>| Some(thousandths(value? + ONE_OF_TWO_DB));
        let less = |value: Option<f64>| Some(thousandths(value? - ONE_OF_TWO_DB));
        Self {
            integrated_lufs: more(self.integrated_lufs),
            short_term_max_lufs: more(self.short_term_max_lufs),
            plr_db: less(self.plr_db),
            short_term_plr_min_db: less(self.short_term_plr_min_db),
            balance_db: self.balance_db.map(more),
            ..*self
        }
    }
}

/// The sum turns -0 into 0.
fn thousandths(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0 + 0.0
}

impl Profile {
    /// Whether its crest factors are what is measured today. Those of an earlier version are dropped.
    pub fn crest_is_of_today(&self) -> bool {
        self.version >= CREST_VERSION
    }

    /// The recording as it is heard beside another of so many channels: one channel beside two comes
    /// out of both alike, which makes it 3.01 LU louder at the same peaks (ITU-R BS.1770-5 adds up
    /// the channels' powers).
    pub fn beside(&self, channels: usize) -> Cow<'_, Self> {
        if (self.channels, channels) != (1, 2) {
            return Cow::Borrowed(self);
        }
        Cow::Owned(Self {
            channels,
            whole: self.whole.on_two_channels(),
            part: self.part.on_two_channels(),
            ..self.clone()
        })
    }

    /// The same of audio that comes from a lossy encoder. That rounds tops: of 11 to 18 % that clipping
    /// flattens, MP3 at 128 kbit/s leaves 0.0 to 0.1, so that few flat ones say nothing, and many (at
    /// 320 kbit/s 1.7 to 6.9) that there were at least as many.
    #[must_use]
    pub fn from_lossy(mut self) -> Self {
        self.lossy = true;
        for figures in [&mut self.whole, &mut self.part] {
            figures.flat_tops_percent = figures
                .flat_tops_percent
                .filter(|percent| *percent >= FLAT_TOPS);
        }
        self
    }

    /// Mix and reference, each [beside](Self::beside) the other.
    pub fn pair<'a>(mix: &'a Self, reference: &'a Self) -> [Cow<'a, Self>; 2] {
        [
            mix.beside(reference.channels),
            reference.beside(mix.channels),
        ]
    }

    /// The profile as a file: JSON with one object.
    pub fn to_json(&self) -> String {
        // Strings and numbers only: there is nothing that JSON could not hold.
        serde_json::to_string_pretty(self).unwrap_or_default() + "\n"
    }

    /// Reads a profile's file.
    ///
    /// # Errors
    /// It is no profile, of a later version, or without a loudness to compare at.
    pub fn from_json(text: &str) -> Result<Self, ProfileFileError> {
        #[derive(Deserialize)]
        struct Version {
            version: u32,
        }
        let version: Version =
            serde_json::from_str(text).map_err(|_| ProfileFileError::NotAProfile)?;
        if version.version > PROFILE_VERSION {
            return Err(ProfileFileError::Later {
                version: version.version,
            });
        }
        let profile: Self =
            serde_json::from_str(text).map_err(|_| ProfileFileError::NotAProfile)?;
        profile.sanitised().ok_or(ProfileFileError::NotAProfile)
    }
}

/// Why a file is of no use as a profile. Displays as cause and remedy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ProfileFileError {
    /// Not the JSON of a profile.
    NotAProfile,
    /// Written by a later version of Crestline.
    Later {
        /// The version of its layout.
        version: u32,
    },
}

impl fmt::Display for ProfileFileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotAProfile => f.write_str(
                "not the profile of a reference; name an audio file, or measure the reference again",
            ),
            Self::Later { version } => write!(
                f,
                "a profile of version {version}, and version {PROFILE_VERSION} is the last that is \
                 known here; measure the reference again"
            ),
        }
    }
}

impl std::error::Error for ProfileFileError {}

/// Why a recording has no profile. Displays as cause and remedy.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ProfileError {
    /// Shorter than [`SHORTEST_S`].
    TooShort {
        /// Its length, seconds.
        duration_s: f64,
    },
    /// Nothing in it, or in the part that was asked for, is loud enough to be measured.
    Silent,
    /// The part that was asked for holds less than [`SHORTEST_S`] of the recording.
    Outside {
        /// Length of the recording, seconds.
        duration_s: f64,
    },
}

impl fmt::Display for ProfileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooShort { duration_s } => write!(
                f,
                "{duration_s:.1} s long, and less than {SHORTEST_S} s cannot be compared; choose a \
                 longer file"
            ),
            Self::Silent => f.write_str(
                "too quiet to be measured in the part that is asked for; choose another part or file",
            ),
            Self::Outside { duration_s } => write!(
                f,
                "less than {SHORTEST_S} s of it lie in the part that is asked for; choose another \
                 part, as it is {duration_s:.1} s long"
            ),
        }
    }
}

impl std::error::Error for ProfileError {}
