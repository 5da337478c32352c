//! The audio inside a file, without the tags around it, as a stream of bytes for a decoder.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use symphonia::core::io::MediaSource;

/// A stretch of a file, after some bytes of our own.
pub(super) struct Stream {
    head: Vec<u8>,
    file: File,
    /// Where the stretch lies in the file.
    start: u64,
    end: u64,
    /// Position in head and stretch together.
    at: u64,
}

impl Stream {
    /// `head`, and then the bytes from `start` to `end`.
    pub fn new(head: Vec<u8>, mut file: File, start: u64, end: u64) -> io::Result<Self> {
        file.seek(SeekFrom::Start(start))?;
        Ok(Self {
            head,
            file,
            start,
            end: end.max(start),
            at: 0,
        })
    }

    fn length(&self) -> u64 {
        self.head.len() as u64 + self.end - self.start
    }
}

impl Read for Stream {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let at = usize::try_from(self.at).unwrap_or(usize::MAX);
        let read = match self.head.get(at..) {
            Some(mut head) if !head.is_empty() => head.read(buffer)?,
            _ => {
                let left = self.length().saturating_sub(self.at);
                let most =
                    usize::try_from(left).map_or(buffer.len(), |left| left.min(buffer.len()));
                self.file.read(&mut buffer[..most])?
            }
        };
        self.at += read as u64;
        Ok(read)
    }
}

impl Seek for Stream {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
            SeekFrom::End(by) => self.length().checked_add_signed(by),
        };
        self.at = at.ok_or(io::ErrorKind::InvalidInput)?;
        let in_file = self.at.saturating_sub(self.head.len() as u64);
        self.file
            .seek(SeekFrom::Start(self.start.saturating_add(in_file)))?;
        Ok(self.at)
    }
}

impl MediaSource for Stream {
    fn is_seekable(&self) -> bool {
        // Read once from its start to its end.
        false
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.length())
    }
}

/// Up to `most` bytes from `at` on; fewer where the file ends.
pub(super) fn bytes_at(file: &mut File, at: u64, most: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.seek(SeekFrom::Start(at))?;
    file.take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Bytes of the header of an `ID3v2` tag, of the whole of an `ID3v1` tag, and of the header or the
/// footer of an `APEv2` tag.
const ID3V2_HEADER: usize = 10;
pub(super) const ID3V1: u64 = 128;
pub(super) const APE_FOOTER: u64 = 32;

/// First byte behind the tags at the start of a file (`ID3v2`, id3.org), of which there may be
/// several. What they hold is not looked at.
pub(super) fn after_id3v2(file: &mut File) -> io::Result<u64> {
    let mut at = 0;
    loop {
        let header = bytes_at(file, at, ID3V2_HEADER as u64)?;
        let Some(bytes) = header.first_chunk().and_then(id3v2_bytes) else {
            return Ok(at);
        };
        at += bytes;
    }
}

/// Bytes of the tag that begins so, all in all; `None` if none does.
pub(super) fn id3v2_bytes(header: &[u8; ID3V2_HEADER]) -> Option<u64> {
    const HAS_FOOTER: u8 = 0x10;
    let [b'I', b'D', b'3', _, _, flags, size @ ..] = header else {
        return None;
    };
    // Seven bits a byte.
    let size = size
        .iter()
        .fold(0, |size, byte| size << 7 | u64::from(byte & 0x7f));
    let ends = if flags & HAS_FOOTER == 0 { 1 } else { 2 };
    Some(ends * ID3V2_HEADER as u64 + size)
}

/// Last byte before the tags at the end of a file: `ID3v1` (id3.org) and `APEv2` (its
/// specification, version 2.0).
pub(super) fn before_end_tags(file: &mut File) -> io::Result<u64> {
    let mut end = file.metadata()?.len();
    loop {
        if end >= ID3V1 && bytes_at(file, end - ID3V1, 3)? == b"TAG" {
            end -= ID3V1;
            continue;
        }
        let footer = bytes_at(file, end.saturating_sub(APE_FOOTER), APE_FOOTER)?;
        let Some([_, _, _, _, s0, s1, s2, s3, _, _, _, _, f0, f1, f2, f3, ..]) = footer
            .strip_prefix(b"APETAGEX")
            .and_then(|rest| rest.first_chunk::<24>())
        else {
            return Ok(end);
        };
        // The size counts the items and the footer; the top flag tells of a header besides.
        let size = u64::from(u32::from_le_bytes([*s0, *s1, *s2, *s3]));
        let has_header = u32::from_le_bytes([*f0, *f1, *f2, *f3]) >> 31 == 1;
        let header = if has_header { APE_FOOTER } else { 0 };
        match end.checked_sub(size.max(APE_FOOTER) + header) {
            Some(before) => end = before,
            None => return Ok(end - APE_FOOTER),
        }
    }
}
