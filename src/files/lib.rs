//! Audio files in and out, and what can be wrong with them.

mod decode;
mod error;
mod profile;
mod write;

pub use decode::{Audio, AudioFile, decode_ahead, decode_all};
pub use error::{InputError, InputErrorKind, OutputError, OutputErrorKind, printable};
pub use profile::{ProfileFailure, Profiled, profile};
pub use write::{SampleFormat, WavFile};
