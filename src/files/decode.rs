//! Audio files in: WAV, AIFF, FLAC, MP3 and Ogg Vorbis, as planar 32-bit float blocks.

mod contain;
mod recognise;
mod roles;

use std::fs::File;
use std::path::{Path, PathBuf};

use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::well_known::{
    FORMAT_ID_AIFF, FORMAT_ID_FLAC, FORMAT_ID_MP3, FORMAT_ID_OGG, FORMAT_ID_WAVE,
};
use symphonia::core::formats::{FormatOptions, FormatReader, Track, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

use self::contain::contained;
use super::error::{InputError, InputErrorKind};
use crestline_core::measure::ChannelRole;

/// Sample rates in Hz that the measurements are made for.
const SAMPLE_RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=384_000;

/// A whole audio file in memory.
#[derive(Clone, Debug)]
pub struct Audio {
    /// Sample rate, 8000 to 384000 Hz.
    pub sample_rate_hz: u32,
    /// How each channel counts towards loudness; one to six of them.
    pub roles: Vec<ChannelRole>,
    /// One vector a channel, all of one length, at least one frame; every sample finite. Full scale
    /// is ±1.
    pub channels: Vec<Vec<f32>>,
}

/// Decodes a whole file into memory: four bytes a sample.
///
/// # Errors
/// As [`AudioFile::open`] and [`AudioFile::next_block`].
pub fn decode_all(path: &Path) -> Result<Audio, InputError> {
    let mut file = AudioFile::open(path)?;
    let mut channels = vec![Vec::new(); file.roles().len()];
    while let Some(block) = file.next_block()? {
        for (channel, samples) in channels.iter_mut().zip(block) {
            channel.extend_from_slice(samples);
        }
    }
    Ok(Audio {
        sample_rate_hz: file.sample_rate_hz,
        roles: file.roles,
        channels,
    })
}

/// An audio file being decoded from its start to its end, a packet at a time.
pub struct AudioFile {
    path: PathBuf,
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    sample_rate_hz: u32,
    roles: Vec<ChannelRole>,
    promise: Promise,
    block: Vec<Vec<f32>>,
    frames: u64,
    longest_packet_frames: u64,
    bytes: u64,
    non_finite_samples: u64,
    ended: bool,
}

/// What a file says of its own length before it is decoded.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Promise {
    /// So many frames.
    Frames(u64),
    /// The format marks its last page, and the mark is missing.
    EndMissing,
    /// Nothing: a stream, or an MP3 without a length header.
    Nothing,
}

impl AudioFile {
    /// Opens a file and reads its header.
    ///
    /// # Errors
    /// The file is missing, not a file, forbidden, unreadable, of no known format, damaged in its
    /// header, cut off within its header, at a sample rate outside 8 kHz to 384 kHz, or has
    /// channels that the loudness standard does not weigh.
    pub fn open(path: &Path) -> Result<Self, InputError> {
        Self::open_inner(path).map_err(|kind| InputError::new(path, kind))
    }

    fn open_inner(path: &Path) -> Result<Self, InputErrorKind> {
        // Asked first, because opening a pipe waits for a writer.
        if !std::fs::metadata(path)?.is_file() {
            return Err(InputErrorKind::NotAFile);
        }
        let mut file = File::open(path)?;
        recognise::check_start(&mut file, path)?;

        let stream = MediaSourceStream::new(Box::new(file), MediaSourceStreamOptions::default());
        let format = contained(|| {
            symphonia::default::get_probe().probe(
                &Hint::new(),
                stream,
                FormatOptions::default(),
                MetadataOptions::default(),
            )
        })
        .ok_or(InputErrorKind::Damaged { at_s: None })?
        .map_err(header_error)?;

        let track = format
            .default_track(TrackType::Audio)
            .ok_or(InputErrorKind::NotAudio)?;
        let params = track
            .codec_params
            .as_ref()
            .and_then(|params| params.audio())
            .ok_or(InputErrorKind::NotAudio)?;
        let sample_rate_hz = params.sample_rate.unwrap_or(0);
        if !SAMPLE_RATES_HZ.contains(&sample_rate_hz) {
            return Err(InputErrorKind::SampleRate { hz: sample_rate_hz });
        }
        let channels = params
            .channels
            .as_ref()
            .ok_or(InputErrorKind::Unsupported("its arrangement of channels"))?;
        let positions_may_be_made_up = format.format_info().format == FORMAT_ID_WAVE;
        let roles =
            roles::roles(channels, positions_may_be_made_up).ok_or(InputErrorKind::Channels {
                count: channels.count(),
            })?;

        // Without an encoder delay in the header an MP3's length is only a guess from its bit rate,
        // and trimming to the guess would drop real audio.
        let guessed = format.format_info().format == FORMAT_ID_MP3 && track.delay.is_none();
        let options = AudioDecoderOptions::default()
            .gapless(!guessed)
            .verify(true);
        let decoder =
            contained(|| symphonia::default::get_codecs().make_audio_decoder(params, &options))
                .ok_or(InputErrorKind::Damaged { at_s: None })?
                .map_err(header_error)?;

        Ok(Self {
            path: path.to_owned(),
            track_id: track.id,
            promise: promise(&*format, track, guessed),
            block: vec![Vec::new(); roles.len()],
            format,
            decoder,
            sample_rate_hz,
            roles,
            frames: 0,
            longest_packet_frames: 0,
            bytes: 0,
            non_finite_samples: 0,
            ended: false,
        })
    }

    /// Sample rate, 8000 to 384000 Hz.
    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// How each channel counts towards loudness, in the order of the channels in a block; one to
    /// six of them.
    pub fn roles(&self) -> &[ChannelRole] {
        &self.roles
    }

    /// Frames decoded so far, without what an encoder put before and after the audio.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Encoded bytes used up so far: a measure of progress against the size of the file.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Samples so far that were not a number or infinite; they were replaced by 0.
    pub fn non_finite_samples(&self) -> u64 {
        self.non_finite_samples
    }

    /// The next stretch of audio, or `None` after the last: one vector a channel, all of one
    /// length, from 1 frame to 65536, every sample finite.
    ///
    /// # Errors
    /// The data cannot be decoded, contradict their own checksum, change sample rate or channels
    /// midway, or end more than a packet before the length that the header promises; or there is no
    /// audio at all. After an error the file is of no further use.
    pub fn next_block(&mut self) -> Result<Option<&[Vec<f32>]>, InputError> {
        match self.decode_packets() {
            Ok(true) => Ok(Some(&self.block)),
            Ok(false) => Ok(None),
            Err(kind) => Err(InputError::new(&self.path, kind)),
        }
    }

    /// Decodes until there is a block with at least one frame; false at the end.
    fn decode_packets(&mut self) -> Result<bool, InputErrorKind> {
        while !self.ended {
            let packet = match contained(|| self.format.next_packet()) {
                Some(Ok(Some(packet))) => packet,
                Some(Ok(None)) => return self.end(),
                // How a raw stream ends; whether it ends too early is decided by what the header
                // promised.
                Some(Err(Error::IoError(error)))
                    if error.kind() == std::io::ErrorKind::UnexpectedEof =>
                {
                    return self.end();
                }
                Some(Err(error)) => return Err(self.packet_error(error)),
                None => return Err(self.damaged_here()),
            };
            self.bytes += packet.data.len() as u64;
            if packet.track_id != self.track_id {
                continue;
            }
            match contained(|| {
                self.decoder
                    .decode(&packet)
                    .map(|decoded| copy_planar(&decoded, &mut self.block))
            }) {
                Some(Ok((rate_hz, channels)))
                    if rate_hz == self.sample_rate_hz && channels == self.roles.len() => {}
                Some(Ok(_)) | None => return Err(self.damaged_here()),
                Some(Err(error)) => return Err(self.packet_error(error)),
            }
            let frames = self.block.first().map_or(0, Vec::len) as u64;
            self.frames += frames;
            self.longest_packet_frames = self.longest_packet_frames.max(frames);
            for sample in self
                .block
                .iter_mut()
                .flatten()
                .filter(|sample| !sample.is_finite())
            {
                *sample = 0.0;
                self.non_finite_samples += 1;
            }
            if frames > 0 {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Holds the file to what its header promised.
    fn end(&mut self) -> Result<bool, InputErrorKind> {
        self.ended = true;
        let found_s = self.seconds();
        match self.promise {
            Promise::Frames(promised) if promised > self.frames + self.longest_packet_frames => {
                let promised_s = Some(promised as f64 / f64::from(self.sample_rate_hz));
                return Err(InputErrorKind::CutShort {
                    promised_s,
                    found_s,
                });
            }
            Promise::EndMissing => {
                return Err(InputErrorKind::CutShort {
                    promised_s: None,
                    found_s,
                });
            }
            Promise::Frames(_) | Promise::Nothing => {}
        }
        if self.frames == 0 {
            return Err(InputErrorKind::Empty);
        }
        match contained(|| self.decoder.finalize().verify_ok) {
            Some(None | Some(true)) => Ok(false),
            Some(Some(false)) | None => Err(InputErrorKind::ChecksumWrong),
        }
    }

    fn seconds(&self) -> f64 {
        self.frames as f64 / f64::from(self.sample_rate_hz)
    }

    fn damaged_here(&self) -> InputErrorKind {
        InputErrorKind::Damaged {
            at_s: Some(self.seconds()),
        }
    }

    fn packet_error(&self, error: Error) -> InputErrorKind {
        match error {
            Error::IoError(error) if error.kind() != std::io::ErrorKind::UnexpectedEof => {
                error.into()
            }
            Error::ResetRequired => {
                InputErrorKind::Unsupported("a chain of several streams in one file")
            }
            _ => self.damaged_here(),
        }
    }
}

/// Copies a decoded packet out, and tells its sample rate and number of channels.
fn copy_planar(decoded: &GenericAudioBufferRef<'_>, block: &mut Vec<Vec<f32>>) -> (u32, usize) {
    decoded.copy_to_vecs_planar(block);
    (decoded.spec().rate(), decoded.num_planes())
}

fn header_error(error: Error) -> InputErrorKind {
    match error {
        Error::IoError(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            InputErrorKind::CutShort {
                promised_s: None,
                found_s: 0.0,
            }
        }
        Error::IoError(error) => error.into(),
        Error::Unsupported(_) => InputErrorKind::Unsupported("the encoding inside"),
        _ => InputErrorKind::Damaged { at_s: None },
    }
}

fn promise(format: &dyn FormatReader, track: &Track, guessed: bool) -> Promise {
    match (format.format_info().format, track.num_frames) {
        (FORMAT_ID_MP3, _) if guessed => Promise::Nothing,
        (
            FORMAT_ID_WAVE | FORMAT_ID_AIFF | FORMAT_ID_FLAC | FORMAT_ID_MP3 | FORMAT_ID_OGG,
            Some(frames),
        ) => Promise::Frames(frames),
        (FORMAT_ID_OGG, None) => Promise::EndMissing,
        _ => Promise::Nothing,
    }
}
