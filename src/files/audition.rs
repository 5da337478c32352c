//! A stretch of an audio file to listen to, at the rate and with the channels of whoever plays it.

use std::fmt;
use std::path::{Path, PathBuf};

use crestline_core::handover::{AuditionError, AuditionLoop};
use crestline_core::session::Section;

use crate::decode::AudioFile;
use crate::error::{InputError, printable};
use crate::profile::{ProfileFailure, profile};
use crate::resample::{CHUNK, Resampler};
use crate::version::unchanged;

/// Longest stretch that is kept in memory, seconds, at sample rates up to 48 kHz; above that as
/// many frames. What is longer is played from its beginning for so long.
pub const LONGEST_AUDITION_S: f64 = 600.0;
const FULL_LENGTH_UP_TO_HZ: f64 = 48_000.0;

/// Why nothing of a file can be listened to. Displays as one line that names the file, the cause
/// and the remedy.
#[derive(Debug)]
pub enum AuditionFailure {
    /// It was asked to stop.
    Cancelled,
    /// The file cannot be read.
    Unreadable(InputError),
    /// It has more than two channels.
    Channels {
        /// The file, as it was given.
        path: PathBuf,
        /// How many it has.
        count: usize,
    },
    /// The stretch cannot be compared with anything.
    Unusable {
        /// The file, as it was given.
        path: PathBuf,
        /// What is wrong, and what to do about it.
        cause: String,
    },
}

impl fmt::Display for AuditionFailure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cancelled => f.write_str("cancelled"),
            Self::Unreadable(error) => error.fmt(f),
            Self::Channels { path, count } => write!(
                f,
                "{}: {count} channels cannot be listened to beside a stereo mix; export it in stereo",
                printable(path)
            ),
            Self::Unusable { path, cause } => write!(f, "{}: {cause}", printable(path)),
        }
    }
}

impl std::error::Error for AuditionFailure {}

/// Decodes the section of a file and makes a loop of it, to be played at this rate (Hz, 8000 to
/// 384 000, whole or not) on one or two channels. Of a long section it keeps the first
/// [`LONGEST_AUDITION_S`]; to find the loudest part the file is read twice.
///
/// `go_on` is told time and again which share of the work is done, 0 to 1, and says whether to go
/// on.
///
/// # Errors
/// The file cannot be read, becomes another meanwhile, has more than two channels, the section is
/// shorter than 3 s or silent, or `go_on` said no.
pub fn audition(
    path: &Path,
    section: Section,
    sample_rate_hz: f64,
    channels: usize,
    go_on: &mut dyn FnMut(f64) -> bool,
) -> Result<AuditionLoop, AuditionFailure> {
    unchanged(path, || {
        loop_of(path, section, sample_rate_hz, channels, go_on)
    })
    .map_err(AuditionFailure::Unreadable)?
}

fn loop_of(
    path: &Path,
    section: Section,
    sample_rate_hz: f64,
    channels: usize,
    go_on: &mut dyn FnMut(f64) -> bool,
) -> Result<AuditionLoop, AuditionFailure> {
    let unusable = |cause: String| AuditionFailure::Unusable {
        path: path.to_owned(),
        cause,
    };
    let mut audio = AudioFile::open(path).map_err(AuditionFailure::Unreadable)?;
    let count = audio.roles().len();
    if count > 2 {
        let path = path.to_owned();
        return Err(AuditionFailure::Channels { path, count });
    }
    let (start_s, end_s, begun) = match section {
        Section::Between(start_s, end_s) => (start_s, end_s, 0.0),
        Section::Whole => (0.0, f64::INFINITY, 0.0),
        Section::Loudest => {
            let found = profile(path, section, &mut |share| go_on(0.5 * share));
            let part = found.map_err(|failure| match failure {
                ProfileFailure::Cancelled => AuditionFailure::Cancelled,
                ProfileFailure::Unreadable(error) => AuditionFailure::Unreadable(error),
                ProfileFailure::Unusable { error, .. } => unusable(error.to_string()),
                ProfileFailure::NoProfile { error, .. } => unusable(error.to_string()),
            })?;
            (part.profile.part.start_s, part.profile.part.end_s, 0.5)
        }
    };
    let longest_s = LONGEST_AUDITION_S * (FULL_LENGTH_UP_TO_HZ / sample_rate_hz).min(1.0);
    let length_s = (end_s - start_s).clamp(0.0, longest_s);
    let rate_hz = f64::from(audio.sample_rate_hz());
    #[expect(clippy::cast_sign_loss, reason = "seconds of a file are not negative")]
    let [start, length] = [start_s, length_s].map(|seconds| (seconds * rate_hz).round() as u64);
    audio.skip(start).map_err(AuditionFailure::Unreadable)?;
    let mut share = |read: u64| go_on(begun + (1.0 - begun) * read as f64 / length.max(1) as f64);
    let resampler = Resampler::new(rate_hz, sample_rate_hz, count)
        .map_err(|error| unusable(error.to_string()))?;
    let planes = read(&mut audio, length, resampler, &mut share)?;
    AuditionLoop::new(sample_rate_hz, channels, planes).map_err(|error| match error {
        AuditionError::TooShort | AuditionError::Silent => unusable(error.to_string()),
    })
}

/// The next `length` frames through this resampler, or as many as there are.
fn read(
    audio: &mut AudioFile,
    length: u64,
    mut resampler: Option<Resampler>,
    go_on: &mut dyn FnMut(u64) -> bool,
) -> Result<Vec<Vec<f32>>, AuditionFailure> {
    let channels = audio.roles().len();
    let mut planes = vec![Vec::new(); channels];
    let mut block = Vec::new();
    let mut read = 0;
    while read < length {
        let wanted = (length - read).min(CHUNK as u64) as usize;
        let found = audio.read(wanted, &mut block);
        let found = found.map_err(AuditionFailure::Unreadable)?;
        match &mut resampler {
            Some(resampler) => resampler.take(&block, &mut planes),
            None => {
                for (plane, block) in planes.iter_mut().zip(&block) {
                    plane.extend_from_slice(block);
                }
            }
        }
        read += found as u64;
        if !go_on(read) {
            return Err(AuditionFailure::Cancelled);
        }
        if found < wanted {
            break;
        }
    }
    if let Some(resampler) = &mut resampler {
        resampler.finish(&mut planes);
    }
    Ok(planes)
}
