//! Is this one of the formats that are read, judged by its first bytes?
//!
//! The format library looks for a known start anywhere in the first megabyte, and in compressed or
//! encrypted data it sooner or later finds two bytes that pass for MP3. A measuring command must
//! not print numbers for a picture.

use std::fs::File;
use std::path::Path;

use super::stream::{after_id3v2, bytes_at};
use super::wav::Form;
use crate::error::InputErrorKind;

/// A format that is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Format {
    Wav(Form),
    Aiff,
    /// From this byte on.
    Flac(u64),
    /// From this byte on.
    Mp3(u64),
    Ogg,
}

/// Which format the first bytes are; tags in front are passed over.
///
/// # Errors
/// The file is unreadable, empty, or begins like no format that is read.
pub(super) fn format(file: &mut File, path: &Path) -> Result<Format, InputErrorKind> {
    let first = bytes_at(file, 0, 16)?;
    if first.is_empty() {
        return Err(InputErrorKind::Empty);
    }
    if let Some(format) = by_first_bytes(&first) {
        return Ok(format);
    }
    let start = after_id3v2(file)?;
    let behind_tags = bytes_at(file, start, 4)?;
    let is_named_mp3 = path
        .extension()
        .is_some_and(|extension| extension.eq_ignore_ascii_case("mp3"));
    if behind_tags == b"fLaC" {
        Ok(Format::Flac(start))
    } else if start > 0 || is_named_mp3 || is_mp3_frame(&behind_tags) {
        // An MP3 cut out of a stream may begin in the middle of a frame.
        Ok(Format::Mp3(start))
    } else {
        Err(InputErrorKind::NotAudio)
    }
}

fn by_first_bytes(first: &[u8]) -> Option<Format> {
    match first {
        [b'R', b'I', b'F', b'F', rest @ ..] => {
            names_form(rest, &[b"WAVE"], Format::Wav(Form::Riff))
        }
        [b'R', b'F', b'6', b'4', rest @ ..] | [b'B', b'W', b'6', b'4', rest @ ..] => {
            names_form(rest, &[b"WAVE"], Format::Wav(Form::Rf64))
        }
        [b'F', b'O', b'R', b'M', rest @ ..] => names_form(rest, &[b"AIFF", b"AIFC"], Format::Aiff),
        [b'O', b'g', b'g', b'S', ..] => Some(Format::Ogg),
        // The GUID that Wave64 begins with.
        first if first == b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\0\0" => {
            Some(Format::Wav(Form::Wave64))
        }
        _ => None,
    }
}

/// Is the form that follows the chunk length one of these? True if the file ends before it tells.
fn names_form(after_id: &[u8], forms: &[&[u8; 4]], format: Format) -> Option<Format> {
    let named = after_id.get(4..8);
    named
        .is_none_or(|form| forms.iter().any(|known| form == *known))
        .then_some(format)
}

/// Eleven bits of synchronisation, then MPEG 1, 2 or 2.5, layer III.
fn is_mp3_frame(first: &[u8]) -> bool {
    matches!(first, [0xff, second, ..] if second & 0xe6 == 0xe2 && second & 0x18 != 0x08)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_bytes_of_each_format_are_known_and_others_are_not() {
        let riff = Some(Format::Wav(Form::Riff));
        let rf64 = Some(Format::Wav(Form::Rf64));
        let wave64 = Some(Format::Wav(Form::Wave64));
        for (first, format) in [
            (&b"RIFF\x24\0\0\0WAVE"[..], riff),
            (b"RIFF\x24", riff),
            (b"RF64\xff\xff\xff\xffWAVE", rf64),
            (b"BW64\xff\xff\xff\xffWAVE", rf64),
            (b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\0\0", wave64),
            (b"FORM\0\0\0\x24AIFF", Some(Format::Aiff)),
            (b"FORM\0\0\0\x24AIFC", Some(Format::Aiff)),
            (b"OggS\0\x02\0\0\0\0\0\0", Some(Format::Ogg)),
            (b"RIFF\x24\0\0\0AVI ", None),
            (b"FORM\0\0\0\x24ILBM", None),
            (b"\x89PNG\r\n\x1a\n\0\0\0\r", None),
        ] {
            assert_eq!(by_first_bytes(first), format, "{first:?}");
        }
    }

    #[test]
    fn frames_of_layer_iii_are_known_and_what_resembles_them_is_not() {
        for first in [b"\xff\xfb\x90\x64", b"\xff\xf3\x40\xc4"] {
            assert!(is_mp3_frame(first), "{first:?}");
        }
        for first in [
            &b"%PDF"[..],
            b"PK\x03\x04",
            b"\xff\xd8\xff\xe0",
            b"\xff\xfe<\0",
            b"\xff\xeb\x90\x64",
            b"",
        ] {
            assert!(!is_mp3_frame(first), "{first:?}");
        }
    }
}
