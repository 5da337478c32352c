//! What can be wrong with a file, told as one line: the file, the cause, the remedy.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// An audio file that could not be used. Displays as one line that names the file, the cause and
/// the remedy.
#[derive(Debug)]
pub struct InputError {
    /// The file, as it was given.
    pub path: PathBuf,
    /// What is wrong with it.
    pub kind: InputErrorKind,
}

/// Why an audio file could not be used.
#[derive(Debug)]
#[non_exhaustive]
pub enum InputErrorKind {
    /// There is no such file.
    Missing,
    /// A folder, a pipe or a device where a file is needed.
    NotAFile,
    /// The file may not be read by this user.
    Forbidden,
    /// The disk or the network failed while reading.
    Unreadable(io::Error),
    /// None of the formats that are known.
    NotAudio,
    /// A known format, used in a way that is not known.
    Unsupported(&'static str),
    /// The header promises more than there is. Seconds; `None` where the format only marks its end.
    CutShort {
        /// Duration that the header promises.
        promised_s: Option<f64>,
        /// Duration that could be decoded.
        found_s: f64,
    },
    /// The last page is there, but not all before it. Seconds.
    PagesMissing {
        /// Duration by the last page.
        promised_s: f64,
        /// Duration that could be decoded.
        found_s: f64,
    },
    /// The data contradict the format at about this time, in seconds (`None` for the header).
    Damaged {
        /// Where, if the header was good.
        at_s: Option<f64>,
    },
    /// The audio is not what its own checksum says.
    ChecksumWrong,
    /// The file became another while it was read.
    Changed,
    /// A valid file without a single frame of audio.
    Empty,
    /// A sample rate outside 8 kHz to 384 kHz.
    SampleRate {
        /// What the file says.
        hz: u32,
    },
    /// A number or an arrangement of channels for which the loudness standard gives no weights.
    Channels {
        /// How many there are.
        count: usize,
    },
}

impl InputError {
    /// The error `kind` about the file at `path`.
    pub fn new(path: &Path, kind: InputErrorKind) -> Self {
        Self {
            path: path.to_owned(),
            kind,
        }
    }
}

impl From<io::Error> for InputErrorKind {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::NotFound => Self::Missing,
            io::ErrorKind::PermissionDenied => Self::Forbidden,
            io::ErrorKind::IsADirectory => Self::NotAFile,
            _ => Self::Unreadable(error),
        }
    }
}

impl fmt::Display for InputErrorKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Missing => write!(f, "there is no such file; check the name and the folder"),
            Self::NotAFile => write!(
                f,
                "not a file but a folder, a pipe or a device; name the audio files themselves"
            ),
            Self::Forbidden => write!(
                f,
                "no permission to read it; change its permissions or copy it"
            ),
            Self::Unreadable(error) => write!(
                f,
                "reading failed ({error}); check the disk, or copy the file and try again"
            ),
            Self::NotAudio => write!(
                f,
                "not an audio file of a kind that can be read; export it as WAV, AIFF, FLAC, MP3 or Ogg Vorbis"
            ),
            Self::Unsupported(what) => {
                write!(f, "{what} cannot be read; export it as plain WAV or FLAC")
            }
            Self::CutShort {
                promised_s: Some(promised_s),
                found_s,
            } => write!(
                f,
                "cut short: {promised_s:.3} s promised, {found_s:.3} s found; export or copy it again"
            ),
            Self::CutShort {
                promised_s: None,
                found_s,
            } => {
                write!(
                    f,
                    "cut short: its end is missing after {found_s:.3} s; export or copy it again"
                )
            }
            Self::PagesMissing {
                promised_s,
                found_s,
            } => write!(
                f,
                "damaged: pages within it are lost, {promised_s:.3} s promised, {found_s:.3} s found; export or copy it again"
            ),
            Self::Damaged { at_s: Some(at_s) } => {
                write!(
                    f,
                    "damaged: cannot be decoded at {at_s:.3} s; export or copy it again"
                )
            }
            Self::Damaged { at_s: None } => write!(
                f,
                "damaged: its header contradicts itself or what follows it; export or copy it again"
            ),
            Self::ChecksumWrong => write!(
                f,
                "damaged: its audio fails its own checksum; export or copy it again"
            ),
            Self::Changed => write!(f, "changed while it was read; try again"),
            Self::Empty => write!(f, "holds no audio; export it again"),
            Self::SampleRate { hz } => {
                write!(
                    f,
                    "a sample rate of {hz} Hz cannot be measured; export it at 8 kHz to 384 kHz"
                )
            }
            Self::Channels { count } => write!(
                f,
                "no loudness weights for its {count} channels; export it as mono, stereo, 5.0 (L R C Ls Rs) or 5.1 (L R C LFE Ls Rs)"
            ),
        }
    }
}

impl fmt::Display for InputError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", printable(&self.path), self.kind)
    }
}

impl std::error::Error for InputError {}

/// An audio file that could not be written. Displays as one line that names the file, the cause and
/// the remedy.
#[derive(Debug)]
pub struct OutputError {
    /// The file, as it was given.
    pub path: PathBuf,
    /// What went wrong.
    pub kind: OutputErrorKind,
}

/// Why an audio file could not be written.
#[derive(Debug)]
#[non_exhaustive]
pub enum OutputErrorKind {
    /// The file is there already, and overwriting was not asked for.
    Exists,
    /// WAV holds less than 4 GiB.
    TooLong,
    /// Only mono and stereo are written.
    Channels {
        /// How many were asked for.
        count: usize,
    },
    /// The disk or the network failed while writing.
    Unwritable(io::Error),
}

impl OutputError {
    /// The error `kind` about the file at `path`.
    pub fn new(path: &Path, kind: OutputErrorKind) -> Self {
        Self {
            path: path.to_owned(),
            kind,
        }
    }
}

impl From<io::Error> for OutputErrorKind {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::AlreadyExists => Self::Exists,
            _ => Self::Unwritable(error),
        }
    }
}

impl fmt::Display for OutputErrorKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Exists => write!(
                f,
                "is there already; choose another name or ask for it to be overwritten"
            ),
            Self::TooLong => write!(
                f,
                "longer than a WAV file can hold (4 GiB); write fewer bits, or split the file first"
            ),
            Self::Channels { count } => {
                write!(f, "{count} channels cannot be written; write one or two")
            }
            Self::Unwritable(error) if error.kind() == io::ErrorKind::InvalidFilename => {
                write!(f, "cannot be called so ({error}); choose a shorter name")
            }
            Self::Unwritable(error) => write!(
                f,
                "writing failed ({error}); check the folder and the space on the disk"
            ),
        }
    }
}

impl fmt::Display for OutputError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", printable(&self.path), self.kind)
    }
}

impl std::error::Error for OutputError {}

/// The path as text that is another for every path: bytes that are no text are escaped (`\xff`).
pub fn named(path: &Path) -> String {
    let mut name = String::new();
    for chunk in path.as_os_str().as_encoded_bytes().utf8_chunks() {
        name += chunk.valid();
        name.extend(chunk.invalid().escape_ascii().map(char::from));
    }
    name
}

/// The path as [named], but as text that stays on one line and cannot steer a terminal: control
/// characters become `�`, and so do those that turn the direction of writing (Unicode Standard Annex
/// 9, section 2).
pub fn printable(path: &Path) -> String {
    let steers = |c: char| {
        c.is_control()
            || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}')
            || ('\u{2028}'..='\u{202e}').contains(&c)
            || ('\u{2066}'..='\u{2069}').contains(&c)
    };
    let plain = |c| {
        if steers(c) {
            char::REPLACEMENT_CHARACTER
        } else {
            c
        }
    };
    named(path).chars().map(plain).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_system_says_is_told_apart() {
        let kind = |kind: io::ErrorKind| InputErrorKind::from(io::Error::from(kind));
        assert!(matches!(
            kind(io::ErrorKind::NotFound),
            InputErrorKind::Missing
        ));
        assert!(matches!(
            kind(io::ErrorKind::PermissionDenied),
            InputErrorKind::Forbidden
        ));
        assert!(matches!(
            kind(io::ErrorKind::IsADirectory),
            InputErrorKind::NotAFile
        ));
        assert!(matches!(
            kind(io::ErrorKind::TimedOut),
            InputErrorKind::Unreadable(_)
        ));
    }

    #[test]
    fn what_turns_or_breaks_a_line_is_not_passed_on() {
        for letter in ['\u{202e}', '\u{2028}', '\u{2066}', '\u{200f}', '\u{7}'] {
            let name = printable(Path::new(&format!("a{letter}b.wav")));
            assert_eq!(name, "a\u{fffd}b.wav");
        }
        assert_eq!(printable(Path::new("Übung — 音.wav")), "Übung — 音.wav");
    }

    #[cfg(unix)]
    #[test]
    fn names_that_are_no_text_are_told_apart() {
        use std::os::unix::ffi::OsStrExt as _;
        let name = |bytes: &[u8]| named(Path::new(std::ffi::OsStr::from_bytes(bytes)));
        assert_eq!(name(b"a\xfe.wav"), "a\\xfe.wav");
        assert_ne!(name(b"a\xfe.wav"), name(b"a\xff.wav"));
        assert_eq!(name("ü.wav".as_bytes()), "ü.wav");
    }

    #[test]
    fn an_error_is_one_line_even_if_the_name_is_not() {
        let error = InputError::new(
            Path::new("two\nlines\u{1b}[31m.wav"),
            InputErrorKind::Missing,
        );
        let line = error.to_string();
        assert!(!line.contains(char::is_control), "{line:?}");
        assert!(
            line.starts_with("two\u{fffd}lines\u{fffd}[31m.wav: there is no such file"),
            "{line}"
        );
    }
}
