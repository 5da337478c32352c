//! What lies between the frames of an MP3, which a decoder passes over without a word.

use std::fs::File;
use std::io::{self, BufReader, Read as _, Seek as _, SeekFrom};

use super::stream::{APE_FOOTER, ID3V1, id3v2_bytes};

/// Bytes that are neither in a frame nor in a tag.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct PassedOver {
    /// In front of some frame, but not of the first: a file cut out of a stream begins in the midst
    /// of one.
    pub between: u64,
    /// Behind the last whole frame.
    pub behind: u64,
}

/// Goes from frame to frame through the bytes from `start` to `end`.
pub(super) fn passed_over(file: &File, start: u64, end: u64) -> io::Result<PassedOver> {
    let mut walk = Walk {
        file: BufReader::new(file),
        at: 0,
        end,
    };
    walk.go(start)?;
    let mut found = PassedOver::default();
    let mut is_first = true;
    loop {
        let next = walk.whole()?;
        if let Some(next) = next {
            walk.go(next)?;
            is_first = false;
            continue;
        }
        let lost = walk.at;
        if !walk.search()? {
            found.behind = end - lost;
            return Ok(found);
        }
        if !is_first {
            found.between += walk.at - lost;
        }
    }
}

struct Walk<'a> {
    file: BufReader<&'a File>,
    at: u64,
    end: u64,
}

impl Walk<'_> {
    fn go(&mut self, to: u64) -> io::Result<()> {
        // Past the end of the file there is nothing to read, and no error.
        match i64::try_from(i128::from(to) - i128::from(self.at)) {
            Ok(by) if self.at > 0 => self.file.seek_relative(by)?,
            _ => drop(self.file.seek(SeekFrom::Start(to))?),
        }
        self.at = to;
        Ok(())
    }

    /// Up to so many bytes from here, which is not left; zeros for what lies behind the end.
    fn peek<const BYTES: usize>(&mut self) -> io::Result<[u8; BYTES]> {
        let mut bytes = [0; BYTES];
        let left = usize::try_from(self.end.saturating_sub(self.at)).unwrap_or(usize::MAX);
        let mut read = 0;
        while read < BYTES.min(left) {
            match self.file.read(&mut bytes[read..BYTES.min(left)])? {
                0 => break,
                more => read += more,
            }
        }
        let here = self.at;
        self.at += read as u64;
        self.go(here)?;
        Ok(bytes)
    }

    /// Where the whole frame or tag ends that begins here.
    fn whole(&mut self) -> io::Result<Option<u64>> {
        let head = self.peek()?;
        let frame = frame_bytes(&head);
        let bytes = frame.or_else(|| tag_bytes(&head, self.end.saturating_sub(self.at)));
        let end = bytes.map(|bytes| self.at.saturating_add(bytes));
        let Some(end) = end.filter(|end| *end <= self.end) else {
            return Ok(None);
        };
        if frame.is_some() {
            return Ok(Some(end));
        }
        // Tags may be padded by more than they tell.
        let here = self.at;
        self.go(end)?;
        while self.at < self.end && self.peek::<1>()? == [0] {
            self.go(self.at + 1)?;
        }
        let padded = self.at;
        self.go(here)?;
        Ok(Some(padded))
    }

    /// Goes to the next frame behind here that another frame, a tag or the end follows; false if
    /// there is none.
    fn search(&mut self) -> io::Result<bool> {
        while self.at + 4 < self.end {
            self.go(self.at + 1)?;
            let here = self.at;
            if frame_bytes(&self.peek::<4>()?).is_some()
                && let Some(next) = self.whole()?
            {
                self.go(next)?;
                let follows = self.at == self.end || self.whole()?.is_some();
                self.go(here)?;
                if follows {
                    return Ok(true);
                }
            }
        }
        Ok(false)
    }
}

/// Bytes of the tag that begins so, with so many left in the file.
fn tag_bytes(head: &[u8; 16], left: u64) -> Option<u64> {
    if head.starts_with(b"TAG") {
        return Some(ID3V1);
    }
    if head.starts_with(b"APETAGEX") {
        let [.., a, b, c, d] = *head;
        return Some(APE_FOOTER + u64::from(u32::from_le_bytes([a, b, c, d])));
    }
    // It stands behind the audio, whatever its length.
    if head.starts_with(b"LYRICSBEGIN") {
        return Some(left);
    }
    head.first_chunk().and_then(id3v2_bytes)
}

/// Bytes of the frame that begins so (ISO/IEC 11172-3, section 2.4.2.3, and ISO/IEC 13818-3):
/// MPEG 1, 2 or 2.5, layer III, at a bit rate of the table.
pub(super) fn frame_bytes(head: &[u8]) -> Option<u64> {
    const MPEG_1_KBPS: [u64; 15] = [
        0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320,
    ];
    const MPEG_2_KBPS: [u64; 15] = [0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160];
    const MPEG_1_HZ: [u64; 3] = [44_100, 48_000, 32_000];
    let &[0xff, second, third, ..] = head else {
        return None;
    };
    if second & 0xe6 != 0xe2 {
        return None;
    }
    // Frames of half the samples, at half the rates and a quarter of them.
    let (table, half, divisor) = match second >> 3 & 3 {
        3 => (MPEG_1_KBPS, 1, 1),
        2 => (MPEG_2_KBPS, 2, 2),
        0 => (MPEG_2_KBPS, 2, 4),
        _ => return None,
    };
    let kbps = *table
        .get(usize::from(third >> 4))
        .filter(|kbps| **kbps > 0)?;
    let hz = MPEG_1_HZ.get(usize::from(third >> 2 & 3))? / divisor;
    Some(144_000 / half * kbps / hz + u64::from(third >> 1 & 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write as _;

    // 144 · 128000 / 44100 = 417.96 (ISO/IEC 11172-3, section 2.4.3.1), rounded down, and padded by
    // a byte; half of that at the lower rates.
    #[test]
    fn frames_are_as_long_as_the_standard_says() {
        for (head, bytes) in [
            ([0xff, 0xfb, 0x90, 0x64], Some(417)),
            ([0xff, 0xfb, 0x92, 0x64], Some(418)),
            ([0xff, 0xfa, 0xe4, 0x00], Some(960)),
            ([0xff, 0xf3, 0x80, 0xc4], Some(208)),
            ([0xff, 0xe3, 0x28, 0xc4], Some(144)),
            ([0xff, 0xfb, 0x00, 0x64], None),
            ([0xff, 0xfb, 0xf0, 0x64], None),
            ([0xff, 0xfb, 0x9c, 0x64], None),
            ([0xff, 0xfd, 0x90, 0x64], None),
        ] {
            assert_eq!(frame_bytes(&head), bytes, "{head:x?}");
        }
    }

    #[test]
    fn only_what_is_neither_frame_nor_tag_is_counted() {
        let frame = || [&[0xff, 0xfb, 0x90, 0x64][..], &[0x55; 413]].concat();
        let id3v2 = || [&b"ID3\x04\0\0\0\0\0\x05cover"[..], &[0; 40]].concat();
        let id3v1 = || [&b"TAG"[..], &[b' '; 125]].concat();
        let ape = || [&b"APETAGEX\0\0\0\0\x28\0\0\0"[..], &[1; 56]].concat();
        let lyrics = || b"LYRICSBEGIN and so on".to_vec();
        let junk = |bytes: usize| vec![0x11; bytes];
        let [head, tail] = [&frame()[..200], &frame()[217..]].map(<[u8]>::to_vec);
        for (parts, between, behind) in [
            (vec![frame(), frame(), frame()], 0, 0),
            (
                vec![frame(), id3v1(), id3v2(), frame(), ape(), frame()],
                0,
                0,
            ),
            (vec![frame(), frame(), lyrics()], 0, 0),
            (vec![tail, frame(), frame()], 0, 0),
            (vec![junk(70_000), frame(), frame()], 0, 0),
            (vec![frame(), junk(70_000), frame(), frame()], 70_000, 0),
            (vec![frame(), vec![0; 900], frame(), id3v1()], 900, 0),
            (vec![frame(), frame(), head], 0, 200),
            (vec![frame(), frame(), vec![0; 3]], 0, 3),
            (vec![junk(2_000)], 0, 2_000),
            (vec![], 0, 0),
        ] {
            let mut file = tempfile::tempfile().unwrap();
            // A tag in front, which is none of its business.
            let bytes = [vec![7; 10], parts.concat()].concat();
            file.write_all(&bytes).unwrap();
            let found = passed_over(&file, 10, bytes.len() as u64).unwrap();
            let lengths: Vec<usize> = parts.iter().map(Vec::len).collect();
            assert_eq!(found, PassedOver { between, behind }, "{lengths:?}");
        }
    }
}
