//! Whole files: decoding, measuring, reports, and the demo songs.

mod comparison;
mod console;
mod decode;
pub mod demo_song;
mod error;
pub mod measure_files;
mod measures;
pub mod reduction;
pub mod render;
mod stage_args;
mod table;
mod write;

pub use decode::{Audio, AudioFile, decode_all};
pub use error::{InputError, InputErrorKind, OutputError, OutputErrorKind};
pub use write::{SampleFormat, WavFile};
