//! Makes the files that the command is tried on, and runs it.

use std::collections::BTreeSet;
use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

/// A new, empty folder for one test.
pub fn folder(test: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(test);
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    folder
}

/// Runs the command in a folder, with its output caught.
pub fn crestline(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_crestline"));
    command
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap()
}

/// Runs `crestline measure` in a folder, with its output caught.
pub fn measure(folder: &Path, arguments: &[&str]) -> Output {
    crestline(folder, &[&["measure"], arguments].concat())
}

/// What the command printed.
pub fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

/// The objects of `--json`, and the exit code.
pub fn measure_json(folder: &Path, files: &[&str]) -> (Vec<Value>, Option<i32>) {
    let output = measure(folder, &[&["--json"], files].concat());
    (
        serde_json::from_slice(&output.stdout).unwrap(),
        output.status.code(),
    )
}

/// Runs the command and expects success; the object of `--json`.
#[track_caller]
pub fn json(folder: &Path, arguments: &[&str]) -> Value {
    let output = crestline(folder, &[arguments, &["--json"]].concat());
    let code = output.status.code();
    assert_eq!(code, Some(0), "{arguments:?}: {}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

#[track_caller]
pub fn number(value: &Value) -> f64 {
    let number = value.as_f64();
    number.unwrap_or_else(|| panic!("{value} is no number"))
}

/// Every key of an object stands as a word of its own where the command's help tells of JSON, and
/// what is written there as a key is one, or a value.
#[track_caller]
pub fn assert_keys_are_those_of_the_help(folder: &Path, command: &str, told: &Value) {
    fn collect<'a>(value: &'a Value, keys: &mut BTreeSet<&'a str>, words: &mut BTreeSet<&'a str>) {
        match value {
            Value::Object(object) => {
                for (key, value) in object {
                    keys.insert(key);
                    collect(value, keys, words);
                }
            }
            Value::Array(values) => values.iter().for_each(|value| collect(value, keys, words)),
            Value::String(word) => _ = words.insert(word),
            _ => {}
        }
    }
    let (mut keys, mut words) = (BTreeSet::new(), BTreeSet::new());
    collect(told, &mut keys, &mut words);
    let help = crestline(folder, &[command, "--help"]);
    let help = text(&help.stdout);
    let (_, help) = help.split_once("\nJSON (--json):").unwrap();
    let (help, _) = help.split_once("\nExit codes:").unwrap();
    let in_a_word = |letter: char| letter.is_ascii_alphanumeric() || letter == '_';
    let help: BTreeSet<&str> = help.split(|letter| !in_a_word(letter)).collect();
    let untold: Vec<&&str> = keys.difference(&help).collect();
    assert!(untold.is_empty(), "not in the help: {untold:?}");
    let promised = help.iter().filter(|word| word.contains('_'));
    for word in promised {
        assert!(
            keys.contains(word) || words.contains(word),
            "{word} is nowhere"
        );
    }
}

/// A sine whose peak is at `peak_dbfs`.
pub fn tone(rate_hz: u32, hz: f64, peak_dbfs: f64, seconds: f64) -> Vec<f64> {
    let amplitude = 10_f64.powf(peak_dbfs / 20.0);
    let rate_hz = f64::from(rate_hz);
    let mut samples = Vec::new();
    while (samples.len() as f64) < (seconds * rate_hz).round() {
        samples.push(amplitude * (TAU * hz * samples.len() as f64 / rate_hz).sin());
    }
    samples
}

/// How the samples of a WAV file are stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stored {
    Int16,
    Int24,
    Int32,
    Float32,
}

/// The bytes of a WAV file (RIFF 1991; WAVEFORMATEXTENSIBLE with `mask` if there is one). One
/// vector a channel; full scale is ±1, integers are rounded and clipped.
pub fn wav(rate_hz: u32, stored: Stored, mask: Option<u32>, channels: &[Vec<f64>]) -> Vec<u8> {
    let bytes_per_sample: u16 = match stored {
        Stored::Int16 => 2,
        Stored::Int24 => 3,
        Stored::Int32 | Stored::Float32 => 4,
    };
    let count = u16::try_from(channels.len()).unwrap();
    let tag: u16 = if stored == Stored::Float32 { 3 } else { 1 };

    let mut format = Vec::new();
    format.extend(if mask.is_some() { 0xfffe_u16 } else { tag }.to_le_bytes());
    format.extend(count.to_le_bytes());
    format.extend(rate_hz.to_le_bytes());
    format.extend((rate_hz * u32::from(bytes_per_sample * count)).to_le_bytes());
    format.extend((bytes_per_sample * count).to_le_bytes());
    format.extend((bytes_per_sample * 8).to_le_bytes());
    if let Some(mask) = mask {
        format.extend(22_u16.to_le_bytes());
        format.extend((bytes_per_sample * 8).to_le_bytes());
        format.extend(mask.to_le_bytes());
        format.extend(tag.to_le_bytes());
        format.extend(*b"\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71");
    }

    let mut data = Vec::new();
    for frame in 0..channels.first().map_or(0, Vec::len) {
        for channel in channels {
            data.extend(stored_bytes(channel[frame], stored));
        }
    }

    let mut riff = b"WAVE".to_vec();
    for (id, body) in [(b"fmt ", &format), (b"data", &data)] {
        riff.extend(id);
        riff.extend(u32::try_from(body.len()).unwrap().to_le_bytes());
        riff.extend(body);
        riff.resize(riff.len().next_multiple_of(2), 0);
    }
    [
        b"RIFF",
        &u32::try_from(riff.len()).unwrap().to_le_bytes()[..],
        &riff,
    ]
    .concat()
}

fn stored_bytes(sample: f64, stored: Stored) -> Vec<u8> {
    let integer = |bits: u32| {
        let full_scale = 2_f64.powi(bits.cast_signed() - 1);
        (sample * full_scale)
            .round()
            .clamp(-full_scale, full_scale - 1.0) as i32
    };
    match stored {
        Stored::Int16 => integer(16).to_le_bytes()[..2].to_vec(),
        Stored::Int24 => integer(24).to_le_bytes()[..3].to_vec(),
        Stored::Int32 => integer(32).to_le_bytes().to_vec(),
        Stored::Float32 => (sample as f32).to_le_bytes().to_vec(),
    }
}

/// An AIFF file (Apple, "Audio Interchange File Format", version 1.3): COMM with its 80-bit sample
/// rate, then SSND.
pub fn aiff(rate_hz: u32, channels: &[Vec<f64>]) -> Vec<u8> {
    let frames = channels[0].len();
    let mut common = Vec::new();
    common.extend(u16::try_from(channels.len()).unwrap().to_be_bytes());
    common.extend(u32::try_from(frames).unwrap().to_be_bytes());
    common.extend(24_u16.to_be_bytes());
    // IEEE 754 extended: the mantissa's top bit is the integer bit.
    let shift = u64::from(rate_hz).leading_zeros();
    common.extend((16_383 + 63 - u16::try_from(shift).unwrap()).to_be_bytes());
    common.extend((u64::from(rate_hz) << shift).to_be_bytes());

    let mut sound = vec![0; 8];
    for frame in 0..frames {
        for channel in channels {
            sound.extend(&((channel[frame] * 8_388_607.0).round() as i32).to_be_bytes()[1..]);
        }
    }
    let mut form = b"AIFF".to_vec();
    for (id, body) in [(b"COMM", &common), (b"SSND", &sound)] {
        form.extend(id);
        form.extend(u32::try_from(body.len()).unwrap().to_be_bytes());
        form.extend(body);
    }
    [
        b"FORM",
        &u32::try_from(form.len()).unwrap().to_be_bytes()[..],
        &form,
    ]
    .concat()
}

/// A FLAC stream of 16-bit verbatim subframes (RFC 9639): no prediction, so that it can be written
/// by hand.
pub fn flac(rate_hz: u32, channels: &[Vec<f64>]) -> Vec<u8> {
    const BLOCK: usize = 4096;
    let count = u64::try_from(channels.len()).unwrap();
    let frames = channels[0].len();
    let mut bytes = b"fLaC".to_vec();
    // STREAMINFO, the last metadata block: block sizes, unknown frame sizes, then rate, channels,
    // bits and length.
    bytes.extend([0x80, 0, 0, 34]);
    bytes.extend([u16::try_from(BLOCK).unwrap().to_be_bytes(); 2].concat());
    bytes.extend([0; 6]);
    let packed = u64::from(rate_hz) << 44
        | (count - 1) << 41
        | (16 - 1) << 36
        | u64::try_from(frames).unwrap();
    bytes.extend(packed.to_be_bytes());
    bytes.extend([0; 16]);

    for (number, start) in (0..frames).step_by(BLOCK).enumerate() {
        let end = frames.min(start + BLOCK);
        let length = u16::try_from(end - start - 1).unwrap();
        // Block size in 16 bits, rate as in STREAMINFO, independent channels, 16 bits; then the
        // frame's number.
        let channel_code = u8::try_from(count - 1).unwrap() << 4;
        let mut frame = vec![0xff, 0xf8, 0x70, channel_code | 0x08];
        assert!(number < 128, "a frame number of one byte");
        frame.push(u8::try_from(number).unwrap());
        frame.extend(length.to_be_bytes());
        frame.push(u8::try_from(crc(&frame, 8, 0x07)).unwrap());
        for channel in channels {
            frame.push(0x02);
            for sample in &channel[start..end] {
                frame.extend(((sample * 32_767.0).round() as i16).to_be_bytes());
            }
        }
        frame.extend(crc(&frame, 16, 0x8005).to_be_bytes());
        bytes.extend(frame);
    }
    bytes
}

/// Cyclic redundancy check, most significant bit first, from zero (RFC 9639, section 9.1.8 and
/// 9.3).
fn crc(bytes: &[u8], bits: u32, polynomial: u16) -> u16 {
    let top = 1_u32 << (bits - 1);
    let mask = (top << 1).wrapping_sub(1);
    let mut remainder = 0_u32;
    for byte in bytes {
        remainder ^= u32::from(*byte) << (bits - 8);
        for _ in 0..8 {
            let carry = remainder & top != 0;
            remainder = (remainder << 1) & mask;
            if carry {
                remainder ^= u32::from(polynomial);
            }
        }
    }
    u16::try_from(remainder).unwrap()
}
