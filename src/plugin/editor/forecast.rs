//! The forecast as the editor knows it.

use std::time::Instant;

use super::number;
use super::view_model::plane::Place;
use super::view_model::rail::Rail;
use crate::params::CrestlineParams;
use crestline_core::session::PlaneMode;
use crestline_core::session::forecast::{Forecasted, Forecaster, LEAST_MUSIC_S, Marks, Path};

/// The rails are of interest a little past their bends, dB.
const PAST_THE_BEND_DB: f64 = 2.0;

/// Music that ended so long ago is no longer the last, s: another part of the song may have begun.
const OLD_S: f64 = 5.0;

/// How strongly a forecast of other settings than those that are set is drawn.
const OF_BEFORE: f32 = 0.45;

/// What has been found, and who finds it.
#[derive(Debug, Default)]
pub struct State {
    forecaster: Option<Forecaster>,
    version: u64,
    found: Forecasted,
    /// What of the music counts, and how many seconds.
    marks: (Marks, f64),
    /// How much has been heard since the music that it is made of, seconds.
    since_s: f64,
    /// It is of other settings than those that are set.
    of_before: bool,
    /// It has been said that it failed.
    told: bool,
}

/// What a button that marks does next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NextMark {
    /// Its name.
    pub name: &'static str,
    /// One sentence on it.
    pub tip: &'static str,
    /// Whether there is anything to mark.
    pub enabled: bool,
}

impl State {
    /// Forecasts that `forecaster` finds.
    pub fn new(forecaster: Forecaster) -> Self {
        Self {
            forecaster: Some(forecaster),
            ..Self::default()
        }
    }

    /// A forecast that has been made.
    pub fn made(found: Forecasted) -> Self {
        Self {
            found,
            ..Self::default()
        }
    }

    /// Asks for what the settings call for, and takes in what has been found. True while a forecast
    /// is under way.
    pub fn follow(&mut self, params: &CrestlineParams) -> bool {
        let Some(forecaster) = &self.forecaster else {
            return false;
        };
        let settings = params.chain_settings();
        forecaster.ask(&settings, Instant::now());
        if let Some(found) = forecaster.newer_than(&mut self.version) {
            self.found = found;
        }
        self.of_before = !self.found.points.is_empty() && !self.found.is_of(&settings);
        self.marks = forecaster.marks();
        self.since_s = forecaster.heard_since_s(&self.found);
        self.found.progress.is_some() && !self.found.done
    }

    /// What there is to say of it, once.
    pub fn take_words(&mut self) -> Option<&'static str> {
        let failed = self.found.failed;
        let was_told = std::mem::replace(&mut self.told, failed);
        (failed && !was_told).then_some(
            "The forecast failed, by a fault of Crestline's own: it is made again once a setting changes.",
        )
    }

    /// What has been found so far.
    pub fn found(&self) -> &Forecasted {
        &self.found
    }

    /// Whether that is of settings that have been changed since.
    pub fn is_of_before(&self) -> bool {
        self.of_before
    }

    /// How strongly it is drawn: less while it is of what was set before.
    pub fn strength(&self) -> f32 {
        if self.of_before { OF_BEFORE } else { 1.0 }
    }

    /// What is ahead, and of what it is made.
    pub fn source_in_words(&self) -> String {
        let seconds = |seconds: f64| number::with_unit(Some(seconds), 0, "s");
        match (self.found.progress, self.marks) {
            _ if self.found.failed => "ahead: failed".into(),
            (_, (Marks::In, marked_s)) if marked_s < LEAST_MUSIC_S => {
                // Cut off: ten seconds are not told before they are there.
                format!(
                    "marked: {:.0} of {}",
                    marked_s.floor(),
                    seconds(LEAST_MUSIC_S)
                )
            }
            (Some(progress), _) if !self.found.done => {
                format!("ahead: {} of {}", progress.done, progress.planned)
            }
            (_, (Marks::In, _)) => format!("ahead: {} marked", seconds(self.found.music_s)),
            (_, (Marks::Between, marked_s)) => format!("ahead: your {}", seconds(marked_s)),
            _ if self.found.points.is_empty() => format!("ahead: {}", number::NONE),
            _ if self.since_s >= OLD_S => format!(
                "ahead: {}, {} ago",
                seconds(self.found.music_s),
                seconds(self.since_s)
            ),
            _ => format!("ahead: the last {}", seconds(self.found.music_s)),
        }
    }

    /// False where no forecast will come however long the music plays.
    pub fn is_possible(&self) -> bool {
        self.forecaster.as_ref().is_some_and(Forecaster::has_source)
    }

    /// What the button that marks a part of the music does next; `None` where there is none to
    /// mark.
    pub fn next_mark(&self) -> Option<NextMark> {
        let forecaster = self.forecaster.as_ref()?;
        let (marks, marked_s) = self.marks;
        let (name, tip) = match marks {
            Marks::None => (
                "mark in",
                "From here on the music counts, for the forecast and beside the reference; mark its \
                 end with this button.",
            ),
            Marks::In if marked_s < LEAST_MUSIC_S => (
                "unmark",
                "Takes the mark away: what was played before it counts again. After 10 s of music the \
                 end can be marked here.",
            ),
            Marks::In => (
                "mark out",
                "What came since the mark is what counts, and stays so.",
            ),
            Marks::Between => (
                "unmark",
                "What plays from here on counts, once there are 10 s of it.",
            ),
        };
        Some(NextMark {
            name,
            tip,
            enabled: forecaster.has_source(),
        })
    }

    /// Does it.
    pub fn mark(&self) {
        if let Some(forecaster) = &self.forecaster {
            forecaster.mark();
        }
    }

    /// What is to be in sight: both rails to a little past their bends, and past `push_db`.
    pub fn places(&self, mode: PlaneMode, push_db: f64) -> impl Iterator<Item = Place> {
        [Path::Clean, Path::Saturated]
            .into_iter()
            .flat_map(move |path| {
                let rail = Rail::new(&self.found.points, path, mode);
                let bend_db = rail.bend_db.unwrap_or(f64::INFINITY).max(push_db);
                let last_db = bend_db + PAST_THE_BEND_DB;
                rail.stops
                    .into_iter()
                    .filter_map(move |stop| (stop.push_db <= last_db).then_some(stop.place))
            })
    }
}
