//! Every way of decoding against an independent decoder, and files with known values for what
//! decoders get wrong.

use super::sound_files::{Stored, folder, measure_json, tone, wav};

use crestline_files::{AudioFile, decode_ahead, decode_all};
use kit::skip::skip;
use std::fs;
use std::path::Path;
use std::process::Command;

fn fixture(name: &str) -> std::path::PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    root.join("tests/fixtures").join(name)
}

// EBU Tech 3341, table 1, case 6: L, R −28; C −24; Ls, Rs −30 dBFS reads −23.0 LUFS. Undoing the
// coupling of channels in the order in which it was done (Vorbis I, section 4.3.5, asks for the
// reverse) reads −23.6. surround.ogg is that for 2 s with a silent LFE, by the Vorbis tools:
// oggenc -q 1 --serial 1 surround.wav
#[test]
fn six_channels_of_vorbis_are_uncoupled_in_the_right_order() {
    let folder = folder("surround_vorbis");
    fs::copy(fixture("surround.ogg"), folder.join("surround.ogg")).unwrap();
    let (objects, code) = measure_json(&folder, &["surround.ogg"]);
    assert_eq!(code, Some(0));
    assert_eq!(objects[0]["channels"], 6);
    assert_eq!(objects[0]["duration_s"], 2.0);
    let loudness = objects[0]["integrated_lufs"].as_f64().unwrap();
    assert!((loudness + 23.0).abs() < 0.05, "{loudness}");
}

// EBU Tech 3341: a 1 kHz stereo tone with its peak at −3 dBFS reads −3 LUFS. wide.flac is that for
// 0.5 s at 8 kHz with one channel inverted, so that the side channel needs 33 bits, by the
// reference encoder: flac --best wide.wav
#[test]
fn stereo_flac_of_32_bits_is_read() {
    let folder = folder("wide_flac");
    fs::copy(fixture("wide.flac"), folder.join("wide.flac")).unwrap();
    let (objects, code) = measure_json(&folder, &["wide.flac"]);
    assert_eq!(code, Some(0));
    assert_eq!(objects[0]["duration_s"], 0.5);
    let loudness = objects[0]["integrated_lufs"].as_f64().unwrap();
    assert!((loudness + 3.0).abs() < 0.05, "{loudness}");
    let peak = objects[0]["sample_peak_dbfs"].as_f64().unwrap();
    assert!((peak + 3.0).abs() < 0.001, "{peak}");
}

/// Runs ffmpeg; whether it could.
fn ffmpeg(folder: &Path, arguments: &[&str]) -> bool {
    Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error", "-y"])
        .args(arguments)
        .current_dir(folder)
        .output()
        .is_ok_and(|output| output.status.success())
}

/// Channels of a test file, all different: a tone each, over noise.
fn programme(count: usize) -> Vec<Vec<f64>> {
    let mut state = 1_u32;
    (0..count)
        .map(|channel| {
            let mut samples = tone(48_000, 200.0 + 300.0 * channel as f64, -12.0, 1.5);
            for sample in &mut samples {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                *sample += 0.1 * (f64::from(state) / f64::from(u32::MAX) - 0.5);
            }
            samples
        })
        .collect()
}

/// The order of ffmpeg's channels in ours: Vorbis has its own (Vorbis I, section 4.3.9), which is
/// kept as it is.
fn order(name: &str, count: usize) -> Vec<usize> {
    match (
        Path::new(name).extension().is_some_and(|it| it == "ogg"),
        count,
    ) {
        (true, 3) => vec![0, 2, 1],
        (true, 5) => vec![0, 2, 1, 3, 4],
        (true, 6) => vec![0, 2, 1, 4, 5, 3],
        _ => (0..count).collect(),
    }
}

#[test]
fn every_decoder_agrees_with_ffmpeg() {
    // Name, channels, how ffmpeg writes it, largest difference: none for plain samples, that of
    // rounding for what is computed.
    const EXACT: f32 = 0.0;
    const ROUNDED: f32 = 2e-6;
    let files: &[(&str, usize, &[&str], f32)] = &[
        ("u8.wav", 2, &["-c:a", "pcm_u8"], EXACT),
        ("s16.wav", 2, &["-c:a", "pcm_s16le"], EXACT),
        ("s24.wav", 6, &["-c:a", "pcm_s24le"], EXACT),
        ("s32.wav", 2, &["-c:a", "pcm_s32le"], EXACT),
        ("f32.wav", 2, &["-c:a", "pcm_f32le"], EXACT),
        ("f64.wav", 1, &["-c:a", "pcm_f64le"], EXACT),
        ("alaw.wav", 2, &["-c:a", "pcm_alaw"], EXACT),
        ("mulaw.wav", 2, &["-c:a", "pcm_mulaw"], EXACT),
        ("ima.wav", 2, &["-c:a", "adpcm_ima_wav"], EXACT),
        ("ms.wav", 2, &["-c:a", "adpcm_ms"], EXACT),
        ("rf64.wav", 2, &["-rf64", "always"], EXACT),
        ("wave64.w64", 2, &["-c:a", "pcm_s24le"], EXACT),
        ("s8.aiff", 2, &["-c:a", "pcm_s8"], EXACT),
        ("s16.aiff", 2, &["-c:a", "pcm_s16be"], EXACT),
        ("sowt.aiff", 2, &["-c:a", "pcm_s16le"], EXACT),
        ("s24.aiff", 1, &["-c:a", "pcm_s24be"], EXACT),
        ("f32.aiff", 2, &["-c:a", "pcm_f32be"], EXACT),
        ("f64.aiff", 2, &["-c:a", "pcm_f64be"], EXACT),
        ("16.flac", 2, &["-sample_fmt", "s16"], EXACT),
        ("24.flac", 6, &["-sample_fmt", "s32"], EXACT),
        ("mono.flac", 1, &["-sample_fmt", "s16"], EXACT),
        ("cbr.mp3", 2, &["-b:a", "128k"], ROUNDED),
        ("joint.mp3", 2, &["-b:a", "64k"], ROUNDED),
        ("vbr.mp3", 1, &["-q:a", "4"], ROUNDED),
        ("low.mp3", 1, &["-ar", "22050"], ROUNDED),
        ("mono.ogg", 1, &["-c:a", "libvorbis"], ROUNDED),
        (
            "stereo.ogg",
            2,
            &["-c:a", "libvorbis", "-q:a", "1"],
            ROUNDED,
        ),
        ("three.ogg", 3, &["-c:a", "libvorbis", "-q:a", "1"], ROUNDED),
        ("five.ogg", 5, &["-c:a", "libvorbis", "-q:a", "1"], ROUNDED),
        ("six.ogg", 6, &["-c:a", "libvorbis", "-q:a", "1"], ROUNDED),
    ];
    let folder = folder("against_ffmpeg");
    if !ffmpeg(&folder, &["-version"]) {
        return skip("every decoder against ffmpeg", "no ffmpeg");
    }
    let mut compared = 0;
    for (name, count, encoding, most) in files {
        let mask = [0, 0x4, 0x3, 0x7, 0x33, 0x37, 0x3f][*count];
        let source = wav(48_000, Stored::Int24, Some(mask), &programme(*count));
        fs::write(folder.join("source.wav"), source).unwrap();
        let write = [&["-i", "source.wav"], *encoding, &[*name]].concat();
        let read = ["-i", *name, "-f", "f32le", "-c:a", "pcm_f32le", "raw"];
        if !ffmpeg(&folder, &write) {
            skip(
                &format!("{name} against ffmpeg"),
                "ffmpeg has no such encoder",
            );
            continue;
        }
        assert!(ffmpeg(&folder, &read), "{name}");
        let raw = fs::read(folder.join("raw")).unwrap();
        let theirs: Vec<f32> = raw
            .as_chunks::<4>()
            .0
            .iter()
            .map(|four| f32::from_le_bytes(*four))
            .collect();
        let ours = decode_all(&folder.join(name)).unwrap();
        assert_eq!(ours.channels.len(), *count, "{name}");
        assert_eq!(ours.channels[0].len() * count, theirs.len(), "{name}");
        for (plane, channel) in ours.channels.iter().zip(order(name, *count)) {
            let theirs = theirs.iter().skip(channel).step_by(*count);
            let difference = plane
                .iter()
                .zip(theirs)
                .map(|(ours, theirs)| (ours - theirs).abs())
                .fold(0.0, f32::max);
            assert!(difference <= *most, "{name}, {channel}: {difference}");
        }
        compared += 1;
    }
    println!(
        "command: {compared} of {} ways of decoding compared",
        files.len()
    );
    assert!(compared > 20, "{compared}");
}

/// The same file in other blocks: whole, of any length, from any place, and decoded ahead.
#[test]
fn a_file_is_the_same_however_it_is_read() {
    let folder = folder("blocks");
    let source = wav(48_000, Stored::Int24, None, &programme(2));
    fs::write(folder.join("plain.wav"), source).unwrap();
    for path in [
        folder.join("plain.wav"),
        fixture("tone.mp3"),
        fixture("tone.ogg"),
        fixture("wide.flac"),
    ] {
        let whole = decode_all(&path).unwrap().channels;
        let frames = whole[0].len();
        for length in [1, 1000, 4096, 100_000] {
            let mut file = AudioFile::open(&path).unwrap();
            let (mut block, mut read) = (Vec::new(), vec![Vec::new(); 2]);
            while file.read(length, &mut block).unwrap() > 0 {
                let is_last = read[0].len() + block[0].len() == frames;
                assert!(block[0].len() == length || is_last, "{path:?}");
                for (read, block) in read.iter_mut().zip(&block) {
                    read.extend_from_slice(block);
                }
            }
            assert_eq!(read, whole, "{path:?} by {length}");
        }
        for skipped in [0, 1, 777, 3_333] {
            let mut file = AudioFile::open(&path).unwrap();
            let mut block = Vec::new();
            assert_eq!(file.skip(skipped as u64).unwrap(), skipped as u64);
            file.read(frames, &mut block).unwrap();
            let rest: Vec<_> = whole.iter().map(|channel| &channel[skipped..]).collect();
            assert_eq!(block, rest, "{path:?} from {skipped}");
            assert_eq!(file.skip(1).unwrap(), 0);
            assert_eq!(file.frames(), frames as u64);
        }
        let mut file = AudioFile::open(&path).unwrap();
        let mut ahead = vec![Vec::new(); 2];
        decode_ahead(&mut file, |block, _| {
            for (ahead, block) in ahead.iter_mut().zip(block) {
                ahead.extend_from_slice(block);
            }
        })
        .unwrap();
        assert_eq!(ahead, whole, "{path:?} ahead");
    }
}
