//! `crestline measure` on bad files and bad calls: one line each, the others are measured, the exit
//! code tells.

#![expect(
    clippy::unwrap_used,
    reason = "a test fails by panicking, in its helpers too"
)]

use std::fs;
use std::path::Path;
use std::process::Command;

use super::sound_files::{
    Stored, aiff, crestline, flac, folder, measure, measure_json, text, tone, wav,
};
use kit::sound_files::{rf64, wave64};
use serde_json::Value;

fn stereo() -> Vec<Vec<f64>> {
    vec![tone(48_000, 1000.0, -18.0, 2.0); 2]
}

fn good() -> Vec<u8> {
    wav(48_000, Stored::Int24, None, &stereo())
}

fn fixture(name: &str) -> Vec<u8> {
    fs::read(
        Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../../tests/fixtures")
            .join(name),
    )
    .unwrap()
}

/// Measures a bad file between two good ones: the good ones come out, and the bad one is one line
/// on standard error that names it, what is wrong (`cause`) and what to do (`remedy`).
#[track_caller]
fn assert_refused(folder: &Path, bad: &str, cause: &str, remedy: &str) {
    fs::write(folder.join("before.wav"), good()).unwrap();
    fs::write(folder.join("after.wav"), good()).unwrap();
    let output = measure(folder, &["--json", "before.wav", bad, "after.wav"]);
    let lines: Vec<&str> = text(&output.stderr).lines().collect();
    assert_eq!(output.status.code(), Some(3), "{lines:?}");
    assert_eq!(lines.len(), 1, "{lines:?}");
    let line = lines[0];
    assert!(line.starts_with(&format!("{bad}: ")), "{line}");
    assert!(line.contains(cause), "{line}");
    assert!(
        line.split_once("; ")
            .is_some_and(|(_, tail)| tail.contains(remedy)),
        "{line}"
    );
    let objects: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    let files: Vec<&Value> = objects.iter().map(|object| &object["file"]).collect();
    assert_eq!(files, ["before.wav", "after.wav"]);
}

#[test]
fn a_missing_file() {
    assert_refused(
        &folder("missing"),
        "no-such.wav",
        "no such file",
        "check the name",
    );
}

#[test]
fn a_folder() {
    let folder = folder("a_folder");
    fs::create_dir(folder.join("album")).unwrap();
    assert_refused(&folder, "album", "folder", "name the audio files");
}

#[cfg(unix)]
#[test]
fn a_pipe_is_refused_and_not_waited_for() {
    let folder = folder("a_pipe");
    assert!(
        Command::new("mkfifo")
            .arg(folder.join("pipe.wav"))
            .status()
            .unwrap()
            .success()
    );
    assert_refused(&folder, "pipe.wav", "pipe", "name the audio files");
}

// The superuser may read everything, so then the command is run as the user who owns nothing.
#[cfg(unix)]
#[test]
fn a_file_that_may_not_be_read() {
    use std::os::unix::fs::PermissionsExt as _;
    use std::os::unix::process::CommandExt as _;

    let folder = std::env::temp_dir().join(format!("crestline-forbidden-{}", std::process::id()));
    fs::create_dir_all(&folder).unwrap();
    let open_to = |name: &str, mode| {
        fs::set_permissions(folder.join(name), fs::Permissions::from_mode(mode)).unwrap();
    };
    open_to("", 0o755);
    fs::write(folder.join("good.wav"), good()).unwrap();
    fs::write(folder.join("secret.wav"), good()).unwrap();
    open_to("good.wav", 0o644);
    open_to("secret.wav", 0o000);
    // The build folder may be closed to that user. Copied by another program: what is open for
    // writing here may go on to a program that another test starts at this moment, and what is open
    // for writing anywhere cannot be run.
    let copied = Command::new("cp")
        .args([env!("CARGO_BIN_EXE_crestline"), "crestline"])
        .current_dir(&folder)
        .status();
    assert!(copied.unwrap().success());
    open_to("crestline", 0o755);

    let mut command = Command::new(folder.join("crestline"));
    command
        .args(["measure", "--json", "secret.wav", "good.wav"])
        .current_dir(&folder);
    if fs::read(folder.join("secret.wav")).is_ok() {
        command.uid(65534).gid(65534);
    }
    let output = command.output().unwrap();
    fs::remove_dir_all(&folder).unwrap();
    assert_eq!(output.status.code(), Some(3));
    let line = text(&output.stderr);
    assert!(
        line.starts_with("secret.wav: no permission to read it; change its permissions"),
        "{line}"
    );
    assert_eq!(line.lines().count(), 1);
    assert_eq!(
        serde_json::from_slice::<Vec<Value>>(&output.stdout)
            .unwrap()
            .len(),
        1
    );
}

#[test]
fn files_that_are_not_audio() {
    let folder = folder("not_audio");
    fs::write(
        folder.join("notes.txt"),
        "Take three was the one.\n".repeat(50),
    )
    .unwrap();
    assert_refused(
        &folder,
        "notes.txt",
        "not an audio file",
        "export it as WAV",
    );
    fs::write(folder.join("renamed.wav"), b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR").unwrap();
    assert_refused(
        &folder,
        "renamed.wav",
        "not an audio file",
        "export it as WAV",
    );
    fs::write(folder.join("nothing.wav"), b"").unwrap();
    assert_refused(&folder, "nothing.wav", "no audio", "export it again");
    // Bytes without an order hold what passes for MP3 frames here and there.
    let mut state = 1_u32;
    let noise: Vec<u8> = (0..2_000_000)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state.to_be_bytes()[0]
        })
        .collect();
    fs::write(folder.join("noise.bin"), &noise).unwrap();
    assert_refused(
        &folder,
        "noise.bin",
        "not an audio file",
        "export it as WAV",
    );
    fs::write(
        folder.join("big.wav"),
        [b"RF64\xff\xff\xff\xffWAVE", &noise[..]].concat(),
    )
    .unwrap();
    assert_refused(&folder, "big.wav", "damaged", "export or copy it again");
}

#[test]
fn files_cut_short() {
    let folder = folder("cut_short");
    for (name, bytes) in [
        ("cut.wav", good()),
        ("cut.aiff", aiff(48_000, &stereo())),
        ("cut.flac", flac(48_000, &stereo())),
        ("cut.mp3", fixture("tone.mp3")),
        ("cut.ogg", fixture("tone.ogg")),
        ("header.wav", good()),
    ] {
        let keep = if name == "header.wav" {
            30
        } else {
            bytes.len() * 2 / 3
        };
        fs::write(folder.join(name), &bytes[..keep]).unwrap();
        assert_refused(&folder, name, "cut short", "export or copy it again");
    }
    // 24 bits, 2 channels, 48 kHz: two thirds of 44 + 576000 bytes hold 1.333 s of 2 s.
    let output = measure(&folder, &["cut.wav"]);
    assert!(
        text(&output.stderr).contains("2.000 s promised, 1.333 s found"),
        "{}",
        text(&output.stderr)
    );
}

/// Where the pages of an Ogg stream lie (RFC 3533, section 6).
fn ogg_pages(bytes: &[u8]) -> Vec<std::ops::Range<usize>> {
    let mut pages = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        assert_eq!(bytes[at..at + 4], *b"OggS");
        let segments = usize::from(bytes[at + 26]);
        let lengths = &bytes[at + 27..at + 27 + segments];
        let end = at + 27 + segments + lengths.iter().map(|it| usize::from(*it)).sum::<usize>();
        pages.push(at..end);
        at = end;
    }
    pages
}

// The last page says how long the whole is: where it is there, what is missing is no end.
#[test]
fn an_ogg_without_pages_in_its_midst_is_not_cut_short() {
    let folder = folder("ogg_pages");
    let name = "surround.ogg";
    let bytes = fixture(name);
    let pages = ogg_pages(&bytes);
    let (lost, last) = (pages[3].clone(), pages[pages.len() - 1].clone());
    let without = [&bytes[..lost.start], &bytes[lost.end..]].concat();
    let mut broken = bytes.clone();
    broken[lost.start + 100] ^= 1;
    for damaged in [without, broken] {
        fs::write(folder.join(name), damaged).unwrap();
        let cause = "pages within it are lost, 2.000 s promised, 1.";
        assert_refused(&folder, name, cause, "export or copy it again");
    }
    fs::write(folder.join(name), &bytes[..last.start]).unwrap();
    let cause = "cut short: its end is missing after 1.";
    assert_refused(&folder, name, cause, "export or copy it again");
}

// Up to a packet may be missing: some writers count their last block as full.
#[test]
fn a_file_short_of_less_than_a_packet_is_measured() {
    let folder = folder("nearly_whole");
    let bytes = good();
    fs::write(folder.join("nearly.wav"), &bytes[..bytes.len() - 6 * 500]).unwrap();
    let (objects, code) = measure_json(&folder, &["nearly.wav"]);
    assert_eq!(code, Some(0));
    assert_eq!(objects[0]["duration_s"], 1.99);
}

// A program that writes WAV into a pipe cannot know the length and says 2³² − 1.
#[test]
fn a_streamed_wav_without_a_length_is_measured_whole() {
    let folder = folder("faults_streamed");
    let mut bytes = good();
    bytes[4..8].fill(0xff);
    bytes[40..44].fill(0xff);
    fs::write(folder.join("streamed.wav"), bytes).unwrap();
    let (objects, code) = measure_json(&folder, &["streamed.wav"]);
    assert_eq!(code, Some(0));
    assert_eq!(objects[0]["duration_s"], 2.0);
}

/// A FLAC as it is written into a pipe: its header tells neither length nor checksum.
fn streamed_flac() -> Vec<u8> {
    let mut bytes = flac(48_000, &stereo());
    bytes[21] &= 0xf0;
    bytes[22..26].fill(0);
    bytes
}

#[test]
fn a_streamed_flac_is_whole_or_refused() {
    let folder = folder("streamed_flac");
    let whole = streamed_flac();
    fs::write(folder.join("whole.flac"), &whole).unwrap();
    let output = measure(&folder, &["--json", "whole.flac"]);
    assert_eq!(output.status.code(), Some(0));
    let objects: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(objects[0]["duration_s"], 2.0);
    let note = text(&output.stderr);
    assert!(
        note.contains("its header does not tell its length"),
        "{note}"
    );

    // A frame is 16 kB long; the first begins behind 42 bytes.
    let mut flipped = whole.clone();
    flipped[200_000] ^= 4;
    let mut first = whole.clone();
    first[5_000] ^= 4;
    let without_a_frame = [&whole[..16_438], &whole[32_834..]].concat();
    let cut = &whole[..whole.len() - 3];
    for (name, bytes, at) in [
        ("flipped.flac", &flipped[..], "at 1.024 s"),
        ("first.flac", &first, "at 1.915 s"),
        ("missing.flac", &without_a_frame, "at 0.085 s"),
        ("cut.flac", cut, "at 1.963 s"),
    ] {
        fs::write(folder.join(name), bytes).unwrap();
        assert_refused(&folder, name, at, "export or copy it again");
    }
}

/// The notes on an MP3 and its length in seconds.
fn told_of(folder: &Path, bytes: &[u8]) -> (String, f64) {
    fs::write(folder.join("a.mp3"), bytes).unwrap();
    let output = measure(folder, &["--json", "a.mp3"]);
    let objects: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0));
    let notes = text(&output.stderr).to_owned();
    (notes, objects[0]["duration_s"].as_f64().unwrap())
}

#[test]
fn what_an_mp3_lost_within_is_told() {
    let folder = folder("mp3_lost");
    let (notes, whole_s) = told_of(&folder, &fixture("tone.mp3"));
    assert_eq!(notes, "");
    // Without its first frame, which tells the length.
    let bytes = fixture("tone.mp3");
    let stream = &bytes[288..];
    assert_eq!(told_of(&folder, stream).0, "");
    // Of its frames, 288 bytes each, a sixth.
    let mut zeroed = stream.to_vec();
    zeroed[28 * 288..42 * 288].fill(0);
    let (notes, left_s) = told_of(&folder, &zeroed);
    assert!(left_s < 0.9 * whole_s, "{left_s}");
    assert!(notes.contains("4032 bytes between its frames"), "{notes}");
    assert_eq!(notes.lines().count(), 1);
    let (notes, _) = told_of(&folder, &stream[..42 * 288 + 100]);
    assert!(
        notes.contains("100 bytes at its end are no whole frame"),
        "{notes}"
    );
}

#[test]
fn an_mp3_cut_within_its_first_frame_is_cut_short() {
    let folder = folder("mp3_first_frame");
    for bytes in [20, 100, 287] {
        fs::write(folder.join("a.mp3"), &fixture("tone.mp3")[..bytes]).unwrap();
        assert_refused(&folder, "a.mp3", "cut short", "export or copy it again");
    }
}

#[test]
fn files_without_audio() {
    let folder = folder("no_audio");
    fs::write(
        folder.join("zero.wav"),
        wav(48_000, Stored::Int24, None, &[vec![], vec![]]),
    )
    .unwrap();
    assert_refused(&folder, "zero.wav", "no audio", "export it again");
}

#[test]
fn sample_rates_that_are_not_measured() {
    let folder = folder("bad_rates");
    for rate_hz in [0, 4_000, 768_000] {
        let name = format!("{rate_hz}.wav");
        fs::write(
            folder.join(&name),
            wav(rate_hz, Stored::Int16, None, &[vec![0.1; 50_000]]),
        )
        .unwrap();
        assert_refused(
            &folder,
            &name,
            &format!("{rate_hz} Hz"),
            "export it at 8 kHz to 384 kHz",
        );
    }
}

#[test]
fn channels_that_the_standard_does_not_weigh() {
    let folder = folder("bad_channels");
    let channel = vec![0.1; 24_000];
    for (name, count, mask) in [
        ("3.wav", 3, None),
        ("4.wav", 4, None),
        ("7.1.wav", 8, Some(0x63f)),
        ("24.wav", 24, None),
    ] {
        fs::write(
            folder.join(name),
            wav(48_000, Stored::Int16, mask, &vec![channel.clone(); count]),
        )
        .unwrap();
        assert_refused(
            &folder,
            name,
            &format!("{count} channels"),
            "export it as mono, stereo",
        );
    }
}

#[test]
fn audio_that_fails_its_checksum_or_cannot_be_decoded() {
    let folder = folder("damaged");
    let mut mp3 = fixture("tone.mp3");
    // Side information of frames in the middle: each frame of 288 bytes keeps its header.
    let first = mp3
        .windows(2)
        .position(|pair| pair == [0xff, 0xfb])
        .unwrap();
    for frame in 20..40 {
        mp3[first + frame * 288 + 4..first + frame * 288 + 200].fill(0xff);
    }
    fs::write(folder.join("hurt.mp3"), mp3).unwrap();
    assert_refused(&folder, "hurt.mp3", "damaged", "export or copy it again");
    // The checksum is the last 16 of the 34 bytes of STREAMINFO, which begin at the ninth (RFC
    // 9639, section 8.2).
    let mut flac = flac(48_000, &stereo());
    flac[8 + 18..8 + 34].fill(0x5a);
    fs::write(folder.join("other.flac"), flac).unwrap();
    assert_refused(
        &folder,
        "other.flac",
        "fails its own checksum",
        "export or copy it again",
    );
    let mut contradictory = good();
    // More bytes of audio than the whole file claims to have.
    contradictory[40..44].copy_from_slice(&3_000_000_u32.to_le_bytes());
    fs::write(folder.join("header.wav"), contradictory).unwrap();
    assert_refused(&folder, "header.wav", "damaged", "export or copy it again");
}

// Whatever the bytes are, the command ends by itself with one of its own exit codes and at most one
// line a file.
#[test]
fn hostile_bytes_never_take_the_batch_down() {
    let folder = folder("hostile");
    let mut state = 7_u32;
    let mut random = |below: usize| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as usize % below
    };
    let short = vec![tone(48_000, 1000.0, -18.0, 0.5); 6];
    let files = [
        ("wav", wav(48_000, Stored::Int16, Some(0x3f), &short)),
        ("aiff", aiff(48_000, &short)),
        ("flac", flac(48_000, &short)),
        ("mp3", fixture("tone.mp3")),
        ("ogg", fixture("tone.ogg")),
        ("surround.ogg", fixture("surround.ogg")),
        ("wide.flac", fixture("wide.flac")),
        ("rf64.wav", rf64(&fixture("wide.flac"))),
        ("w64", wave64(&fixture("wide.flac"))),
    ];
    let mut names = Vec::new();
    for (ending, bytes) in files {
        for number in 0..40 {
            let mut bytes = bytes.clone();
            // Half of them in the header, where the lengths and counts are.
            let reach = if number % 2 == 0 { 100 } else { bytes.len() };
            for _ in 0..=random(12) {
                let at = random(reach);
                bytes[at] = random(256) as u8;
            }
            let name = format!("{number}.{ending}");
            fs::write(folder.join(&name), bytes).unwrap();
            names.push(name);
        }
    }
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let output = measure(&folder, &[&["--json"], &names[..]].concat());
    assert_eq!(output.status.code(), Some(3), "{}", text(&output.stderr));
    let objects: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    let refused = names.len() - objects.len();
    let about = |name: &str| {
        text(&output.stderr)
            .lines()
            .filter(|line| line.starts_with(&format!("{name}: ")))
            .count()
    };
    for name in &names {
        let is_measured = objects.iter().any(|object| object["file"] == *name);
        assert!(is_measured || about(name) == 1, "{name}");
    }
    assert!(
        refused > 0 && !objects.is_empty(),
        "{refused} of {} refused",
        names.len()
    );
    assert!(
        !text(&output.stderr).contains("panicked"),
        "{}",
        text(&output.stderr)
    );
}

const MEASURES: [&str; 12] = [
    "integrated_lufs",
    "loudness_range_lu",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "plr_db",
    "short_term_plr_min_db",
    "ldr_db",
    "rms_dbfs",
    "crest_factor_db",
    "clipped_runs",
];

// ITU-R BS.1770-5, Annex 1: a gating block is 400 ms, and an incomplete one is not used. That is no
// fault. A peak needs no block.
#[test]
fn silence_has_no_numbers_and_files_shorter_than_a_gating_block_have_peaks_only() {
    let folder = folder("nothing_to_gate");
    let loud = vec![tone(48_000, 1000.0, 0.0, 0.399); 2];
    fs::write(
        folder.join("short.wav"),
        wav(48_000, Stored::Int16, None, &loud),
    )
    .unwrap();
    fs::write(
        folder.join("silent.wav"),
        wav(48_000, Stored::Int16, None, &[vec![0.0; 96_000]]),
    )
    .unwrap();
    let output = measure(&folder, &["--json", "short.wav", "silent.wav"]);
    assert_eq!(output.status.code(), Some(0));
    let objects: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    for key in MEASURES {
        assert_eq!(objects[1][key], Value::Null, "silent.wav {key}");
    }
    let peaks = [
        ("true_peak_dbtp", 0.0),
        ("sample_peak_dbfs", 0.0),
        // A sine's RMS lies 3.01 dB below its peak (closed form).
        ("rms_dbfs", -3.0103),
        ("crest_factor_db", 3.0103),
    ];
    for key in MEASURES {
        let told = peaks.iter().find(|(name, _)| *name == key);
        match (objects[0][key].as_f64(), told) {
            (Some(value), Some((_, expected))) => {
                assert!((value - expected).abs() < 0.1, "short.wav {key}: {value}");
            }
            (value, None) if key != "clipped_runs" => assert_eq!(value, None, "short.wav {key}"),
            (value, told) => assert!(told.is_none() && value == Some(0.0), "short.wav {key}"),
        }
    }
    assert_eq!(objects[0]["duration_s"], 0.399);
    let notes: Vec<&str> = text(&output.stderr).lines().collect();
    assert_eq!(notes.len(), 2, "{notes:?}");
    assert!(
        notes[0].starts_with("short.wav: shorter than 400 ms"),
        "{notes:?}"
    );
    assert!(notes[1].starts_with("silent.wav: silent"), "{notes:?}");
}

#[test]
fn one_gating_block_is_enough() {
    let folder = folder("one_block");
    fs::write(
        folder.join("block.wav"),
        wav(
            48_000,
            Stored::Int32,
            None,
            &vec![tone(48_000, 1000.0, -18.0, 0.4); 2],
        ),
    )
    .unwrap();
    let (objects, code) = measure_json(&folder, &["block.wav"]);
    assert_eq!(code, Some(0));
    assert!(objects[0]["integrated_lufs"].is_number(), "{}", objects[0]);
}

#[test]
fn samples_that_are_no_numbers_are_counted_and_measured_as_silence() {
    let folder = folder("non_finite");
    let clean = tone(48_000, 1000.0, -18.0, 5.0);
    let mut hurt = clean.clone();
    let mut zeroed = clean;
    for (at, value) in [
        (1_000, f64::NAN),
        (50_000, f64::INFINITY),
        (150_000, f64::NEG_INFINITY),
        (160_000, -1e10),
    ] {
        hurt[at] = value;
        zeroed[at] = 0.0;
    }
    fs::write(
        folder.join("hurt.wav"),
        wav(48_000, Stored::Float32, None, &[hurt]),
    )
    .unwrap();
    fs::write(
        folder.join("zeroed.wav"),
        wav(48_000, Stored::Float32, None, &[zeroed]),
    )
    .unwrap();
    let output = measure(&folder, &["--json", "hurt.wav", "zeroed.wav"]);
    assert_eq!(output.status.code(), Some(0));
    let notes = text(&output.stderr);
    assert_eq!(notes.lines().count(), 2, "{notes}");
    for note in [
        "hurt.wav: 3 samples are not a number or infinite; they were taken as 0",
        "hurt.wav: 1 sample is beyond +80 dBFS, louder than any audio: check the scale it was exported in; it was taken as 0",
    ] {
        assert!(notes.lines().any(|line| line == note), "{notes}");
    }
    let objects: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    for key in MEASURES {
        assert_eq!(objects[0][key], objects[1][key], "{key}");
    }
}

// +80 dBFS is the engine's own bound; what is no number is a fault everywhere.
#[test]
fn what_the_chain_takes_for_silence_is_told() {
    let folder = folder("beyond_audio");
    let mut plane = tone(48_000, 1000.0, -18.0, 5.0);
    (plane[1_000], plane[50_000]) = (2e4, -1e30);
    let bytes = wav(48_000, Stored::Float32, None, &[plane]);
    fs::write(folder.join("spikes.wav"), bytes).unwrap();
    let said = "spikes.wav: 2 samples are beyond +80 dBFS";
    for arguments in [
        &["render", "spikes.wav", "out.wav"][..],
        &["forecast", "spikes.wav", "--max-push-db", "1.5"],
        &["measure", "spikes.wav"],
    ] {
        let output = crestline(&folder, arguments);
        assert_eq!(output.status.code(), Some(0));
        let told = text(&output.stderr);
        assert_eq!(told.lines().count(), 1, "{told}");
        assert!(told.starts_with(said), "{told}");
    }
}

#[test]
fn both_files_of_a_pair_have_their_notes() {
    let folder = folder("paired_notes");
    let clean = tone(48_000, 1000.0, -18.0, 5.0);
    let mut hurt = clean.clone();
    hurt[70_000] = f64::NAN;
    for (name, plane) in [("before.wav", clean), ("after.wav", hurt)] {
        let bytes = wav(48_000, Stored::Float32, None, &[plane]);
        fs::write(folder.join(name), bytes).unwrap();
    }
    let output = crestline(&folder, &["reduction", "before.wav", "after.wav"]);
    assert_eq!(output.status.code(), Some(0));
    let told = text(&output.stderr);
    assert_eq!(told.lines().count(), 1, "{told}");
    assert!(
        told.starts_with("after.wav: 1 sample is not a number"),
        "{told}"
    );
}
