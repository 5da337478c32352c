//! Audio files in and out, and what can be wrong with them.

mod audition;
mod decode;
mod error;
mod part;
mod profile;
mod resample;
mod unfinished;
mod version;
mod wave;
mod write;

pub use audition::{AuditionFailure, LONGEST_AUDITION_S, audition};
pub use decode::{Audio, AudioFile, decode_ahead, decode_all};
pub use error::{InputError, InputErrorKind, OutputError, OutputErrorKind, named, printable};
pub use part::Part;
pub use profile::{ProfileFailure, Profiled, profile, saved_or_measured};
pub use unfinished::{Unfinished, UnfinishedKind, remove_unfinished};
pub use version::unchanged;
pub use write::{SampleFormat, WavFile};
