//! What stands beside the audio never keeps it from being measured.

#![expect(
    clippy::unwrap_used,
    reason = "a test fails by panicking, in its helpers too"
)]

use super::sound_files::{aiff, flac, folder, measure, text, tone};

use serde_json::Value;
use std::fs;
use std::path::Path;

/// EBU Tech 3341: a 1 kHz stereo tone with its peak at −18 dBFS reads −18 LUFS.
const LEVEL: f64 = -18.0;

fn stereo() -> Vec<Vec<f64>> {
    vec![tone(48_000, 1000.0, LEVEL, 2.0); 2]
}

fn fixture(name: &str) -> Vec<u8> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    fs::read(root.join("tests/fixtures").join(name)).unwrap()
}

/// Measures the file; its duration in seconds, and what was told on standard error.
#[track_caller]
fn measured(folder: &Path, name: &str, bytes: &[u8]) -> (f64, String) {
    fs::write(folder.join(name), bytes).unwrap();
    let output = measure(folder, &["--json", name]);
    let told = text(&output.stderr).to_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
    let object = &serde_json::from_slice::<Vec<Value>>(&output.stdout).unwrap()[0];
    let loudness = object["integrated_lufs"].as_f64().unwrap();
    assert!((loudness - LEVEL).abs() < 0.1, "{name}: {loudness}");
    (object["duration_s"].as_f64().unwrap(), told)
}

#[track_caller]
fn assert_measured(folder: &Path, name: &str, bytes: &[u8]) {
    let (duration_s, told) = measured(folder, name, bytes);
    assert_eq!(duration_s, 2.0, "{name}");
    assert_eq!(told, "", "{name}");
}

/// An `ID3v2` tag with these flags around `body` (id3.org, "ID3 tag version 2.4.0").
fn id3(version: u8, flags: u8, body: &[u8]) -> Vec<u8> {
    let length = u8::try_from(body.len()).unwrap();
    let head = [
        b'I',
        b'D',
        b'3',
        version,
        0,
        flags,
        0,
        0,
        length >> 7,
        length & 0x7f,
    ];
    [&head[..], body].concat()
}

// RFC 9639, section 8: a block's kind, its length in 24 bits, its body.
#[test]
fn flac_blocks_may_hold_anything() {
    let folder = folder("metadata_flac");
    let good = flac(48_000, &stereo());
    let (info, frames) = good[4..].split_at(38);
    let with = |kind: u8, body: &[u8]| {
        let length = u32::try_from(body.len()).unwrap().to_be_bytes();
        let block = [&[kind | 0x80], &length[1..], body].concat();
        [b"fLaC\0", &info[1..], &block, frames].concat()
    };
    let lies = b"\xff\xff\xff\x7fnothing like that";
    for (kind, body) in [
        (2, &b"ab"[..]),
        (3, &[0xff; 19]),
        (4, lies),
        (5, &[0xff; 99]),
        (6, lies),
    ] {
        assert_measured(&folder, &format!("{kind}.flac"), &with(kind, body));
    }
    assert_measured(&folder, "reserved.flac", &with(99, lies));
    let tagged = [id3(4, 0, &[0xff; 99]), good.clone()].concat();
    assert_measured(&folder, "id3.flac", &tagged);
    let behind = [&good[..], b"TAG", &[0xff; 125]].concat();
    assert_measured(&folder, "behind.flac", &behind);
    // Some writers leave the smallest block at 0.
    let mut without_least = good;
    without_least[8..10].fill(0);
    assert_measured(&folder, "least.flac", &without_least);
}

// RFC 9639, section 8.6.2: the positions that a comment states replace those of the format. Four
// channels are L R Ls Rs by the format, whose surrounds weigh 1.41, and all fronts by this mask.
#[test]
fn flac_channels_go_by_the_mask_that_a_comment_states() {
    let folder = folder("mask_flac");
    // Each −3.01 dB, so that four of them are two at full level.
    let channels = vec![tone(48_000, 1000.0, LEVEL - 3.0103, 2.0); 4];
    let good = flac(48_000, &channels);
    let (info, frames) = good[4..].split_at(38);
    let field = b"WaveFormatExtensible_Channel_Mask=0x107";
    let length = |bytes: &[u8]| u32::try_from(bytes.len()).unwrap();
    let comment = [
        &[0, 0, 0, 0, 1, 0, 0, 0],
        &length(field).to_le_bytes()[..],
        field,
    ]
    .concat();
    let block = [&[0x84], &length(&comment).to_be_bytes()[1..], &comment].concat();
    let bytes = [b"fLaC\0", &info[1..], &block, frames].concat();
    assert_measured(&folder, "mask.flac", &bytes);
}

#[test]
fn mp3_tags_may_hold_anything() {
    let folder = folder("metadata_mp3");
    let good = fixture("tone.mp3");
    // Unsynchronised, compressed, of unknown versions, and several in a row.
    for (version, flags) in [(2, 0x40), (3, !0x10), (4, 0x80), (9, 0)] {
        let bytes = [id3(version, flags, &[0xff; 99]), good.clone()].concat();
        assert_measured(&folder, "before.mp3", &bytes);
    }
    let twice = [id3(4, 0, b"abc"), id3(3, 0, &[0xff; 127]), good.clone()].concat();
    assert_measured(&folder, "twice.mp3", &twice);
    // What passes for a frame inside the tags at the end is none: ID3v1, and APEv2 before it.
    let frames = [0xff, 0xfb, 0x90, 0x64].repeat(100);
    let length = u32::try_from(frames.len() + 32).unwrap().to_le_bytes();
    let footer = [&b"APETAGEX"[..], &[0xd0, 7, 0, 0], &length, &[0; 16]].concat();
    let behind = [&good[..], &frames, &footer, b"TAG", &frames[..125]].concat();
    assert_measured(&folder, "behind.mp3", &behind);
}

#[test]
fn aiff_chunks_may_hold_anything() {
    let folder = folder("metadata_aiff");
    let good = aiff(48_000, &stereo());
    for id in [b"ID3 ", b"COMT", b"MARK", b"INST", b"NAME"] {
        let length = u32::try_from(11).unwrap().to_be_bytes();
        let odd = [&good[..12], id, &length, &[0xff; 11], b"\0", &good[12..]].concat();
        assert_measured(&folder, &format!("{}.aiff", text(id)), &odd);
    }
}

// The second file's own silence at its start is audio here: 1105 samples and what fills its last
// frame, less than 3000 samples in all.
#[test]
fn joined_mp3_files_are_measured_to_the_end_with_a_note() {
    let folder = folder("joined");
    let good = fixture("tone.mp3");
    for (name, between) in [
        ("joined.mp3", vec![]),
        ("tagged.mp3", id3(4, 0, &[0xff; 99])),
    ] {
        let bytes = [&good[..], &between, &good].concat();
        let (duration_s, told) = measured(&folder, name, &bytes);
        assert!(
            (4.0..4.0 + 3000.0 / 48_000.0).contains(&duration_s),
            "{duration_s}"
        );
        let note = format!("{name}: goes on after the end that its header tells");
        assert!(told.starts_with(&note), "{told}");
        assert_eq!(told.lines().count(), 1, "{told}");
    }
}
