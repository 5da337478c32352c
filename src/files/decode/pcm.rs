//! Samples as they are: integers and floats, interleaved, from a known place in a file.

use std::fs::File;
use std::io::{BufReader, Read as _, Seek as _, SeekFrom};

use crate::error::InputErrorKind;

/// Frames that are read at once.
const BLOCK_FRAMES: u64 = 4096;

/// How one sample is stored. Integers narrower than their bytes are left-justified, so that full
/// scale is that of the bytes (Microsoft, "Multiple Channel Audio Data and WAVE Files").
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Encoding {
    /// Offset binary, one byte.
    Unsigned8,
    /// Two's complement of 1 to 4 bytes.
    Signed { bytes: u8, big_endian: bool },
    /// IEEE 754 of 4 or 8 bytes.
    Float { bytes: u8, big_endian: bool },
}

impl Encoding {
    fn bytes(self) -> u8 {
        match self {
            Self::Unsigned8 => 1,
            Self::Signed { bytes, .. } | Self::Float { bytes, .. } => bytes,
        }
    }
}

/// Where in a file the samples lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Place {
    /// First byte.
    pub start: u64,
    /// Length that the header tells, bytes; `None` for up to the end of the file.
    pub bytes: Option<u64>,
}

/// Reads interleaved samples.
pub(super) struct PcmReader {
    file: BufReader<File>,
    encoding: Encoding,
    channels: usize,
    /// Whole frames that the header tells or, without a length, that the file holds.
    frames: u64,
    /// Frames that are left to be read of those.
    left: u64,
    bytes: Vec<u8>,
}

impl PcmReader {
    /// A reader from the first sample on. `channels` must not be 0.
    pub fn new(
        mut file: BufReader<File>,
        place: Place,
        encoding: Encoding,
        channels: usize,
    ) -> Result<Self, InputErrorKind> {
        let size = file.get_ref().metadata()?.len();
        let bytes = place
            .bytes
            .unwrap_or_else(|| size.saturating_sub(place.start));
        file.seek(SeekFrom::Start(place.start))?;
        let frames = bytes / frame_bytes(encoding, channels);
        Ok(Self {
            file,
            encoding,
            channels,
            frames,
            left: frames,
            bytes: Vec::new(),
        })
    }

    /// Frames in all, as the header tells.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Passes over frames without reading them; how many, fewer only where the audio ends, and
    /// their bytes.
    pub fn skip(&mut self, frames: u64) -> Result<(u64, u64), InputErrorKind> {
        let at = self.file.stream_position()?;
        let held = self.file.get_ref().metadata()?.len().saturating_sub(at);
        let frame_bytes = frame_bytes(self.encoding, self.channels);
        let frames = frames.min(self.left).min(held / frame_bytes);
        self.file.seek(SeekFrom::Start(at + frames * frame_bytes))?;
        self.left -= frames;
        Ok((frames, frames * frame_bytes))
    }

    /// Fills one vector a channel; the number of bytes used, 0 at the end of the audio or of the
    /// file.
    pub fn next(&mut self, block: &mut [Vec<f32>]) -> Result<u64, InputErrorKind> {
        let frame_bytes = frame_bytes(self.encoding, self.channels);
        let wanted = self.left.min(BLOCK_FRAMES) * frame_bytes;
        self.bytes.clear();
        self.file
            .by_ref()
            .take(wanted)
            .read_to_end(&mut self.bytes)?;
        let found = self.bytes.len() as u64;
        self.left -= found / frame_bytes;
        if found < wanted {
            self.left = 0;
        }
        let whole = (found - found % frame_bytes) as usize;
        spread(&self.bytes[..whole], self.encoding, block);
        Ok(whole as u64)
    }
}

fn frame_bytes(encoding: Encoding, channels: usize) -> u64 {
    u64::from(encoding.bytes()) * channels as u64
}

fn spread(bytes: &[u8], encoding: Encoding, block: &mut [Vec<f32>]) {
    const TO_FLOAT: f32 = 1.0 / (1_u32 << 31) as f32;
    let integer = |bytes: [u8; 4]| i32::from_be_bytes(bytes) as f32 * TO_FLOAT;
    match encoding {
        Encoding::Unsigned8 => planes(bytes, block, |[a]| integer([a ^ 0x80, 0, 0, 0])),
        Encoding::Signed { bytes: 1, .. } => planes(bytes, block, |[a]| integer([a, 0, 0, 0])),
        Encoding::Signed {
            bytes: 2,
            big_endian,
        } => {
            if big_endian {
                planes(bytes, block, |[a, b]| integer([a, b, 0, 0]));
            } else {
                planes(bytes, block, |[a, b]| integer([b, a, 0, 0]));
            }
        }
        Encoding::Signed {
            bytes: 3,
            big_endian,
        } => {
            if big_endian {
                planes(bytes, block, |[a, b, c]| integer([a, b, c, 0]));
            } else {
                planes(bytes, block, |[a, b, c]| integer([c, b, a, 0]));
            }
        }
        Encoding::Signed { big_endian, .. } => {
            if big_endian {
                planes(bytes, block, integer);
            } else {
                planes(bytes, block, |[a, b, c, d]| integer([d, c, b, a]));
            }
        }
        Encoding::Float {
            bytes: 4,
            big_endian,
        } => {
            if big_endian {
                planes(bytes, block, f32::from_be_bytes);
            } else {
                planes(bytes, block, f32::from_le_bytes);
            }
        }
        Encoding::Float { big_endian, .. } => {
            if big_endian {
                planes(bytes, block, |eight| f64::from_be_bytes(eight) as f32);
            } else {
                planes(bytes, block, |eight| f64::from_le_bytes(eight) as f32);
            }
        }
    }
}

/// Takes interleaved samples of `N` bytes apart.
fn planes<const N: usize>(bytes: &[u8], block: &mut [Vec<f32>], sample: impl Fn([u8; N]) -> f32) {
    let channels = block.len();
    let (samples, _) = bytes.as_chunks::<N>();
    for (channel, plane) in block.iter_mut().enumerate() {
        plane.clear();
        let own = samples.iter().skip(channel).step_by(channels);
        plane.extend(own.map(|bytes| sample(*bytes)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(bytes: &[u8], encoding: Encoding) -> Vec<f32> {
        let mut block = [Vec::new()];
        spread(bytes, encoding, &mut block);
        block[0].clone()
    }

    // Closed form: an integer of n bits is its value over 2ⁿ⁻¹.
    #[test]
    fn every_way_of_storing_a_half_and_minus_one_reads_so() {
        let signed = |bytes, big_endian| Encoding::Signed { bytes, big_endian };
        let float = |bytes, big_endian| Encoding::Float { bytes, big_endian };
        let halves: [(&[u8], Encoding); 12] = [
            (&[0xc0, 0x00], Encoding::Unsigned8),
            (&[0x40, 0x80], signed(1, true)),
            (&[0x00, 0x40, 0x00, 0x80], signed(2, false)),
            (&[0x40, 0x00, 0x80, 0x00], signed(2, true)),
            (&[0, 0, 0x40, 0, 0, 0x80], signed(3, false)),
            (&[0x40, 0, 0, 0x80, 0, 0], signed(3, true)),
            (&[0, 0, 0, 0x40, 0, 0, 0, 0x80], signed(4, false)),
            (&[0x40, 0, 0, 0, 0x80, 0, 0, 0], signed(4, true)),
            (&[0, 0, 0, 0x3f, 0, 0, 0x80, 0xbf], float(4, false)),
            (&[0x3f, 0, 0, 0, 0xbf, 0x80, 0, 0], float(4, true)),
            (
                &[0, 0, 0, 0, 0, 0, 0xe0, 0x3f, 0, 0, 0, 0, 0, 0, 0xf0, 0xbf],
                float(8, false),
            ),
            (
                &[0x3f, 0xe0, 0, 0, 0, 0, 0, 0, 0xbf, 0xf0, 0, 0, 0, 0, 0, 0],
                float(8, true),
            ),
        ];
        for (bytes, encoding) in halves {
            assert_eq!(read(bytes, encoding), [0.5, -1.0], "{encoding:?}");
        }
    }

    #[test]
    fn channels_are_taken_apart_in_their_order() {
        let mut block = [vec![9.0], Vec::new(), Vec::new()];
        let encoding = Encoding::Signed {
            bytes: 2,
            big_endian: true,
        };
        let bytes = [0x10, 0, 0x20, 0, 0x30, 0, 0x40, 0, 0x50, 0, 0x60, 0];
        spread(&bytes, encoding, &mut block);
        let eighths = |a: f32, b: f32| vec![a / 8.0, b / 8.0];
        assert_eq!(
            block,
            [eighths(1.0, 4.0), eighths(2.0, 5.0), eighths(3.0, 6.0)]
        );
    }
}
