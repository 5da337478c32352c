//! Audio files of every container that is read.

use crate::scratch::with_file;
use crestline_files::{AudioFile, decode_ahead};
use kit::sound_files::{Stored, aiff, big_riff, flac, rf64, wav, wave64};

/// Frames of a block at most, as [`AudioFile::next_block`] promises.
const LONGEST_BLOCK: usize = 65_536;

/// It is decoded to its end or refused, block by block, ahead, and with parts passed over. Whether
/// the first two agree is the same question.
pub fn run(bytes: &[u8]) {
    for name in ["audio", "audio.mp3"] {
        with_file(name, bytes, |path| {
            let Ok(mut file) = AudioFile::open(path) else {
                return;
            };
            let channels = file.roles().len();
            assert!((1..=6).contains(&channels));
            let mut frames = 0;
            let ended = loop {
                match file.next_block() {
                    Ok(None) => break true,
                    Err(error) => {
                        assert_eq!(error.to_string().lines().count(), 1);
                        break false;
                    }
                    Ok(Some(block)) => {
                        check(block, channels);
                        frames += block[0].len() as u64;
                    }
                }
            };
            assert_eq!(frames, file.frames());
            let mut again = AudioFile::open(path).unwrap();
            let mut ahead = 0;
            let decoded = decode_ahead(&mut again, |block, _| {
                check(block, channels);
                ahead += block[0].len() as u64;
            });
            assert_eq!((decoded.is_ok(), ahead), (ended, frames));
            let mut parts = AudioFile::open(path).unwrap();
            let mut block = Vec::new();
            let mut passed = 0;
            while let Ok(skipped) = parts.skip(777) {
                let Ok(read) = parts.read(1_000, &mut block) else {
                    break;
                };
                passed += skipped + read as u64;
                if read == 0 {
                    break;
                }
            }
            assert!(!ended || passed == frames, "{passed} of {frames} frames");
        });
    }
}

fn check(block: &[Vec<f32>], channels: usize) {
    assert_eq!(block.len(), channels);
    assert!(
        (1..=LONGEST_BLOCK).contains(&block[0].len()),
        "{}",
        block[0].len()
    );
    for plane in block {
        assert_eq!(plane.len(), block[0].len());
        assert!(plane.iter().all(|sample| sample.is_finite()));
    }
}

pub fn seeds() -> Vec<Vec<u8>> {
    let tone = |frames: usize| -> Vec<f64> {
        (0..frames)
            .map(|frame| 0.5 * (frame as f64 * 0.13).sin())
            .collect()
    };
    let short = vec![tone(3_000); 2];
    let six = vec![tone(500); 6];
    let samples = tone(400)
        .iter()
        .flat_map(|sample| ((sample * 1e9) as i32).to_le_bytes())
        .collect::<Vec<u8>>();
    vec![
        wav(48_000, Stored::Int16, None, &short),
        wav(44_100, Stored::Int24, Some(0x3f), &six),
        wav(96_000, Stored::Int32, None, &short),
        wav(48_000, Stored::Float32, None, &short),
        adpcm(),
        rf64(&samples),
        big_riff(*b"BW64", &samples, samples.len() as u64),
        wave64(&samples),
        aiff(48_000, &short),
        flac(48_000, &short),
        include_bytes!("../../fixtures/wide.flac").to_vec(),
        include_bytes!("../../fixtures/tone.mp3").to_vec(),
        include_bytes!("../../fixtures/tone.ogg").to_vec(),
        include_bytes!("../../fixtures/surround.ogg").to_vec(),
    ]
}

/// A WAV file whose samples are not plain: the format library's part (IMA ADPCM, tag 0x11, of
/// mmreg.h).
fn adpcm() -> Vec<u8> {
    const BLOCK: u16 = 256;
    let mut bytes = wav(22_050, Stored::Int16, None, &[vec![0.0; 2_048]]);
    bytes[20..22].copy_from_slice(&0x11_u16.to_le_bytes());
    bytes[28..32].copy_from_slice(&11_100_u32.to_le_bytes());
    bytes[32..34].copy_from_slice(&BLOCK.to_le_bytes());
    bytes[34..36].copy_from_slice(&4_u16.to_le_bytes());
    bytes
}
