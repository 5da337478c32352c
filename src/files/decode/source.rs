//! Where the blocks of a file come from: which reader its header asks for.

use std::fs::File;
use std::io::{BufReader, Seek as _};

use crestline_core::measure::ChannelRole;

use super::flac::Flac;
use super::library::Library;
use super::mp3::Mp3;
use super::pcm::{Encoding, PcmReader, Place};
use super::recognise::Format;
use super::{aiff, layout, roles, wav};
use crate::error::InputErrorKind;

/// Where blocks come from.
pub(super) enum Source {
    Pcm(PcmReader, u64),
    Flac(Box<Flac>),
    Mp3(Box<Mp3>),
    Library(Box<Library>),
}

/// What a file says of its own length before it is decoded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Promise {
    /// So many frames.
    Frames(u64),
    /// So many frames up to the last page, which is there.
    LastPage(u64),
    /// The format marks its last page, and the mark is missing.
    EndMissing,
    /// Nothing: a stream, or an MP3 without a length header.
    Nothing,
}

impl Source {
    /// Encoded bytes used up so far.
    pub fn bytes(&self) -> u64 {
        match self {
            Self::Pcm(_, bytes) => *bytes,
            Self::Flac(flac) => flac.bytes(),
            Self::Mp3(mp3) => mp3.bytes(),
            Self::Library(library) => library.bytes,
        }
    }

    /// Whether encoding has changed the audio.
    pub fn is_lossy(&self) -> bool {
        match self {
            Self::Pcm(..) | Self::Flac(_) => false,
            Self::Mp3(_) => true,
            Self::Library(library) => library.lossy,
        }
    }

    /// Decodes a stretch into one vector a channel, which may stay empty; false at the end.
    pub fn next(&mut self, block: &mut Vec<Vec<f32>>) -> Result<bool, InputErrorKind> {
        match self {
            Self::Pcm(reader, bytes) => {
                let used = reader.next(block)?;
                *bytes += used;
                Ok(used > 0)
            }
            Self::Flac(flac) => flac.next(block),
            Self::Mp3(mp3) => mp3.next(block),
            Self::Library(library) => library.next(block),
        }
    }
}

/// A file whose header was read.
pub(super) struct Opened {
    pub source: Source,
    pub sample_rate_hz: u32,
    pub roles: Vec<ChannelRole>,
    pub promise: Promise,
}

impl Opened {
    /// Reads the header of a file of this format.
    pub fn new(file: File, format: Format) -> Result<Self, InputErrorKind> {
        match format {
            Format::Wav(form) => Self::wav(file, form),
            Format::Aiff => Self::aiff(file),
            Format::Flac(start) => Self::flac(file, start),
            Format::Mp3(start) => Self::mp3(file, start),
            Format::Ogg => Self::ogg(file),
        }
    }

    fn wav(file: File, form: wav::Form) -> Result<Self, InputErrorKind> {
        let again = file.try_clone()?;
        let wav = wav::open(file, form)?;
        let count = usize::from(wav.channels);
        let roles = roles::by_mask(wav.mask, count).ok_or(InputErrorKind::Channels { count })?;
        let Some(encoding) = wav.encoding else {
            return Self::library(again, roles);
        };
        Self::pcm(wav.file, wav.place, encoding, roles, wav.sample_rate_hz)
    }

    fn aiff(file: File) -> Result<Self, InputErrorKind> {
        let again = file.try_clone()?;
        let aiff = aiff::open(file)?;
        let count = usize::from(aiff.channels);
        let roles = layout::roles(&aiff.layout, count).ok_or(InputErrorKind::Channels { count })?;
        let Some(encoding) = aiff.encoding else {
            return Self::library(again, roles);
        };
        Self::pcm(aiff.file, aiff.place, encoding, roles, aiff.sample_rate_hz)
    }

    fn pcm(
        file: BufReader<File>,
        place: Place,
        encoding: Encoding,
        roles: Vec<ChannelRole>,
        sample_rate_hz: u32,
    ) -> Result<Self, InputErrorKind> {
        let reader = PcmReader::new(file, place, encoding, roles.len())?;
        let promise = match place.bytes {
            Some(_) => Promise::Frames(reader.frames()),
            None => Promise::Nothing,
        };
        Ok(Self {
            source: Source::Pcm(reader, 0),
            sample_rate_hz,
            roles,
            promise,
        })
    }

    fn flac(file: File, start: u64) -> Result<Self, InputErrorKind> {
        let flac = Flac::open(file, start)?;
        Ok(Self {
            sample_rate_hz: flac.sample_rate_hz(),
            roles: flac.roles().to_vec(),
            promise: flac.frames().map_or(Promise::Nothing, Promise::Frames),
            source: Source::Flac(Box::new(flac)),
        })
    }

    fn mp3(file: File, start: u64) -> Result<Self, InputErrorKind> {
        let mp3 = Mp3::open(file, start)?;
        Ok(Self {
            sample_rate_hz: mp3.sample_rate_hz(),
            roles: mp3.roles()?,
            promise: mp3.frames().map_or(Promise::Nothing, Promise::Frames),
            source: Source::Mp3(Box::new(mp3)),
        })
    }

    fn ogg(file: File) -> Result<Self, InputErrorKind> {
        let library = Library::open(file, true)?;
        Ok(Self {
            sample_rate_hz: library.sample_rate_hz(),
            roles: library.roles()?,
            promise: library
                .bounds
                .frames
                .map_or(Promise::EndMissing, Promise::LastPage),
            source: Source::Library(Box::new(library)),
        })
    }

    /// WAV and AIFF that hold something else than plain samples.
    fn library(mut file: File, roles: Vec<ChannelRole>) -> Result<Self, InputErrorKind> {
        file.rewind()?;
        let library = Library::open(file, true)?;
        if library.roles()?.len() != roles.len() {
            return Err(InputErrorKind::Damaged { at_s: None });
        }
        Ok(Self {
            sample_rate_hz: library.sample_rate_hz(),
            roles,
            promise: library
                .bounds
                .frames
                .map_or(Promise::Nothing, Promise::Frames),
            source: Source::Library(Box::new(library)),
        })
    }
}
