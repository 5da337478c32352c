//! Makes the files that the command is tried on, and runs it.

use std::collections::BTreeSet;
use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, SystemTime};

pub use kit::sound_files::{Stored, aiff, flac, wav};
use serde_json::Value;

/// A new, empty folder for one test, which no other test asks for.
pub fn folder(test: &str) -> PathBuf {
    static GIVEN: Mutex<BTreeSet<String>> = Mutex::new(BTreeSet::new());
    let mut given = GIVEN.lock().unwrap_or_else(PoisonError::into_inner);
    assert!(given.insert(test.to_owned()), "{test} has been given");
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

/// Runs the command while one of its files, as its time has it, is written again and again.
pub fn crestline_while_written(folder: &Path, arguments: &[&str], name: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_crestline"));
    command.args(arguments).current_dir(folder);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let file = fs::OpenOptions::new().write(true).open(folder.join(name));
    let (file, mut time) = (file.unwrap(), SystemTime::now());
    while child.try_wait().unwrap().is_none() {
        time += Duration::from_secs(1);
        file.set_modified(time).unwrap();
    }
    child.wait_with_output().unwrap()
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
