//! WAV and its 64-bit forms: RIFF (Microsoft, 1991), RF64 and BW64 (EBU Tech 3306, ITU-R BS.2088)
//! and Wave64. Where the samples are, and how they are stored.

use std::fs::File;
use std::io::{self, BufReader};

use super::chunks::{Chunk, Chunks, Style};
use super::pcm::{Encoding, Place};
use crate::error::InputErrorKind;
use crate::wave::{EXTENSIBLE, FLOAT, PCM, PLAIN_GUID};

/// Most bytes of a format chunk that say anything here.
const FORMAT_BYTES: usize = 40;
/// Missing at the end, in frames, this much is no contradiction between two lengths in a header.
const SLACK_FRAMES: u64 = 1152;

/// Which of the forms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    Riff,
    /// RF64 and BW64, which are one.
    Rf64,
    Wave64,
}

/// What the header of a file says.
pub(super) struct Wav {
    pub file: BufReader<File>,
    pub sample_rate_hz: u32,
    pub channels: u16,
    /// Bits of the WAVE list of positions; `None` where the file states none.
    pub mask: Option<u32>,
    /// `None` for what is not plain samples.
    pub encoding: Option<Encoding>,
    pub place: Place,
}

/// Reads the header of a file of this form.
pub(super) fn open(file: File, form: Form) -> Result<Wav, InputErrorKind> {
    let (style, at) = match form {
        Form::Riff | Form::Rf64 => (Style::Riff, 12),
        Form::Wave64 => (Style::Wave64, 40),
    };
    let mut chunks = Chunks::new(file, style, at)?;
    let told = told_size(&mut chunks, form)?;
    let found = walk(&mut chunks, form, at)?;
    let is_cut = told.is_some_and(|told| told > chunks.size());
    let (format, place) = match (found.format, found.data) {
        (Some(format), Some(place)) => (format, place),
        // Unfinished, and so is what stands behind it.
        (_, None) if is_cut || chunks.size() < at + 8 => {
            return Err(InputErrorKind::CutShort {
                promised_s: None,
                found_s: 0.0,
            });
        }
        (Some(_), None) => return Err(InputErrorKind::Empty),
        (None, _) => return Err(InputErrorKind::Damaged { at_s: None }),
    };
    let encoding = format.encoding()?;
    let frame_bytes = format.frame_bytes(encoding);
    let end = place
        .bytes
        .map_or(0, |bytes| place.start.saturating_add(bytes));
    let contradicts = told.is_some_and(|told| end > told.saturating_add(1));
    if contradicts && end > chunks.size().saturating_add(SLACK_FRAMES * frame_bytes) {
        return Err(InputErrorKind::Damaged { at_s: None });
    }
    Ok(Wav {
        file: chunks.into_file(),
        sample_rate_hz: format.sample_rate_hz,
        channels: format.channels,
        mask: format.mask,
        encoding,
        place,
    })
}

/// Bytes that the file has according to its first header; `None` where it does not say.
fn told_size(chunks: &mut Chunks, form: Form) -> io::Result<Option<u64>> {
    let told = chunks.read(4, 4)?;
    let told = told
        .first_chunk()
        .map_or(0, |told| u32::from_le_bytes(*told));
    let is_told = form == Form::Riff && told != 0 && !stands_for_unknown(told);
    Ok(is_told.then(|| u64::from(told) + 8))
}

#[derive(Default)]
struct Found {
    format: Option<Format>,
    data: Option<Place>,
}

/// Walks over the chunks until the format and the samples are found.
fn walk(chunks: &mut Chunks, form: Form, at: u64) -> Result<Found, InputErrorKind> {
    let mut found = Found::default();
    let mut data_bytes_64 = None;
    let mut passed = at;
    loop {
        let Some(chunk) = chunks.here()?.filter(Chunk::is_plausible) else {
            // The chunk before may have told a wrong length; what it hides is looked for.
            let lost = if found.format.is_none() {
                *b"fmt "
            } else {
                *b"data"
            };
            if found.data.is_none() && chunks.search(lost, passed)? {
                passed = chunks.here()?.map_or(u64::MAX, |chunk| chunk.start);
                continue;
            }
            return Ok(found);
        };
        let mut bytes = chunk.bytes;
        match &chunk.id {
            b"fmt " if found.format.is_none() => {
                let told = usize::try_from(bytes).unwrap_or(usize::MAX);
                let body = chunks.read(chunk.start, told.min(FORMAT_BYTES))?;
                found.format = Some(Format::parse(&body)?);
            }
            b"ds64" if form == Form::Rf64 => {
                let body = chunks.read(chunk.start, 16)?;
                data_bytes_64 = body[8.min(body.len())..].first_chunk().copied();
            }
            b"data" if found.data.is_none() => {
                let place = match data_bytes_64.filter(|_| bytes == u64::from(u32::MAX)) {
                    Some(told) => place_64(chunk.start, u64::from_le_bytes(told)),
                    None if form == Form::Wave64 => place_64(chunk.start, bytes),
                    None => place_32(chunks, chunk)?,
                };
                found.data = Some(place);
                match place.bytes {
                    Some(told) => bytes = told,
                    None => return Ok(found),
                }
            }
            _ => {}
        }
        if found.format.is_some() && found.data.is_some() {
            return Ok(found);
        }
        passed = chunk.start;
        chunks.pass(chunk, bytes)?;
    }
}

/// Where the samples are by a length of 64 bits; one that is 0 or absurd is no length.
fn place_64(start: u64, told: u64) -> Place {
    let is_length = (1..1 << 62).contains(&told);
    Place {
        start,
        bytes: is_length.then_some(told),
    }
}

/// Where the samples are by a length of 32 bits.
fn place_32(chunks: &mut Chunks, chunk: Chunk) -> io::Result<Place> {
    let held = chunks.size().saturating_sub(chunk.start);
    let told = chunk.bytes as u32;
    let is_unknown = match told {
        0 => held > 0 && !chunks_fill_the_rest(chunks, chunk)?,
        told => stands_for_unknown(told) && held < chunk.bytes,
    };
    Ok(Place {
        start: chunk.start,
        bytes: (!is_unknown).then(|| unwrapped(chunk.bytes, held)),
    })
}

/// A length of 32 bits that overflowed: what lies behind it would else be 4 GiB of other chunks.
fn unwrapped(told: u64, held: u64) -> u64 {
    told + (held.saturating_sub(told) >> 32 << 32)
}

/// What programs write in place of a length that they cannot know yet: the largest number of 32
/// or of 31 bits, as it is, or less some bytes of header, or cut to whole blocks.
fn stands_for_unknown(told: u32) -> bool {
    told >= 0xffff_f000 || (0x7fff_f000..=0x8000_0000).contains(&told)
}

/// Whether behind an empty chunk there are others, to the very end.
fn chunks_fill_the_rest(chunks: &mut Chunks, empty: Chunk) -> io::Result<bool> {
    let mut before = empty;
    before.bytes = 0;
    loop {
        chunks.pass(before, before.bytes)?;
        match chunks.here()? {
            Some(chunk) if chunk.is_plausible() => before = chunk,
            Some(_) => return Ok(false),
            None => {
                let end = before.start.saturating_add(before.bytes);
                return Ok(end.abs_diff(chunks.size()) <= 1);
            }
        }
    }
}

/// The format chunk.
struct Format {
    tag: u16,
    channels: u16,
    sample_rate_hz: u32,
    block_bytes: u16,
    bits: u16,
    mask: Option<u32>,
}

impl Format {
    fn parse(body: &[u8]) -> Result<Self, InputErrorKind> {
        let two = |at: usize| {
            let two = body.get(at..at + 2).and_then(|two| two.first_chunk());
            two.map(|two| u16::from_le_bytes(*two))
        };
        let four = |at: usize| {
            let four = body.get(at..at + 4).and_then(|four| four.first_chunk());
            four.map(|four| u32::from_le_bytes(*four))
        };
        let basic = || {
            Some(Self {
                tag: two(0)?,
                channels: two(2)?,
                sample_rate_hz: four(4)?,
                block_bytes: two(12)?,
                bits: two(14)?,
                mask: None,
            })
        };
        let mut format = basic().ok_or(InputErrorKind::CutShort {
            promised_s: None,
            found_s: 0.0,
        })?;
        if format.tag == EXTENSIBLE {
            format.mask = four(20).filter(|mask| *mask != 0);
            format.tag = match body.get(26..40) {
                Some(guid) if guid == PLAIN_GUID => two(24).unwrap_or_default(),
                _ => return Err(InputErrorKind::Unsupported("the encoding inside")),
            };
        }
        Ok(format)
    }

    /// Bytes of one sample: the container that the block of a frame leaves for it, or what its
    /// bits need.
    fn sample_bytes(&self) -> u8 {
        let needed = self.bits.div_ceil(8);
        let even = self.channels > 0 && self.block_bytes.is_multiple_of(self.channels);
        let container = if even {
            self.block_bytes / self.channels
        } else {
            0
        };
        u8::try_from(container.max(needed)).unwrap_or(u8::MAX)
    }

    fn encoding(&self) -> Result<Option<Encoding>, InputErrorKind> {
        if self.channels == 0 {
            return Err(InputErrorKind::Channels { count: 0 });
        }
        let big_endian = false;
        match (self.tag, self.sample_bytes()) {
            (PCM, 1) => Ok(Some(Encoding::Unsigned8)),
            (PCM, bytes @ 2..=4) => Ok(Some(Encoding::Signed { bytes, big_endian })),
            (FLOAT, bytes @ (4 | 8)) => Ok(Some(Encoding::Float { bytes, big_endian })),
            (PCM | FLOAT, 0) => Err(InputErrorKind::Damaged { at_s: None }),
            (PCM | FLOAT, _) => Err(InputErrorKind::Unsupported("samples of so many bits")),
            _ => Ok(None),
        }
    }

    fn frame_bytes(&self, encoding: Option<Encoding>) -> u64 {
        let sample = if encoding.is_some() {
            u64::from(self.sample_bytes())
        } else {
            1
        };
        sample * u64::from(self.channels)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_that_overflowed_32_bits_is_told_by_what_lies_behind() {
        const FOUR_GIB: u64 = 1 << 32;
        assert_eq!(unwrapped(1000, FOUR_GIB + 1000), FOUR_GIB + 1000);
        assert_eq!(unwrapped(1000, 2 * FOUR_GIB + 1200), 2 * FOUR_GIB + 1000);
        assert_eq!(unwrapped(1000, 1200), 1000);
        assert_eq!(unwrapped(1000, 500), 1000);
    }

    #[test]
    fn what_streaming_programs_write_is_no_length() {
        for told in [
            0xffff_ffff,
            0xffff_ffff - 36,
            0x7fff_ffff,
            0x7fff_f000,
            0x8000_0000,
        ] {
            assert!(stands_for_unknown(told), "{told:#x}");
        }
        for told in [1, 0x7fff_0000, 0x8000_1000, 0xffff_0000] {
            assert!(!stands_for_unknown(told), "{told:#x}");
        }
    }
}
