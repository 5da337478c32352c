//! The encoders.

use std::fmt::Display;
use std::fs::File;
use std::io::BufWriter;
use std::num::{NonZeroU8, NonZeroU32};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Mutex, PoisonError};

use vorbis_rs::{VorbisBitrateManagementStrategy, VorbisEncoderBuilder};

use super::source::{Source, read};

/// Of a name this much is kept, bytes; file systems take 255 (common practice).
const LONGEST_STEM: usize = 200;
const ROOM: &str = "check the folder for temporary files and its space";

/// The same bytes for the same audio: nothing else tells the streams of one file apart.
const SERIAL: i32 = 1;

/// Held while an encoder is made. The first of a process fills tables that all of them share, and
/// one that is made meanwhile would take them for filled: in one run of some 180 a file came out
/// otherwise.
static MAKING_VORBIS: Mutex<()> = Mutex::new(());

/// One way to encode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Coding {
    Vorbis {
        nominal_kbps: u32,
        /// Of the encoder's scale from −0.2 to 1, on which bit rates are not chosen but come out.
        quality: f32,
    },
    /// At a constant bit rate. The encoder's presets turn the audio down at low rates; `scale`
    /// undoes that, so that what is told is what encoding does to the peaks.
    Mp3 { kbps: u32, scale: f64 },
}

/// The rates that are common (common practice): what is sent over slow lines, what is usual, and
/// the most that is offered. The qualities are those that Vorbis' own documentation names for
/// stereo at 44.1 kHz (from memory): 2, 5 and 9 of 10. The scales are 1/0.95 and 1/0.97, as
/// measured of version 3.100; a test holds every coding's loudness to the original's.
pub(super) const CODINGS: [Coding; 6] = [
    Coding::Vorbis {
        nominal_kbps: 96,
        quality: 0.2,
    },
    Coding::Vorbis {
        nominal_kbps: 160,
        quality: 0.5,
    },
    Coding::Vorbis {
        nominal_kbps: 320,
        quality: 0.9,
    },
    Coding::Mp3 {
        kbps: 128,
        scale: 1.0 / 0.95,
    },
    Coding::Mp3 {
        kbps: 192,
        scale: 1.0 / 0.97,
    },
    Coding::Mp3 {
        kbps: 320,
        scale: 1.0,
    },
];

/// Why a file was not encoded: cause and remedy.
#[derive(Debug)]
pub(super) enum NotEncoded {
    /// The format has no such sample rate.
    NoSuchRate(String),
    Failed(String),
}

impl From<String> for NotEncoded {
    fn from(line: String) -> Self {
        Self::Failed(line)
    }
}

impl Coding {
    pub fn nominal_kbps(self) -> u32 {
        match self {
            Self::Vorbis { nominal_kbps, .. } => nominal_kbps,
            Self::Mp3 { kbps, .. } => kbps,
        }
    }

    pub fn name(self) -> &'static str {
        match self {
            Self::Vorbis { .. } => "Ogg Vorbis",
            Self::Mp3 { .. } => "MP3",
        }
    }

    pub fn key(self) -> &'static str {
        match self {
            Self::Vorbis { .. } => "vorbis",
            Self::Mp3 { .. } => "mp3",
        }
    }

    /// Its file in a folder of its own.
    pub fn path(self, folder: &Path) -> PathBuf {
        folder.join(self.name_of_file("encoded"))
    }

    /// The name that the encoded form of a file is kept under.
    pub fn kept_name(self, source: &Path) -> String {
        let stem = source.file_stem().unwrap_or_default().to_string_lossy();
        self.name_of_file(&stem[..stem.floor_char_boundary(LONGEST_STEM)])
    }

    fn name_of_file(self, stem: &str) -> String {
        let ending = match self {
            Self::Vorbis { .. } => "ogg",
            Self::Mp3 { .. } => "mp3",
        };
        format!("{stem}-{}-{}.{ending}", self.key(), self.nominal_kbps())
    }

    /// Whether there is such a bit rate at a sample rate. MP3 at less than 32 kHz is another table
    /// of them, which ends at 160 kbit/s (ISO/IEC 13818-3, from memory); below 16 kHz the encoder
    /// ends at 64 kbit/s (as measured of version 3.100).
    pub fn is_there_at(self, sample_rate_hz: u32) -> bool {
        match self {
            Self::Vorbis { .. } => true,
            Self::Mp3 { kbps, .. } => {
                sample_rate_hz >= 32_000 || (sample_rate_hz >= 16_000 && kbps <= 128)
            }
        }
    }

    /// Encodes the source. MP3 is made of `integers`, as [`Source::write_integers`] leaves them,
    /// with the gain that makes up for it.
    pub(super) fn encode(
        self,
        source: &Source,
        integers: &Result<(PathBuf, f64), String>,
        to: &Path,
    ) -> Result<(), NotEncoded> {
        match self {
            Self::Vorbis { quality, .. } => vorbis(source, to, quality),
            Self::Mp3 { kbps, scale } => {
                let (integers, up) = integers.as_ref().map_err(String::clone)?;
                Ok(mp3(integers, to, kbps, scale * up)?)
            }
        }
    }
}

fn vorbis(source: &Source, to: &Path, quality: f32) -> Result<(), NotEncoded> {
    let failed = |error: &dyn Display| format!("{error}; {ROOM}");
    let rate_hz = source.sample_rate_hz;
    let channels = u8::try_from(source.channels).ok().and_then(NonZeroU8::new);
    let (Some(rate), Some(channels)) = (NonZeroU32::new(rate_hz), channels) else {
        return Err("there is no audio; choose another file".to_owned().into());
    };
    let file = BufWriter::new(File::create(to).map_err(|error| failed(&error))?);
    let mut builder = VorbisEncoderBuilder::new_with_serial(rate, channels, file, SERIAL);
    builder.bitrate_management_strategy(VorbisBitrateManagementStrategy::QualityVbr {
        target_quality: quality,
    });
    let one_at_a_time = MAKING_VORBIS.lock().unwrap_or_else(PoisonError::into_inner);
    let built = builder.build();
    drop(one_at_a_time);
    // Of what it is told here only the rate is the file's.
    let mut encoder = built.map_err(|error| {
        let line = format!("at {rate_hz} Hz: {error}; export it at 44.1 or 48 kHz");
        NotEncoded::NoSuchRate(line)
    })?;
    read(&source.path, |planes| {
        let done = encoder.encode_audio_block(&*planes);
        done.map_err(|error| failed(&error))
    })?;
    let sink = encoder.finish().map_err(|error| failed(&error))?;
    sink.into_inner().map_err(|error| failed(&error))?;
    Ok(())
}

/// The program that encodes MP3 and its version, if it is installed.
///
/// It is a program and not a library that is built in: its licence (LGPL) would lie on the whole
/// command, and it builds by its own scripts, not with a C compiler alone.
pub(super) fn mp3_encoder() -> Option<String> {
    let told = Command::new("lame")
        .arg("--version")
        .stdin(Stdio::null())
        .output()
        .ok()?;
    let line = String::from_utf8_lossy(&told.stdout);
    let line = line.lines().find(|line| !line.trim().is_empty())?;
    // "LAME 64bits version 3.100 (http://…)"
    let line = line.split('(').next().unwrap_or(line).trim();
    told.status.success().then(|| line.to_owned())
}

fn mp3(integers: &Path, to: &Path, kbps: u32, scale: f64) -> Result<(), String> {
    let told = Command::new("lame")
        .args(["--silent", "--cbr", "-b", &kbps.to_string()])
        .args(["--scale", &scale.to_string()])
        .args([integers, to])
        .stdin(Stdio::null())
        .output();
    let told = told.map_err(|error| format!("lame cannot be started ({error}); install it"))?;
    if told.status.success() {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&told.stderr);
    let said = said.lines().last().unwrap_or("no reason told").trim();
    Err(format!("lame says “{said}”; {ROOM}, or try lame by hand"))
}
