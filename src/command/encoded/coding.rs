//! The encoders.

use std::fs::File;
use std::io::BufWriter;
use std::num::{NonZeroU8, NonZeroU32};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use vorbis_rs::{VorbisBitrateManagementStrategy, VorbisEncoderBuilder};

use crestline_files::{AudioFile, SampleFormat, WavFile};

/// Frames handed to an encoder at a time.
const BLOCK_FRAMES: usize = 4096;

/// The same bytes for the same audio: nothing else tells the streams of one file apart.
const SERIAL: i32 = 1;

/// One way to encode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Coding {
    Vorbis {
        nominal_kbps: u32,
        /// Of the encoder's scale from −0.2 to 1, on which bit rates are not chosen but come out.
        quality: f32,
    },
    /// At a constant bit rate. The encoder's presets turn the audio down at low rates; `scale` undoes
    /// that, so that what is told is what encoding does to the peaks.
    Mp3 { kbps: u32, scale: &'static str },
}

/// The rates that are common (common practice): what is sent over slow lines, what is usual, and the
/// most that is offered. The qualities are those that Vorbis' own documentation names for stereo at
/// 44.1 kHz (from memory): 2, 5 and 9 of 10. The scales are 1/0.95 and 1/0.97, as measured of version
/// 3.100; a test holds every coding's loudness to the original's.
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
        scale: "1.0526316",
    },
    Coding::Mp3 {
        kbps: 192,
        scale: "1.0309278",
    },
    Coding::Mp3 {
        kbps: 320,
        scale: "1",
    },
];

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

    /// Where the encoded form of a file belongs in a folder.
    pub fn path(self, folder: &Path, source: &Path) -> PathBuf {
        let mut name = source.file_stem().unwrap_or_default().to_owned();
        let ending = match self {
            Self::Vorbis { .. } => "ogg",
            Self::Mp3 { .. } => "mp3",
        };
        name.push(format!("-{}-{}.{ending}", self.key(), self.nominal_kbps()));
        folder.join(name)
    }

    /// Encodes a whole mono or stereo file; the error is the cause in words.
    pub fn encode(self, from: &Path, to: &Path) -> Result<(), String> {
        match self {
            Self::Vorbis { quality, .. } => vorbis(from, to, quality),
            Self::Mp3 { kbps, scale } => mp3(from, to, kbps, scale),
        }
    }
}

/// Hands the file over in blocks; the error is the line to tell.
fn blocks(
    from: &Path,
    mut take: impl FnMut(&AudioFile, &[&[f32]]) -> Result<(), String>,
) -> Result<(), String> {
    let mut audio = AudioFile::open(from).map_err(|error| error.to_string())?;
    let mut block = Vec::new();
    loop {
        let frames = audio.read(BLOCK_FRAMES, &mut block);
        if frames.map_err(|error| error.to_string())? == 0 {
            return Ok(());
        }
        let planes: Vec<&[f32]> = block.iter().map(Vec::as_slice).collect();
        take(&audio, &planes)?;
    }
}

fn vorbis(from: &Path, to: &Path, quality: f32) -> Result<(), String> {
    let failed = |error: &dyn std::fmt::Display| error.to_string();
    let audio = AudioFile::open(from).map_err(|error| failed(&error))?;
    let (Some(rate), Some(channels)) = (
        NonZeroU32::new(audio.sample_rate_hz()),
        u8::try_from(audio.roles().len())
            .ok()
            .and_then(NonZeroU8::new),
    ) else {
        return Err("no audio".to_owned());
    };
    let file = File::create(to).map_err(|error| failed(&error))?;
    let mut encoder =
        VorbisEncoderBuilder::new_with_serial(rate, channels, BufWriter::new(file), SERIAL)
            .bitrate_management_strategy(VorbisBitrateManagementStrategy::QualityVbr {
                target_quality: quality,
            })
            .build()
            .map_err(|error| failed(&error))?;
    blocks(from, |_, planes| {
        encoder
            .encode_audio_block(planes)
            .map_err(|error| failed(&error))
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

fn mp3(from: &Path, to: &Path, kbps: u32, scale: &str) -> Result<(), String> {
    // The program reads WAV whatever it was built with; a float file it would bring to full scale.
    let plain = to.with_extension(format!("{kbps}.wav"));
    let mut wav = None;
    blocks(from, |audio, planes| {
        let wav = match &mut wav {
            Some(wav) => wav,
            none => none.insert(
                WavFile::create(
                    &plain,
                    audio.sample_rate_hz(),
                    planes.len(),
                    SampleFormat::Int24,
                    true,
                )
                .map_err(|error| error.to_string())?,
            ),
        };
        wav.write(planes).map_err(|error| error.to_string())
    })?;
    if let Some(wav) = wav {
        wav.finish().map_err(|error| error.to_string())?;
    }
    let told = Command::new("lame")
        .args(["--silent", "--cbr", "-b", &kbps.to_string()])
        .args(["--scale", scale])
        .args([&plain, to])
        .stdin(Stdio::null())
        .output();
    let _ = std::fs::remove_file(&plain);
    let told = told.map_err(|error| error.to_string())?;
    if told.status.success() {
        Ok(())
    } else {
        let said = String::from_utf8_lossy(&told.stderr);
        let said = said.lines().last().unwrap_or("no reason told");
        Err(said.trim().to_owned())
    }
}
