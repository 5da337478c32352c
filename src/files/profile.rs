//! The profile of an audio file.

use std::fmt;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use crestline_core::session::Section;
use crestline_core::session::reference::{Profile, ProfileError, ProfileFileError, Profiler};

use crate::decode::AudioFile;
use crate::error::{InputError, printable};
use crate::version::unchanged;

/// A saved profile is a few kilobytes; what is longer is none, bytes.
const LONGEST_PROFILE: u64 = 1 << 20;

/// What is told of a profile from before the crest factors were those of today.
const NO_CREST: &str = "a profile saved by an earlier version, whose crest factors were another measure and are left \
                        out; measure the reference again to have them";

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
    /// The file is text as a saved profile is, but no profile that can be used.
    NoProfile {
        /// The file, as it was given.
        path: PathBuf,
        /// What is wrong.
        error: ProfileFileError,
    },
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
            Self::NoProfile { path, error } => write!(f, "{}: {error}", printable(path)),
            Self::Unreadable(error) => error.fmt(f),
            Self::Unusable { path, error } => write!(f, "{}: {error}", printable(path)),
        }
    }
}

impl std::error::Error for ProfileFailure {}

/// The profile that was saved in a file, or that of an audio file; `go_on` as [`profile`] has it.
/// True where it was saved; of one that was saved of another section than is asked for, the whole is
/// known, too, and for anything else there is a note.
///
/// # Errors
/// As [`profile`] has them, where a saved profile cannot be used, and where the file becomes
/// another meanwhile.
pub fn saved_or_measured(
    path: &Path,
    section: Section,
    go_on: &mut dyn FnMut(f64) -> bool,
) -> Result<(Profiled, bool), ProfileFailure> {
    unchanged(path, || match saved(path) {
        Some(saved) => Ok((seen_in(saved?, section), true)),
        None => Ok((profile(path, section, go_on)?, false)),
    })
    .map_err(ProfileFailure::Unreadable)?
}

/// A saved profile with the section that is asked for as its part, where that is known of it.
fn seen_in(mut saved: Profiled, section: Section) -> Profiled {
    let profile = &mut saved.profile;
    if section == Section::Whole && profile.section != section {
        (profile.section, profile.part) = (section, profile.whole);
    }
    if profile.section != section {
        let [kept, asked] = [profile.section, section].map(in_words);
        saved.notes.push(format!(
            "a saved profile, of {kept}: that is compared, and not {asked}, which only the audio tells"
        ));
    }
    saved
}

fn in_words(section: Section) -> String {
    match section {
        Section::Loudest => "the loudest 30 s".into(),
        Section::Whole => "the whole".into(),
        Section::Between(start_s, end_s) => format!("{start_s} to {end_s} s"),
    }
}

/// The profile in a file that holds text with an object; `None` where it is something else.
fn saved(path: &Path) -> Option<Result<Profiled, ProfileFailure>> {
    let mut text = String::new();
    // Asked first, because opening a pipe waits for a writer.
    if !std::fs::metadata(path).ok()?.is_file() {
        return None;
    }
    let file = std::fs::File::open(path).ok()?;
    file.take(LONGEST_PROFILE).read_to_string(&mut text).ok()?;
    if !text.trim_start().starts_with('{') {
        return None;
    }
    let read = Profile::from_json(&text).map(|profile| {
        let earlier = !profile.crest_is_of_today();
        let notes = earlier.then(|| NO_CREST.to_owned()).into_iter().collect();
        Profiled { profile, notes }
    });
    Some(read.map_err(|error| ProfileFailure::NoProfile {
        path: path.to_owned(),
        error,
    }))
}

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
    let lossy = audio.is_lossy();
    Ok(Profiled {
        profile: if lossy { profile.from_lossy() } else { profile },
        notes: audio.notes(),
    })
}
