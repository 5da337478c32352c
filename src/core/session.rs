//! What outlives a block of audio.

pub mod export;
pub mod forecast;
mod history;
mod kept_file;
pub mod reference;
mod saved;
mod section;
pub mod starting_points;
mod target;
mod turn_down;
pub mod user_targets;

pub use history::{Excursion, History, HistoryVersion, Pixel, Recorded, Span, Trace};
pub use saved::{
    DEFAULT_EDITOR_SIZE, MAX_EDITOR_SIZE, MAX_OWN_WINDOWS, MIN_EDITOR_SIZE, PlaneMode,
    SESSION_VERSION, Session, TargetChoice, ThemeChoice,
};
pub use section::{LoudestPart, Section};
pub use target::{
    BUILT_IN, BuiltIn, DEFAULT_WINDOW_ID, Judgement, Limits, TargetWindow, Verdict, built_in,
    my_target, rink_floor,
};
pub use turn_down::{PLAYBACK_CEILING_DBTP, PLAYBACK_LUFS, TurnDown, turn_down};
