//! Is this one of the formats that are read, judged by its first bytes?
//!
//! The format library looks for a known start anywhere in the first megabyte, and in compressed or
//! encrypted data it sooner or later finds two bytes that pass for MP3. A measuring command must
//! not print numbers for a picture.

use std::fs::File;
use std::io::{self, Read as _, Seek as _};
use std::path::Path;

use crate::error::InputErrorKind;

/// Reads the first bytes, and leaves the file at its start.
///
/// # Errors
/// The file is unreadable, or begins like no format that is read.
pub(super) fn check_start(file: &mut File, path: &Path) -> Result<(), InputErrorKind> {
    let mut start = Vec::with_capacity(12);
    file.by_ref().take(12).read_to_end(&mut start)?;
    file.seek(io::SeekFrom::Start(0))?;
    if start.is_empty() {
        return Err(InputErrorKind::Empty);
    }
    if is_64_bit_wav(&start) {
        return Err(InputErrorKind::Unsupported(
            "a 64-bit WAV (RF64, BW64, W64)",
        ));
    }
    let is_named_mp3 = path
        .extension()
        .is_some_and(|extension| extension.eq_ignore_ascii_case("mp3"));
    // An MP3 cut out of a stream may begin in the middle of a frame.
    if is_read(&start) || is_named_mp3 {
        Ok(())
    } else {
        Err(InputErrorKind::NotAudio)
    }
}

fn is_read(start: &[u8]) -> bool {
    match start {
        [b'R', b'I', b'F', b'F', rest @ ..] => names_form(rest, &[b"WAVE"]),
        [b'F', b'O', b'R', b'M', rest @ ..] => names_form(rest, &[b"AIFF", b"AIFC"]),
        [b'f', b'L', b'a', b'C', ..] | [b'O', b'g', b'g', b'S', ..] | [b'I', b'D', b'3', ..] => {
            true
        }
        // Eleven bits of synchronisation, then MPEG 1, 2 or 2.5, layer III.
        [0xff, second, ..] => second & 0xe6 == 0xe2 && second & 0x18 != 0x08,
        _ => false,
    }
}

/// Is the form that follows the chunk length one of these? True if the file ends before it tells.
fn names_form(after_id: &[u8], forms: &[&[u8; 4]]) -> bool {
    after_id
        .get(4..8)
        .is_none_or(|form| forms.iter().any(|known| form == *known))
}

fn is_64_bit_wav(start: &[u8]) -> bool {
    start.starts_with(b"RF64")
        || start.starts_with(b"BW64")
        || start.starts_with(b"riff\x2e\x91\xcf\x11")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_bytes_of_each_format_are_known_and_others_are_not() {
        for start in [
            &b"RIFF\x24\0\0\0WAVE"[..],
            b"RIFF\x24",
            b"FORM\0\0\0\x24AIFF",
            b"FORM\0\0\0\x24AIFC",
            b"fLaC\0\0\0\x22\0\0\0\0",
            b"OggS\0\x02\0\0\0\0\0\0",
            b"ID3\x04\0\0\0\0\0\0\0\0",
            b"\xff\xfb\x90\x64\0\0\0\0\0\0\0\0",
            b"\xff\xf3\x40\xc4\0\0\0\0\0\0\0\0",
        ] {
            assert!(is_read(start), "{start:?}");
        }
        for start in [
            &b"RIFF\x24\0\0\0AVI "[..],
            b"FORM\0\0\0\x24ILBM",
            b"\x89PNG\r\n\x1a\n\0\0\0\r",
            b"%PDF-1.7\n%\xe2\xe3",
            b"PK\x03\x04\x14\0\0\0\0\0\0\0",
            b"\0\0\0\x20ftypM4A ",
            b"\xff\xd8\xff\xe0\0\x10JFIF\0\x01",
            b"\xff\xfe<\0h\0t\0m\0l\0",
            b"\xff\xeb\x90\x64\0\0\0\0\0\0\0\0",
        ] {
            assert!(!is_read(start), "{start:?}");
        }
    }

    #[test]
    fn a_64_bit_wav_is_named_as_such() {
        assert!(is_64_bit_wav(b"RF64\xff\xff\xff\xffWAVE"));
        assert!(is_64_bit_wav(b"BW64\xff\xff\xff\xffWAVE"));
        assert!(is_64_bit_wav(b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb"));
        assert!(!is_64_bit_wav(b"RIFF\x24\0\0\0WAVE"));
    }
}
