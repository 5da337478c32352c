//! FLAC (RFC 9639): its header, and which decoder its samples need.
//!
//! The metadata is passed over here, so that nothing in it can keep the audio from being decoded.

use std::fs::File;
use std::io::{self, BufReader, ErrorKind};

use flac_codec::Error;
use flac_codec::decode::FlacSampleReader;

use crestline_core::measure::ChannelRole::{self, Front, Lfe, Surround};

use super::checksum::Checksum;
use super::contain::contained;
use super::library::{HEAD_BYTES, Library};
use super::roles::by_mask;
use super::stream::{Stream, before_end_tags, bytes_at};
use crate::error::InputErrorKind;

/// Widest samples that 32-bit floats hold exactly, and that the library decodes rightly: of wider
/// ones the side channel has more than 32 bits (RFC 9639, section 4.2), for which it has no room.
const NARROW_BITS: u32 = 24;
const MARKER: &[u8; 4] = b"fLaC";
const STREAM_INFO_BYTES: u64 = 34;

/// A FLAC file being decoded.
pub(super) struct Flac {
    decoder: Decoder,
    info: StreamInfo,
    roles: Vec<ChannelRole>,
    /// Frames still to come, if the header tells how many there are.
    left: Option<u64>,
    /// What the next frame is numbered.
    next_number: Option<u64>,
    /// Bytes of frames that the file holds.
    held: u64,
    checksum: Option<Checksum>,
}

enum Decoder {
    Narrow(Box<Library>),
    Wide(Box<FlacSampleReader<BufReader<Stream>>>, u64),
}

impl Flac {
    /// Reads the header, which begins at `start`.
    pub fn open(mut file: File, start: u64) -> Result<Self, InputErrorKind> {
        let end = before_end_tags(&mut file)?;
        let header = Header::read(&mut file, start, end)?;
        let info = header.info;
        let count = info.channels;
        let roles = header
            .mask
            .map_or_else(|| roles(count), |mask| by_mask(Some(mask), count))
            .ok_or(InputErrorKind::Channels { count })?;
        let stream = Stream::new(header.head, file, header.frames_start, end)?;
        let decoder = if info.bits <= NARROW_BITS {
            Decoder::Narrow(Box::new(Library::open(stream, false)?))
        } else {
            let reader = contained(|| FlacSampleReader::new(BufReader::new(stream)))
                .ok_or(InputErrorKind::Damaged { at_s: None })?
                .map_err(error)?;
            Decoder::Wide(Box::new(reader), 0)
        };
        Ok(Self {
            decoder,
            roles,
            left: info.frames,
            next_number: None,
            held: end.saturating_sub(header.frames_start),
            checksum: info.md5.map(Checksum::new),
            info,
        })
    }

    pub fn sample_rate_hz(&self) -> u32 {
        self.info.sample_rate_hz
    }

    pub fn roles(&self) -> &[ChannelRole] {
        &self.roles
    }

    /// Frames in all, if the header tells.
    pub fn frames(&self) -> Option<u64> {
        self.info.frames
    }

    /// Encoded bytes used so far; of wide samples, an estimate.
    pub fn bytes(&self) -> u64 {
        match &self.decoder {
            Decoder::Narrow(library) => library.bytes,
            Decoder::Wide(_, bytes) => *bytes,
        }
    }

    /// Decodes a frame of the format into one vector a channel, which may stay empty; false at
    /// the end.
    pub fn next(&mut self, block: &mut Vec<Vec<f32>>) -> Result<bool, InputErrorKind> {
        if self.left == Some(0) {
            return Ok(false);
        }
        let bits = self.info.bits;
        let bytes = (bits.div_ceil(8)) as usize;
        let more = match &mut self.decoder {
            Decoder::Narrow(library) => {
                let more = library.next(block)?;
                let frames = block.first().map_or(0, Vec::len) as u64;
                if more {
                    // The library passes over a frame that is damaged; the next one's number tells.
                    let (number, step) = numbered(&library.head, frames);
                    if self.next_number.is_some_and(|next| next != number) {
                        return Err(InputErrorKind::Damaged { at_s: None });
                    }
                    self.next_number = Some(number + step);
                } else if self.left.is_none() && library.bytes < self.held {
                    // Of a frame that was passed over at either end only its bytes tell.
                    return Err(InputErrorKind::Damaged { at_s: None });
                }
                if block.len() != self.info.channels {
                    return Err(InputErrorKind::Damaged { at_s: None });
                }
                if let Some(checksum) = &mut self.checksum {
                    checksum.take(frames as usize * block.len() * bytes, |out| {
                        interleave(block, bits, out);
                    });
                }
                more
            }
            Decoder::Wide(reader, used) => {
                let samples = match contained(|| reader.fill_buf().map(<[i32]>::to_vec)) {
                    Some(Ok(samples)) => samples,
                    Some(Err(Error::Io(io)))
                        if io.kind() == ErrorKind::UnexpectedEof && self.left.is_some() =>
                    {
                        return Ok(false);
                    }
                    Some(Err(other)) => return Err(error(other)),
                    None => return Err(InputErrorKind::Damaged { at_s: None }),
                };
                reader.consume(samples.len());
                *used += (samples.len() * bytes) as u64;
                if let Some(checksum) = &mut self.checksum {
                    checksum.take(samples.len() * bytes, |out| {
                        for (place, sample) in out.chunks_exact_mut(bytes).zip(&samples) {
                            place.copy_from_slice(&sample.to_le_bytes()[..bytes]);
                        }
                    });
                }
                take_apart(&samples, bits, self.info.channels, block);
                !samples.is_empty()
            }
        };
        let frames = block.first().map_or(0, Vec::len) as u64;
        self.left = self.left.map(|left| left.saturating_sub(frames));
        Ok(more)
    }

    /// Whether the audio is what its checksum says; `None` if it has none. To be asked once, at
    /// the end.
    pub fn verify(&mut self) -> Option<bool> {
        self.checksum.take().map(Checksum::holds)
    }
}

/// The number that a frame of the format bears, and by how much the next one's is greater: blocks of
/// one size are counted, of blocks of several the samples are (RFC 9639, section 9.1.5).
fn numbered(head: &[u8; HEAD_BYTES], samples: u64) -> (u64, u64) {
    let counts_samples = head[1] & 1 == 1;
    let bytes = head[4].leading_ones() as usize;
    let mut number = u64::from(head[4]) & (0x7f >> bytes);
    for byte in head[5..].iter().take(bytes.saturating_sub(1)) {
        number = number << 6 | u64::from(byte & 0x3f);
    }
    (number, if counts_samples { samples } else { 1 })
}

/// Lays the samples out as the checksum counts them: interleaved, little-endian, in whole bytes
/// (RFC 9639, section 8.2).
fn interleave(block: &[Vec<f32>], bits: u32, out: &mut [u8]) {
    match bits.div_ceil(8) {
        1 => interleave_in::<1>(block, bits, out),
        2 => interleave_in::<2>(block, bits, out),
        _ => interleave_in::<3>(block, bits, out),
    }
}

fn interleave_in<const BYTES: usize>(block: &[Vec<f32>], bits: u32, out: &mut [u8]) {
    let scale = (1_u32 << (bits - 1)) as f32;
    let stored = |sample: f32| {
        let [a, b, c, _] = ((sample * scale) as i32).to_le_bytes();
        std::array::from_fn(|byte| [a, b, c][byte])
    };
    let (places, _) = out.as_chunks_mut::<BYTES>();
    if let [left, right] = block {
        let (pairs, _) = places.as_chunks_mut::<2>();
        for (pair, (left, right)) in pairs.iter_mut().zip(left.iter().zip(right)) {
            *pair = [stored(*left), stored(*right)];
        }
        return;
    }
    for (channel, plane) in block.iter().enumerate() {
        let own = places.iter_mut().skip(channel).step_by(block.len());
        for (place, sample) in own.zip(plane) {
            *place = stored(*sample);
        }
    }
}

fn take_apart(samples: &[i32], bits: u32, channels: usize, block: &mut Vec<Vec<f32>>) {
    let scale = (-f64::from(bits - 1)).exp2();
    block.resize_with(channels, Vec::new);
    for (channel, plane) in block.iter_mut().enumerate() {
        plane.clear();
        let own = samples.iter().skip(channel).step_by(channels);
        plane.extend(own.map(|sample| (f64::from(*sample) * scale) as f32));
    }
}

/// The roles of channels that the format itself defines (RFC 9639, section 9.1.3).
fn roles(count: usize) -> Option<Vec<ChannelRole>> {
    match count {
        1..=3 => Some(vec![Front; count]),
        4 => Some(vec![Front, Front, Surround, Surround]),
        5 => Some(vec![Front, Front, Front, Surround, Surround]),
        6 => Some(vec![Front, Front, Front, Lfe, Surround, Surround]),
        _ => None,
    }
}

fn error(error: Error) -> InputErrorKind {
    match error {
        Error::Io(io) if io.kind() == ErrorKind::UnexpectedEof => cut_short(),
        Error::Io(io) => io.into(),
        _ => InputErrorKind::Damaged { at_s: None },
    }
}

fn cut_short() -> InputErrorKind {
    InputErrorKind::CutShort {
        promised_s: None,
        found_s: 0.0,
    }
}

/// What stands before the audio.
struct Header {
    info: StreamInfo,
    /// The header of a file of the same audio without any metadata.
    head: Vec<u8>,
    /// First byte of the audio.
    frames_start: u64,
    /// Positions that the file states, as the WAVE list.
    mask: Option<u32>,
}

/// The metadata block that tells how to decode (RFC 9639, section 8.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct StreamInfo {
    sample_rate_hz: u32,
    channels: usize,
    bits: u32,
    frames: Option<u64>,
    md5: Option<[u8; 16]>,
}

impl Header {
    fn read(file: &mut File, start: u64, end: u64) -> Result<Self, InputErrorKind> {
        const COMMENT: u8 = 4;
        const COMMENT_MOST: u64 = 1 << 20;
        let mut at = start + MARKER.len() as u64;
        let (mut info, mut mask) = (None, None);
        loop {
            let header = bytes_at(file, at, 4)?;
            let Some(&[kind, a, b, c]) = header.first_chunk() else {
                return Err(cut_short());
            };
            let length = u64::from(u32::from_be_bytes([0, a, b, c]));
            at += 4;
            match kind & 0x7f {
                0 if info.is_none() => {
                    let body = bytes_at(file, at, STREAM_INFO_BYTES.min(length))?;
                    info = body.first_chunk::<34>().copied();
                    if info.is_none() {
                        return Err(cut_short());
                    }
                }
                COMMENT => mask = stated_mask(file, at, length.min(COMMENT_MOST))?.or(mask),
                0x7f => return Err(InputErrorKind::Damaged { at_s: None }),
                _ => {}
            }
            at += length;
            if at > end {
                return Err(cut_short());
            }
            if kind & 0x80 != 0 {
                break;
            }
        }
        let mut info = info.ok_or(InputErrorKind::Damaged { at_s: None })?;
        // Some writers leave the smallest block at 0, which the library takes for damage.
        if u16::from_be_bytes([info[0], info[1]]) < 16 {
            info.copy_within(2..4, 0);
        }
        let head = [&MARKER[..], &[0x80, 0, 0, 34], &info].concat();
        Ok(Self {
            info: StreamInfo::parse(&info),
            head,
            frames_start: at,
            mask,
        })
    }
}

impl StreamInfo {
    fn parse(block: &[u8; 34]) -> Self {
        let eight = block[10..].first_chunk::<8>().copied().unwrap_or_default();
        let packed = u64::from_be_bytes(eight);
        let md5 = block.last_chunk::<16>().copied();
        let frames = packed & ((1 << 36) - 1);
        Self {
            sample_rate_hz: (packed >> 44) as u32,
            channels: (packed >> 41 & 7) as usize + 1,
            bits: (packed >> 36 & 31) as u32 + 1,
            frames: (frames > 0).then_some(frames),
            md5: md5.filter(|md5| md5.iter().any(|byte| *byte != 0)),
        }
    }
}

/// The positions that a comment states (RFC 9639, section 8.6.2), wherever in the block it stands.
fn stated_mask(file: &mut File, at: u64, length: u64) -> io::Result<Option<u32>> {
    const FIELD: &[u8] = b"WAVEFORMATEXTENSIBLE_CHANNEL_MASK=0X";
    let comments = bytes_at(file, at, length)?.to_ascii_uppercase();
    let found = comments.windows(FIELD.len()).position(|it| it == FIELD);
    let digits = found.map(|found| &comments[found + FIELD.len()..]);
    Ok(digits.and_then(|digits| {
        let length = digits
            .iter()
            .take_while(|it| it.is_ascii_hexdigit())
            .count();
        let digits = std::str::from_utf8(&digits[..length]).ok()?;
        u32::from_str_radix(digits, 16).ok()
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 9639, appendix D.1: the header of its first example.
    #[test]
    fn the_streaminfo_of_the_standards_example_is_read() {
        let mut block = [0; 34];
        block[..18].copy_from_slice(&[
            0x10, 0x00, 0x10, 0x00, 0x00, 0x00, 0x0f, 0x00, 0x00, 0x0f, 0x0a, 0xc4, 0x42, 0xf0,
            0x00, 0x00, 0x00, 0x01,
        ]);
        block[18..].copy_from_slice(&[
            0x3e, 0x84, 0xb4, 0x18, 0x07, 0xdc, 0x69, 0x03, 0x07, 0x58, 0x6a, 0x3d, 0xad, 0x1a,
            0x2e, 0x0f,
        ]);
        let info = StreamInfo::parse(&block);
        assert_eq!(info.sample_rate_hz, 44_100);
        assert_eq!((info.channels, info.bits), (2, 16));
        assert_eq!(info.frames, Some(1));
        assert_eq!(info.md5.map(|md5| md5[0]), Some(0x3e));
    }

    // RFC 9639, table 18: the number is laid out as UTF-8 lays out a character, up to 36 bits.
    #[test]
    fn the_number_of_a_frame_is_read_at_every_length() {
        let head = |second: u8, number: &[u8]| {
            let mut head = [0xff, second, 0xc9, 0x18, 0, 0, 0, 0, 0, 0, 0];
            head[4..4 + number.len()].copy_from_slice(number);
            head
        };
        for number in [0_u32, 1, 0x7f, 0x80, 0x7ff, 0x800, 0xffff, 0x10_0000] {
            let mut bytes = [0; 4];
            let bytes = char::from_u32(number).unwrap().encode_utf8(&mut bytes);
            let found = numbered(&head(0xf8, bytes.as_bytes()), 4096);
            assert_eq!(found, (u64::from(number), 1));
        }
        let longest = head(0xf9, &[0xfe, 0xbf, 0xbf, 0xbf, 0xbf, 0xbf, 0xbf]);
        assert_eq!(numbered(&longest, 576), ((1 << 36) - 1, 576));
    }

    // RFC 9639, section 8.2: "interleaved", "little-endian", "sign-extended to the next byte".
    #[test]
    fn samples_are_laid_out_as_the_checksum_counts_them() {
        let mut out = [0; 8];
        let block = [vec![0.5, -1.0], vec![0.0, -1.0 / 32_768.0]];
        interleave(&block, 16, &mut out);
        assert_eq!(out, [0x00, 0x40, 0, 0, 0x00, 0x80, 0xff, 0xff]);
        let mut out = [0; 3];
        interleave(&[vec![-0.5]], 20, &mut out);
        assert_eq!(out, [0x00, 0x00, 0xfc]);
    }
}
