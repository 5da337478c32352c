//! The reference that belongs to a session.

use serde::{Deserialize, Serialize};

use super::profile::{Figures, PROFILE_VERSION, Profile};

/// Longest name that is kept, characters.
const NAME_CHARS: usize = 120;
/// Longest path that is kept, bytes: what systems allow.
const PATH_BYTES: usize = 4_096;
/// What lies beyond is no level, dB.
const LARGEST_DB: f64 = 300.0;

/// A reference as it is saved with the host's session: what was measured of it, never its audio, so
/// that the session opens where the file is not.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    /// What was measured.
    pub profile: Profile,
    /// Path of the audio file; `None` where the profile was read from a saved one.
    #[serde(default)]
    pub file: Option<String>,
}

impl Reference {
    /// The same with every value in its range; `None` where there is nothing to compare with.
    #[must_use]
    pub fn sanitised(self) -> Option<Self> {
        let file = self.file.filter(|path| {
            !path.is_empty() && path.len() <= PATH_BYTES && !path.contains(char::is_control)
        });
        Some(Self {
            profile: self.profile.sanitised()?,
            file,
        })
    }
}

impl Profile {
    /// The same with a name that can be written in a line, and without what is no level. `None` for
    /// a later version, and where there is no loudness to compare at.
    #[must_use]
    pub fn sanitised(mut self) -> Option<Self> {
        let printable = self.name.chars().filter(|letter| !letter.is_control());
        self.name = printable.take(NAME_CHARS).collect();
        let crest_is_of_today = self.crest_is_of_today();
        for figures in [&mut self.whole, &mut self.part] {
            figures.drop_what_is_no_level();
            if !crest_is_of_today {
                figures.band_crest_db = [None; 4];
            }
        }
        let known = self.version <= PROFILE_VERSION
            && self.sample_rate_hz >= 1_000
            && (1..=6).contains(&self.channels)
            && self.whole.integrated_lufs.is_some()
            && self.part.integrated_lufs.is_some();
        known.then_some(self)
    }
}

impl Figures {
    fn drop_what_is_no_level(&mut self) {
        let levels = [
            &mut self.integrated_lufs,
            &mut self.short_term_max_lufs,
            &mut self.loudness_range_lu,
            &mut self.true_peak_dbtp,
            &mut self.plr_db,
            &mut self.short_term_plr_min_db,
            &mut self.ldr_db,
        ];
        let bands = self.band_crest_db.iter_mut().chain(&mut self.balance_db);
        for level in levels.into_iter().chain(bands) {
            *level = level.filter(|db| db.abs() <= LARGEST_DB);
        }
        let share = |percent: &f64| (0.0..=100.0).contains(percent);
        self.flat_tops_percent = self.flat_tops_percent.filter(share);
        for second in [&mut self.start_s, &mut self.end_s] {
            if !second.is_finite() || *second < 0.0 {
                *second = 0.0;
            }
        }
    }
}
