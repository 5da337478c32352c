//! The profile of an audio file.

use std::fmt;
use std::path::{Path, PathBuf};

use crestline_core::session::Section;
use crestline_core::session::reference::{Profile, ProfileError, Profiler};

use crate::decode::AudioFile;
use crate::error::{InputError, printable};

/// A profile, and what whoever uses it should be told about the file.
#[derive(Clone, Debug, PartialEq)]
pub struct Profiled {
    /// Named after the file, without its folder.
    pub profile: Profile,
    /// Empty for nearly every file.
    pub notes: Vec<String>,
}

/// Why a file has no profile. Displays as one line that names the file, the cause and the remedy.
#[derive(Debug)]
pub enum ProfileFailure {
    /// It was asked to stop.
    Cancelled,
    /// The file cannot be read to its end.
    Unreadable(InputError),
    /// What is in it cannot be measured.
    Unusable {
        /// The file, as it was given.
        path: PathBuf,
        /// What is wrong.
        error: ProfileError,
    },
}

impl fmt::Display for ProfileFailure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cancelled => f.write_str("cancelled"),
            Self::Unreadable(error) => error.fmt(f),
            Self::Unusable { path, error } => write!(f, "{}: {error}", printable(path)),
        }
    }
}

impl std::error::Error for ProfileFailure {}

/// Measures a file of any length from its start to its end, in bounded memory.
///
/// `go_on` is told after each stretch which share of the file has been read, 0 to 1, and says
/// whether to go on.
///
/// # Errors
/// The file cannot be read or measured, or `go_on` said no.
pub fn profile(
    path: &Path,
    section: Section,
    go_on: &mut dyn FnMut(f64) -> bool,
) -> Result<Profiled, ProfileFailure> {
    let bytes = std::fs::metadata(path).map_or(0, |file| file.len()).max(1);
    let mut audio = AudioFile::open(path).map_err(ProfileFailure::Unreadable)?;
    let mut profiler = Profiler::new(audio.sample_rate_hz(), audio.roles(), section);
    while let Some(block) = audio.next_block().map_err(ProfileFailure::Unreadable)? {
        let planes: Vec<&[f32]> = block.iter().map(Vec::as_slice).collect();
        profiler.process(&planes);
        if !go_on((audio.bytes() as f64 / bytes as f64).min(1.0)) {
            return Err(ProfileFailure::Cancelled);
        }
    }
    let name = path.file_name().unwrap_or(path.as_os_str());
    let name = printable(Path::new(name));
    let profile = profiler
        .finish(&name)
        .map_err(|error| ProfileFailure::Unusable {
            path: path.to_owned(),
            error,
        })?;
    Ok(Profiled {
        profile,
        notes: audio.notes(),
    })
}
