//! AIFF and AIFF-C (Apple, version 1.3 and draft 08/26/91): where the samples are, and how they
//! are stored.

use std::fs::File;
use std::io::BufReader;

use super::chunks::{Chunk, Chunks, Style};
use super::pcm::{Encoding, Place};
use crate::error::InputErrorKind;

/// What the header of a file says.
pub(super) struct Aiff {
    pub file: BufReader<File>,
    pub sample_rate_hz: u32,
    pub channels: u16,
    /// `None` for what is not plain samples.
    pub encoding: Option<Encoding>,
    pub place: Place,
    /// What its `CHAN` chunk holds; empty where there is none.
    pub layout: Vec<u8>,
}

/// Of more channels than are measured.
const LONGEST_LAYOUT_BYTES: usize = 256;

/// Reads the header of a file.
pub(super) fn open(file: File) -> Result<Aiff, InputErrorKind> {
    let mut chunks = Chunks::new(file, Style::Iff, 12)?;
    let (mut common, mut sound): (Option<Common>, Option<Chunk>) = (None, None);
    let mut layout = Vec::new();
    while let Some(chunk) = chunks.here()?.filter(Chunk::is_plausible) {
        match &chunk.id {
            b"COMM" => {
                let told = usize::try_from(chunk.bytes).unwrap_or(usize::MAX);
                let body = chunks.read(chunk.start, told.min(22))?;
                common = Common::parse(&body);
            }
            // Written ahead of the samples, or not read.
            b"CHAN" => {
                let told = usize::try_from(chunk.bytes).unwrap_or(usize::MAX);
                layout = chunks.read(chunk.start, told.min(LONGEST_LAYOUT_BYTES))?;
            }
            b"SSND" => sound = Some(chunk),
            _ => {}
        }
        if common.is_some() && sound.is_some() {
            break;
        }
        chunks.pass(chunk, chunk.bytes)?;
    }
    let Some(common) = common else {
        return Err(InputErrorKind::CutShort {
            promised_s: None,
            found_s: 0.0,
        });
    };
    let encoding = common.encoding()?;
    let Some(sound) = sound else {
        return Err(if common.frames > 0 {
            InputErrorKind::CutShort {
                promised_s: None,
                found_s: 0.0,
            }
        } else {
            InputErrorKind::Empty
        });
    };
    let offset = chunks.read(sound.start, 4)?;
    let offset = offset
        .first_chunk()
        .map_or(0, |four| u32::from_be_bytes(*four));
    let start = sound.start + SOUND_HEADER + u64::from(offset);
    let held = chunks.size().saturating_sub(start);
    Ok(Aiff {
        file: chunks.into_file(),
        sample_rate_hz: common.sample_rate_hz,
        channels: common.channels,
        encoding,
        layout,
        place: Place {
            start,
            bytes: common.sound_bytes(sound, held),
        },
    })
}

/// Offset and block size, which the samples follow.
const SOUND_HEADER: u64 = 8;
/// From here on a length is what a program writes that cannot know it yet.
const UNKNOWN_FROM: u64 = 0x7f00_0000;

/// The common chunk.
struct Common {
    channels: u16,
    frames: u32,
    bits: u16,
    sample_rate_hz: u32,
    /// AIFF has none.
    compression: Option<[u8; 4]>,
}

impl Common {
    /// `None` if it is not whole.
    fn parse(body: &[u8]) -> Option<Self> {
        let two = |at: usize| Some(u16::from_be_bytes(*body.get(at..)?.first_chunk()?));
        Some(Self {
            channels: two(0)?,
            frames: u32::from_be_bytes(*body.get(2..)?.first_chunk()?),
            bits: two(6)?,
            sample_rate_hz: extended(two(8)?, *body.get(10..)?.first_chunk()?),
            compression: body.get(18..).and_then(|rest| rest.first_chunk()).copied(),
        })
    }

    /// Bytes of samples, of which the file has `held`; `None` where the length was never filled in.
    fn sound_bytes(&self, sound: Chunk, held: u64) -> Option<u64> {
        let frame_bytes = u64::from(self.bits.div_ceil(8)) * u64::from(self.channels);
        let told = u64::from(self.frames) * frame_bytes;
        let is_unknown = if self.frames == 0 {
            sound.bytes != SOUND_HEADER && held > 0
        } else {
            told > held && sound.bytes >= UNKNOWN_FROM
        };
        (!is_unknown).then_some(told)
    }

    fn encoding(&self) -> Result<Option<Encoding>, InputErrorKind> {
        if self.channels == 0 {
            return Err(InputErrorKind::Channels { count: 0 });
        }
        let bytes = u8::try_from(self.bits.div_ceil(8)).unwrap_or(u8::MAX);
        let big_endian = self.compression != Some(*b"sowt");
        match self.compression.as_ref() {
            None | Some(b"NONE" | b"twos" | b"sowt" | b"in24" | b"in32") => match bytes {
                1..=4 => Ok(Some(Encoding::Signed { bytes, big_endian })),
                0 => Err(InputErrorKind::Damaged { at_s: None }),
                _ => Err(InputErrorKind::Unsupported("samples of so many bits")),
            },
            Some(b"fl32" | b"FL32") if bytes == 4 => {
                Ok(Some(Encoding::Float { bytes, big_endian }))
            }
            Some(b"fl64" | b"FL64") if bytes == 8 => {
                Ok(Some(Encoding::Float { bytes, big_endian }))
            }
            Some(b"raw ") if bytes == 1 => Ok(Some(Encoding::Unsigned8)),
            Some(_) => Ok(None),
        }
    }
}

/// A positive IEEE 754 extended number, rounded; 0 where it is out of reach. The mantissa's top
/// bit is the integer bit.
fn extended(exponent: u16, mantissa: [u8; 8]) -> u32 {
    let mantissa = u64::from_be_bytes(mantissa);
    let scale = i32::from(exponent & 0x7fff) - 16_383 - 63;
    let value = mantissa as f64 * 2_f64.powi(scale);
    if exponent < 0x8000 && value < f64::from(u32::MAX) {
        #[expect(clippy::cast_sign_loss, reason = "a mantissa is positive")]
        let rounded = value.round() as u32;
        rounded
    } else {
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Bytes as general-purpose tools write them; 44100 = 0xac44 · 2⁰ with the top bit at 2¹⁵.
    #[test]
    fn sample_rates_are_read_from_80_bits() {
        assert_eq!(extended(0x400e, [0xac, 0x44, 0, 0, 0, 0, 0, 0]), 44_100);
        assert_eq!(extended(0x400e, [0xbb, 0x80, 0, 0, 0, 0, 0, 0]), 48_000);
        assert_eq!(extended(0x4011, [0xbb, 0x80, 0, 0, 0, 0, 0, 0]), 384_000);
        assert_eq!(extended(0, [0; 8]), 0);
        assert_eq!(extended(0xc00e, [0xac, 0x44, 0, 0, 0, 0, 0, 0]), 0);
        assert_eq!(extended(0x7fff, [0xff; 8]), 0);
    }
}
