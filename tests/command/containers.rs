//! WAV as programs write it: lengths that were never filled in, odd headers, and the 64-bit forms.

#![expect(
    clippy::unwrap_used,
    reason = "a test fails by panicking, in its helpers too"
)]

use super::sound_files::{Stored, aiff, folder, measure, measure_json, text, tone, wav};
use kit::sound_files::{big_riff, chunk, rf64, wave64};

use crestline_files::AudioFile;
use serde_json::Value;
use std::fs;
use std::path::Path;

/// What the tone of these files reads: EBU Tech 3341, table 1: a 1 kHz stereo tone with its peak at
/// x dBFS reads x LUFS.
const LEVEL: f64 = -18.0;
const TOLERANCE_LU: f64 = 0.05;
/// Where the lengths stand in the plain files of [`wav`].
const RIFF_LENGTH: usize = 4;
const DATA_LENGTH: usize = 40;

fn stereo() -> Vec<Vec<f64>> {
    vec![tone(48_000, 1000.0, LEVEL, 2.0); 2]
}

fn plain() -> Vec<u8> {
    wav(48_000, Stored::Int24, None, &stereo())
}

/// The samples of a plain file.
fn data() -> Vec<u8> {
    plain()[DATA_LENGTH + 4..].to_vec()
}

/// The format chunk of a plain file.
fn format() -> Vec<u8> {
    plain()[20..36].to_vec()
}

fn put(bytes: &mut [u8], at: usize, length: u32) {
    bytes[at..at + 4].copy_from_slice(&length.to_le_bytes());
}

fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = [&b"WAVE"[..], &chunks.concat()].concat();
    chunk(*b"RIFF", &body)
}

/// The file is measured, whole, and reads what its tone reads; on standard error stand `notes`
/// lines.
#[track_caller]
fn assert_reads(folder: &Path, name: &str, bytes: &[u8], lufs: f64, notes: usize) {
    fs::write(folder.join(name), bytes).unwrap();
    let output = measure(folder, &["--json", name]);
    let told = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{told}");
    let object = &serde_json::from_slice::<Vec<Value>>(&output.stdout).unwrap()[0];
    assert_eq!(object["duration_s"], 2.0, "{name}");
    let loudness = object["integrated_lufs"].as_f64().unwrap();
    assert!((loudness - lufs).abs() < TOLERANCE_LU, "{name}: {loudness}");
    assert_eq!(told.lines().count(), notes, "{told}");
}

// A program that writes into a pipe cannot know the length, and writes one of these.
#[test]
fn lengths_that_were_never_filled_in_are_the_rest_of_the_file() {
    let folder = folder("streamed");
    for length in [0, 0x7fff_ffff, 0x7fff_f000, 0xffff_ffff, 0xffff_ffff - 36] {
        let mut bytes = plain();
        put(&mut bytes, RIFF_LENGTH, length);
        put(&mut bytes, DATA_LENGTH, length);
        let name = format!("{length:x}.wav");
        assert_reads(&folder, &name, &bytes, LEVEL, 1);
        put(&mut bytes, RIFF_LENGTH, length.wrapping_add(36));
        assert_reads(&folder, &name, &bytes, LEVEL, 1);
    }
    // Only the length of the whole was never filled in.
    let mut bytes = plain();
    put(&mut bytes, RIFF_LENGTH, 0);
    assert_reads(&folder, "whole.wav", &bytes, LEVEL, 0);
}

// The same in AIFF: the number of frames at byte 22, the length of the samples at 42.
#[test]
fn an_aiff_whose_length_was_never_filled_in_is_the_rest_of_the_file() {
    let folder = folder("streamed_aiff");
    for (frames, length) in [(0, 0), (0x7f00_0000 / 6, 0x7f00_0008), (u32::MAX, u32::MAX)] {
        let mut bytes = aiff(48_000, &stereo());
        bytes[22..26].copy_from_slice(&u32::to_be_bytes(frames));
        bytes[42..46].copy_from_slice(&u32::to_be_bytes(length));
        assert_reads(&folder, "streamed.aiff", &bytes, LEVEL, 1);
    }
}

/// By definition of the layout in film order (Apple, Core Audio: 123, "L C R Ls Rs LFE"): what sounds in
/// its sixth channel alone is the LFE, which has no loudness (ITU-R BS.1770-5); its fourth is a surround,
/// 1.5 dB above a front (table 3), and none of it is left out.
#[test]
fn an_aiff_goes_by_the_places_that_it_states() {
    const AFTER_COMMON: usize = 38;
    let folder = folder("aiff_layout");
    let silence = vec![0.0; 96_000];
    let sound = tone(48_000, 1000.0, LEVEL, 2.0);
    let level = |sounding: usize, number: u32| {
        let channels: Vec<_> = (0..6)
            .map(|index| if index == sounding { &sound } else { &silence }.clone())
            .collect();
        let mut bytes = aiff(48_000, &channels);
        let layout = [number << 16 | 6, 0, 0].map(u32::to_be_bytes).concat();
        let chunk = [b"CHAN", &12_u32.to_be_bytes()[..], &layout].concat();
        let length = u32::try_from(bytes.len() + chunk.len() - 8).unwrap();
        bytes[4..8].copy_from_slice(&length.to_be_bytes());
        bytes.splice(AFTER_COMMON..AFTER_COMMON, chunk);
        fs::write(folder.join("a.aiff"), bytes).unwrap();
        let (told, code) = measure_json(&folder, &["a.aiff"]);
        assert_eq!(code, Some(0));
        told[0]["integrated_lufs"].as_f64()
    };
    const FILM: u32 = 123;
    const WAVE: u32 = 121;
    assert_eq!(level(5, FILM), None);
    assert_eq!(level(3, WAVE), None);
    let front = level(0, FILM).unwrap();
    for (sounding, number) in [(3, FILM), (5, WAVE)] {
        let above = level(sounding, number).unwrap() - front;
        assert!((above - 10.0 * 1.41_f64.log10()).abs() < 0.02, "{above}");
    }
}

#[test]
fn an_empty_file_with_chunks_behind_its_samples_is_empty() {
    let folder = folder("empty_with_list");
    let bytes = riff(&[
        chunk(*b"fmt ", &format()),
        chunk(*b"data", b""),
        chunk(*b"LIST", b"INFOISFT\x05\0\0\0tool\0\0"),
    ]);
    fs::write(folder.join("empty.wav"), bytes).unwrap();
    let output = measure(&folder, &["empty.wav"]);
    assert_eq!(output.status.code(), Some(3));
    assert!(text(&output.stderr).contains("holds no audio"));
}

#[test]
fn what_follows_the_samples_is_not_audio() {
    let folder = folder("trailing");
    let loud = vec![0x55; 60_000];
    let bytes = riff(&[
        chunk(*b"fmt ", &format()),
        chunk(*b"data", &data()),
        chunk(*b"junk", &loud),
    ]);
    assert_reads(&folder, "trailing.wav", &bytes, LEVEL, 0);
}

#[test]
fn metadata_before_the_samples_may_be_odd_unpadded_or_wrong() {
    let folder = folder("metadata_wav");
    // Two items of odd lengths, not padded, inside a list of odd length.
    let items = b"INFOISFT\x05\0\0\0tool\0INAM\x04\0\0\0abc\0";
    let [format, data] = [chunk(*b"fmt ", &format()), chunk(*b"data", &data())];
    let with = |list: Vec<u8>| riff(&[format.clone(), list, data.clone()]);
    assert_reads(
        &folder,
        "padded.wav",
        &with(chunk(*b"LIST", items)),
        LEVEL,
        0,
    );
    let mut unpadded = chunk(*b"LIST", items);
    unpadded.pop();
    assert_reads(&folder, "unpadded.wav", &with(unpadded), LEVEL, 0);
    // A list that says it is longer, or shorter, than it is.
    for length in [20, 4_000, 0xffff_fff0] {
        let mut list = chunk(*b"LIST", b"INFOISFT\x06\0\0\0tools\0INAM\x04\0\0\0abc\0");
        put(&mut list, 4, length);
        assert_reads(&folder, "lying.wav", &with(list), LEVEL, 0);
    }
    let broken = with(chunk(*b"id3 ", &[0xff; 333]));
    assert_reads(&folder, "id3.wav", &broken, LEVEL, 0);
    let late = riff(&[data.clone(), format.clone()]);
    assert_reads(&folder, "late.wav", &late, LEVEL, 0);
}

#[test]
fn format_chunks_may_be_longer_than_they_need_be() {
    let folder = folder("long_formats");
    for length in [18, 20, 50] {
        let mut format = format();
        format.resize(length, 0);
        let bytes = riff(&[chunk(*b"fmt ", &format), chunk(*b"data", &data())]);
        assert_reads(&folder, &format!("{length}.wav"), &bytes, LEVEL, 0);
    }
}

// Microsoft, "Multiple Channel Audio Data and WAVE Files": what does not fill its bytes is
// left-justified in them.
#[test]
fn bits_that_do_not_fill_their_bytes_lie_at_their_top() {
    let folder = folder("20_bits");
    let mut data = data();
    for sample in data.chunks_mut(3) {
        sample[0] &= 0xf0;
    }
    let mut twenty = format();
    twenty[14] = 20;
    let bytes = riff(&[chunk(*b"fmt ", &twenty), chunk(*b"data", &data)]);
    assert_reads(&folder, "20.wav", &bytes, LEVEL, 0);
    let mut bytes = wav(48_000, Stored::Int24, Some(3), &stereo());
    // 20 valid bits in the 24 of the container.
    bytes[38] = 20;
    assert_reads(&folder, "20-in-24.wav", &bytes, LEVEL, 0);
}

#[test]
fn floats_without_valid_bits_are_floats() {
    let folder = folder("no_valid_bits");
    let mut bytes = wav(48_000, Stored::Float32, Some(3), &stereo());
    bytes[38] = 0;
    assert_reads(&folder, "float.wav", &bytes, LEVEL, 0);
}

// ITU-R BS.1770-5: fronts weigh 1, the LFE nothing, and a loudspeaker at 180° weighs 1 (Annex 3,
// table 4). So three and four alike read 10·lg(3/2) and 10·lg(4/2) above two.
#[test]
fn three_fronts_are_measured_alone_with_lfe_and_with_a_rear_centre() {
    let folder = folder("masks");
    let channel = tone(48_000, 1000.0, LEVEL, 2.0);
    for (mask, count, above_lu) in [(0x7, 3, 1.761), (0xf, 4, 1.761), (0x107, 4, 3.010)] {
        let channels = vec![channel.clone(); count];
        let bytes = wav(48_000, Stored::Int24, Some(mask), &channels);
        let name = format!("{mask:x}.wav");
        assert_reads(&folder, &name, &bytes, LEVEL + above_lu, 0);
    }
}

#[test]
fn the_64_bit_forms_are_read() {
    let folder = folder("64_bit");
    let data = data();
    let told = data.len() as u64;
    for id in [*b"RF64", *b"BW64"] {
        let mut bytes = big_riff(id, &data, told);
        bytes.extend(chunk(*b"LIST", &vec![0x55; 60_000]));
        let name = format!("{}.wav", text(&id));
        assert_reads(&folder, &name, &bytes, LEVEL, 0);
        // Never filled in.
        assert_reads(&folder, &name, &big_riff(id, &data, 0), LEVEL, 1);
    }
    assert_reads(&folder, "wave64.w64", &wave64(&data), LEVEL, 0);
    // The list before the samples, by a wrong bit longer than any file.
    let mut list = wave64(&data);
    let at = list.windows(4).position(|four| four == b"list").unwrap() + 23;
    list[at] ^= 0x80;
    assert_reads(&folder, "list.w64", &list, LEVEL, 0);
    for (name, bytes) in [("rf64.wav", rf64(&data)), ("cut.w64", wave64(&data))] {
        fs::write(folder.join(name), &bytes[..bytes.len() * 2 / 3]).unwrap();
        let output = measure(&folder, &[name]);
        assert_eq!(output.status.code(), Some(3));
        assert!(text(&output.stderr).contains("cut short: 2.000 s promised"));
    }
}

// 6 GB of samples, of which only the last are ever read; the file has holes where they are 0.
#[cfg(unix)]
#[test]
fn samples_beyond_4_gib_are_found() {
    use std::os::unix::fs::FileExt as _;

    const FRAMES: u64 = 1_000_000_000;
    let path = folder("beyond").join("long.wav");
    let header = big_riff(*b"RF64", &[], FRAMES * 6);
    fs::write(&path, &header).unwrap();
    let file = fs::OpenOptions::new().write(true).open(&path).unwrap();
    let size = header.len() as u64 + FRAMES * 6;
    file.set_len(size).unwrap();
    file.write_all_at(&[0, 0, 0x40, 0, 0, 0xc0], size - 6)
        .unwrap();

    let mut long = AudioFile::open(&path).unwrap();
    assert_eq!(long.skip(FRAMES - 2).unwrap(), FRAMES - 2);
    let last = long.next_block().unwrap().unwrap();
    assert_eq!(last, [[0.0, 0.5], [0.0, -0.5]]);
    assert!(long.next_block().unwrap().is_none());
    assert_eq!(long.frames(), FRAMES);
    fs::remove_file(path).unwrap();
}

#[test]
fn a_note_tells_what_no_header_told() {
    let folder = folder("note");
    let mut bytes = plain();
    put(&mut bytes, DATA_LENGTH, u32::MAX);
    fs::write(folder.join("pipe.wav"), bytes).unwrap();
    let (_, code) = measure_json(&folder, &["pipe.wav"]);
    assert_eq!(code, Some(0));
    let told = measure(&folder, &["pipe.wav"]).stderr;
    assert!(text(&told).starts_with("pipe.wav: its header does not tell its length"));
}
