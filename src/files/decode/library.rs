//! What the format library decodes: Ogg, MP3, FLAC of up to 24 bits, and WAV and AIFF that hold
//! something else than plain samples.

use std::io::ErrorKind;

use symphonia::core::audio::{Channels, GenericAudioBufferRef};
use symphonia::core::codecs::audio::well_known::{CODEC_ID_FLAC, CODEC_ID_VORBIS};
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, Track, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;
use symphonia::core::packet::Packet;

use crestline_core::measure::ChannelRole;

use super::contain::contained;
use super::roles::roles;
use super::vorbis::{self, VorbisDecoder};
use crate::error::InputErrorKind;

/// Of each packet so much is kept: all that can stand in front of a frame of FLAC (RFC 9639, section
/// 9.1) up to the end of its number.
pub(super) const HEAD_BYTES: usize = 11;

/// A file that the library takes apart.
pub(super) struct Library {
    format: Box<dyn FormatReader>,
    decoder: Decoder,
    track_id: u32,
    sample_rate_hz: u32,
    channels: Channels,
    /// Whether encoding has changed the audio. Plain samples do not come here.
    pub lossy: bool,
    /// Encoded bytes used so far.
    pub bytes: u64,
    /// How the packet that was taken last begins.
    pub head: [u8; HEAD_BYTES],
    /// Bounds of the audio as the header tells them, frames.
    pub bounds: Bounds,
    /// Where the packet that was taken last ends, by the page that it is on, frames.
    ends: Option<u64>,
    /// The same of the last packet of all, once an Ogg stream has come to the page that is marked
    /// as its last.
    pub last_page_ends: Option<u64>,
}

/// What a header tells of the audio's length, frames.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Bounds {
    /// Without what the encoder put before and after.
    pub frames: Option<u64>,
    /// What the encoder put before.
    pub delay: Option<u32>,
    /// What it put after.
    pub padding: Option<u32>,
}

enum Decoder {
    Library(Box<dyn AudioDecoder>),
    /// More than two channels of Vorbis: the library undoes the coupling of channels in the order
    /// in which it was done, where the Vorbis I specification, section 4.3.5, asks for the reverse.
    /// With one pair of channels there is but one order.
    Vorbis(Box<VorbisDecoder>),
}

impl Library {
    /// Reads the header. `trims` is whether the decoder leaves out what the encoder put before and
    /// after the audio.
    pub fn open(source: impl MediaSource + 'static, trims: bool) -> Result<Self, InputErrorKind> {
        let damaged = || InputErrorKind::Damaged { at_s: None };
        let stream = MediaSourceStream::new(Box::new(source), MediaSourceStreamOptions::default());
        let format = contained(|| {
            symphonia::default::get_probe().probe(
                &Hint::new(),
                stream,
                FormatOptions::default(),
                MetadataOptions::default(),
            )
        })
        .ok_or_else(damaged)?
        .map_err(header_error)?;

        let track = format
            .default_track(TrackType::Audio)
            .ok_or(InputErrorKind::NotAudio)?;
        let params = track
            .codec_params
            .as_ref()
            .and_then(|params| params.audio())
            .ok_or(InputErrorKind::NotAudio)?;
        let channels = params
            .channels
            .clone()
            .ok_or(InputErrorKind::Unsupported("its arrangement of channels"))?;
        let decoder = contained(|| decoder(params, &channels, trims)).ok_or_else(damaged)??;
        Ok(Self {
            lossy: params.codec != CODEC_ID_FLAC,
            track_id: track.id,
            sample_rate_hz: params.sample_rate.unwrap_or(0),
            bounds: bounds(track),
            ends: None,
            last_page_ends: None,
            bytes: 0,
            head: [0; HEAD_BYTES],
            channels,
            format,
            decoder,
        })
    }

    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// Roles in the order of the channels; an error for an arrangement that is not measured.
    pub fn roles(&self) -> Result<Vec<ChannelRole>, InputErrorKind> {
        let count = self.channels.count();
        match self.decoder {
            Decoder::Library(_) => roles(&self.channels),
            Decoder::Vorbis(_) => vorbis::roles(count),
        }
        .ok_or(InputErrorKind::Channels { count })
    }

    /// Decodes a packet into one vector a channel, which may stay empty; false at the end.
    pub fn next(&mut self, block: &mut Vec<Vec<f32>>) -> Result<bool, InputErrorKind> {
        block.iter_mut().for_each(Vec::clear);
        let packet = match contained(|| self.format.next_packet()) {
            Some(Ok(Some(packet))) => packet,
            Some(Ok(None)) => {
                self.last_page_ends = self.ends;
                return Ok(false);
            }
            // How a raw stream ends; whether it ends too early is decided by what the header told.
            Some(Err(Error::IoError(error))) if error.kind() == ErrorKind::UnexpectedEof => {
                return Ok(false);
            }
            Some(Err(error)) => return Err(packet_error(error)),
            None => return Err(InputErrorKind::Damaged { at_s: None }),
        };
        self.bytes += packet.data.len() as u64;
        self.head = std::array::from_fn(|at| packet.data.get(at).copied().unwrap_or(0));
        if packet.track_id != self.track_id {
            return Ok(true);
        }
        self.ends = u64::try_from(packet.pts.saturating_add(packet.dur).get()).ok();
        match contained(|| self.decoder.decode(&packet, block)) {
            Some(Ok((rate_hz, channels)))
                if rate_hz == self.sample_rate_hz && channels == self.channels.count() =>
            {
                Ok(true)
            }
            Some(Ok(_)) | None => Err(InputErrorKind::Damaged { at_s: None }),
            Some(Err(kind)) => Err(kind),
        }
    }
}

fn decoder(
    params: &AudioCodecParameters,
    channels: &Channels,
    trims: bool,
) -> Result<Decoder, InputErrorKind> {
    if params.codec == CODEC_ID_VORBIS && channels.count() > 2 {
        let headers = params.extra_data.as_deref().unwrap_or_default();
        return Ok(Decoder::Vorbis(Box::new(VorbisDecoder::new(headers)?)));
    }
    let options = AudioDecoderOptions::default().gapless(trims);
    symphonia::default::get_codecs()
        .make_audio_decoder(params, &options)
        .map(Decoder::Library)
        .map_err(header_error)
}

impl Decoder {
    /// Decodes a packet, and tells its sample rate and number of channels.
    fn decode(
        &mut self,
        packet: &Packet,
        block: &mut Vec<Vec<f32>>,
    ) -> Result<(u32, usize), InputErrorKind> {
        match self {
            Self::Library(decoder) => decoder
                .decode(packet)
                .map(|decoded| copy_planar(&decoded, block))
                .map_err(packet_error),
            Self::Vorbis(decoder) => {
                decoder.decode(packet, block)?;
                Ok((decoder.sample_rate_hz(), block.len()))
            }
        }
    }
}

/// Copies a decoded packet out, and tells its sample rate and number of channels.
fn copy_planar(decoded: &GenericAudioBufferRef<'_>, block: &mut Vec<Vec<f32>>) -> (u32, usize) {
    decoded.copy_to_vecs_planar(block);
    (decoded.spec().rate(), decoded.num_planes())
}

fn bounds(track: &Track) -> Bounds {
    Bounds {
        frames: track.num_frames,
        delay: track.delay,
        padding: track.padding,
    }
}

fn header_error(error: Error) -> InputErrorKind {
    match error {
        Error::IoError(error) if error.kind() == ErrorKind::UnexpectedEof => {
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

fn packet_error(error: Error) -> InputErrorKind {
    match error {
        Error::IoError(error) if error.kind() != ErrorKind::UnexpectedEof => error.into(),
        Error::ResetRequired => {
            InputErrorKind::Unsupported("a chain of several streams in one file")
        }
        _ => InputErrorKind::Damaged { at_s: None },
    }
}
