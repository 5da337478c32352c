//! How loud a song can go, and what each decibel costs.
//!
//! A [`Stretch`] of audio runs through the real engine at one push after another, with the
//! session's own settings; each run gives a [`Point`] of the clean and of the saturated path at
//! once. The limiter runs in both and the saturator in one whether or not they are switched on: the
//! question is what they would do. Everything said about the points, from the
//! [potential](Summary::potential) to the [sentence](Summary::sentence), is worked out by pure
//! functions.

mod blocks;
mod curve;
mod run;
mod sentence;
mod service;
mod stretch;
mod summary;

pub use curve::Path;
pub use run::{PUSH_STEP_DB, Progress, Runs, forecast, is_filled_in};
pub use service::{Forecasted, Forecaster, LEAST_MUSIC_S, Marks};
pub(in crate::session) use service::{Music, Part};
pub use stretch::{LONGEST_STRETCH_S, Stretch};
pub use summary::{
    AtOneLoudness, Choice, LEAST_GAIN_LU, NextDecibel, PerPath, Potential, Reach, SAME_LU, Step,
    Summary, as_loud_as, at_one_loudness, loudness_at, next_decibel, potential,
};

/// What one band pays. `None`: too little signal in it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BandFigures {
    /// Mean reduction, dB, positive where the band is turned down.
    pub reduction_db: Option<f64>,
    /// Share of the band's output that no gain explains, dB, 0 or less.
    pub distortion_db: Option<f64>,
}

/// What one path comes to at one push. `None` is what cannot be measured.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PathFigures {
    /// Integrated loudness, LUFS.
    pub integrated_lufs: Option<f64>,
    /// Loudness of the parts of the input that count in its own integrated loudness, LUFS: what
    /// push brings is told by these, for it changes which parts count.
    pub same_parts_lufs: Option<f64>,
    /// Highest short-term loudness, LUFS.
    pub short_term_max_lufs: Option<f64>,
    /// Highest true peak, dBTP.
    pub true_peak_dbtp: Option<f64>,
    /// Highest true peak less integrated loudness, dB.
    pub plr_db: Option<f64>,
    /// Lowest short-term PLR, dB.
    pub short_term_plr_min_db: Option<f64>,
    /// Microdynamics: loudness dynamic ratio, dB (Skovenborg, AES 137, 2014).
    pub ldr_db: Option<f64>,
    /// What the limiter takes away, dB, 0 or more: the mean over chunks of
    /// [`CHUNK`](crate::engine::CHUNK) frames, each counting with its most.
    pub limiter_mean_db: Option<f64>,
    /// 95th percentile of the same.
    pub limiter_p95_db: Option<f64>,
    /// Reduction and distortion by band, low to high.
    pub bands: [BandFigures; 4],
    /// Share of the whole output that no gain of its band explains, dB, 0 or less.
    pub distortion_db: Option<f64>,
}

/// What both paths come to at one push.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Point {
    /// Push, dB.
    pub push_db: f64,
    /// The chain without its saturator.
    pub clean: PathFigures,
    /// The chain with it.
    pub saturated: PathFigures,
}
