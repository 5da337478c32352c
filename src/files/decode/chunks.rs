//! The chunks that WAV, its 64-bit forms and AIFF are made of.
//!
//! Only headers are read here: what stands inside a chunk of metadata cannot hurt the audio.

use std::fs::File;
use std::io::{self, BufReader, Read as _, Seek as _, SeekFrom};

/// How chunks are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Style {
    /// RIFF, RF64 and BW64: four letters, a little-endian length of 32 bits, padded to even.
    Riff,
    /// AIFF (EA IFF 85): four letters, a big-endian length of 32 bits, padded to even.
    Iff,
    /// Wave64: a GUID, a little-endian length of 64 bits that counts its own 24 bytes, padded to
    /// eight.
    Wave64,
}

/// One chunk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Chunk {
    /// Its four letters; in Wave64 the first four bytes of its GUID.
    pub id: [u8; 4],
    /// First byte behind the header.
    pub start: u64,
    /// Length behind the header, as it is written.
    pub bytes: u64,
}

impl Chunk {
    /// Whether the name can be one at all: four printable characters.
    pub fn is_plausible(&self) -> bool {
        is_name(self.id)
    }
}

fn is_name(id: [u8; 4]) -> bool {
    id.iter().all(|byte| (0x20..0x7f).contains(byte))
}

/// Chunks that are met beside the audio; they decide whether an odd one before was padded.
const KNOWN: [[u8; 4]; 16] = [
    *b"data", *b"fmt ", *b"fact", *b"LIST", *b"bext", *b"id3 ", *b"ID3 ", *b"cue ", *b"smpl",
    *b"inst", *b"JUNK", *b"iXML", *b"PEAK", *b"COMM", *b"SSND", *b"MARK",
];

/// Farthest that a lost chunk is looked for, bytes.
const REACH: u64 = 16 << 20;

/// The chunks of one file, one after the other.
pub(super) struct Chunks {
    file: BufReader<File>,
    style: Style,
    at: u64,
    size: u64,
}

impl Chunks {
    /// From the byte `at` on.
    pub fn new(file: File, style: Style, at: u64) -> io::Result<Self> {
        let size = file.metadata()?.len();
        let file = BufReader::new(file);
        Ok(Self {
            file,
            style,
            at,
            size,
        })
    }

    /// Bytes in the whole file.
    pub fn size(&self) -> u64 {
        self.size
    }

    pub fn into_file(self) -> BufReader<File> {
        self.file
    }

    /// The chunk that begins here; `None` where the file ends.
    pub fn here(&mut self) -> io::Result<Option<Chunk>> {
        let four = |bytes: &[u8]| bytes.first_chunk::<4>().copied().unwrap_or_default();
        let length = if self.style == Style::Wave64 { 24 } else { 8 };
        let header = self.read(self.at, length)?;
        if header.len() < length {
            return Ok(None);
        }
        let bytes = match self.style {
            Style::Riff => u64::from(u32::from_le_bytes(four(&header[4..]))),
            Style::Iff => u64::from(u32::from_be_bytes(four(&header[4..]))),
            Style::Wave64 => {
                let own = header[16..].first_chunk::<8>().copied();
                u64::from_le_bytes(own.unwrap_or_default()).saturating_sub(24)
            }
        };
        Ok(Some(Chunk {
            id: four(&header),
            start: self.at + length as u64,
            bytes,
        }))
    }

    /// Up to `most` bytes from `from` on; fewer where the file ends.
    pub fn read(&mut self, from: u64, most: usize) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::with_capacity(most);
        self.file.seek(SeekFrom::Start(from))?;
        self.file
            .by_ref()
            .take(most as u64)
            .read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    /// Goes to what follows a chunk of `bytes` bytes, padded or, as some writers leave it, not.
    pub fn pass(&mut self, chunk: Chunk, bytes: u64) -> io::Result<()> {
        // No file goes on behind its end, and not every place there can be gone to.
        let end = chunk.start.saturating_add(bytes).min(self.size);
        self.at = match self.style {
            Style::Wave64 => end.checked_next_multiple_of(8).unwrap_or(u64::MAX),
            Style::Riff | Style::Iff if end % 2 == chunk.start % 2 => end,
            Style::Riff | Style::Iff => {
                let next = self.read(end, 5)?;
                end.saturating_add(u64::from(!is_unpadded(&next)))
            }
        };
        Ok(())
    }

    /// Looks for a chunk of this name from `from` on that fits into the file, and goes there.
    pub fn search(&mut self, id: [u8; 4], from: u64) -> io::Result<bool> {
        const WINDOW: usize = 1 << 16;
        let (mut start, end) = (from, from.saturating_add(REACH).min(self.size));
        while start < end {
            let window = self.read(start, WINDOW)?;
            for (offset, _) in (0..).zip(window.windows(4)).filter(|(_, four)| *four == id) {
                self.at = start + offset;
                let end = |chunk: Chunk| chunk.start.saturating_add(chunk.bytes);
                if self.here()?.map(end).is_some_and(|end| end <= self.size) {
                    return Ok(true);
                }
            }
            // The name may lie across two windows.
            start += (WINDOW - 3) as u64;
        }
        Ok(false)
    }
}

/// Whether a chunk's name begins at the first of five bytes behind an odd chunk rather than at
/// the second.
fn is_unpadded(next: &[u8]) -> bool {
    let [first @ .., _] = next else { return false };
    let [pad, second @ ..] = next else {
        return false;
    };
    let (Ok(first), Ok(second)) = (first.try_into(), second.try_into()) else {
        return false;
    };
    if KNOWN.contains(&second) {
        return false;
    }
    KNOWN.contains(&first) || *pad != 0 && is_name(first) && !is_name(second)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_odd_chunk_is_padded_unless_the_next_name_follows_at_once() {
        for padded in [b"\0data", b"\0abcd", b"xdata", b" LIST", b"\0\0\0\0\0"] {
            assert!(!is_unpadded(padded), "{padded:?}");
        }
        for unpadded in [b"data\x10", b"dataa", b"LIST ", b"abcd\x07"] {
            assert!(is_unpadded(unpadded), "{unpadded:?}");
        }
        assert!(!is_unpadded(b""));
        assert!(!is_unpadded(b"\0"));
    }
}
