//! A recording to compare the mix with, and what the comparison says.
//!
//! A [`Profile`] is all that is kept of a recording: loudness, dynamics, balance and density of the
//! whole and of one part. A [`Profiler`] measures it while the audio passes, in bounded memory.
//! A [`Comparison`] sets two profiles beside each other; [`suggest`] says which shelves bring one
//! balance nearest to the other, and [`findings`] what sets them apart, in words. [`Reference`] is
//! what a session keeps, and [`BesideMeter`] sets the mix beside it while it plays.

mod beside;
mod capture;
mod comparison;
mod findings;
mod profile;
mod profiler;
mod stored;
mod suggest;

pub use beside::{Beside, BesideMeter, beside};
pub use capture::{Capture, CaptureError};
pub use comparison::{Comparison, Octave, REGIONS, WithoutOctave, power_db, region_sounds};
pub use findings::{DENSITY_DB, FLAT_TOPS_OF_ONE, Finding, findings};
pub use profile::{Figures, PROFILE_VERSION, Profile, ProfileError, ProfileFileError};
pub use profiler::{LOUDEST_PART_S, Profiler, SHORTEST_S};
pub use stored::Reference;
pub use suggest::{LARGEST_GAIN_DB, SMALLEST_GAIN_DB, Suggestion, difference_db, suggest};
