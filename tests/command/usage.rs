//! How the command is called and how it ends: help, wrong usage, exit codes, outputs that are
//! closed or full.

#![expect(
    clippy::unwrap_used,
    reason = "a test fails by panicking, in its helpers too"
)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use super::sound_files::assert_keys_are_those_of_the_help;

/// A new folder with one second of a constant in `a.wav`.
fn folder(test: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(test);
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(folder.join("a.wav"), spec).unwrap();
    for frame in 0..48_000 {
        let sample = if frame % 2 == 0 { 1_000 } else { -1_000_i16 };
        wav.write_sample(sample).unwrap();
    }
    wav.finalize().unwrap();
    folder
}

fn crestline(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_crestline"));
    command.args(arguments).current_dir(folder);
    command
}

fn printed(output: &Output) -> (&str, &str) {
    let text = |bytes| str::from_utf8(bytes).unwrap();
    (text(&output.stdout), text(&output.stderr))
}

#[test]
fn wrong_usage_is_exit_code_2() {
    let folder = folder("usage");
    for arguments in [&["measure"][..], &["measure", "--no-such-option", "a.wav"]] {
        let output = crestline(&folder, arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(2));
        assert!(
            printed(&output).1.contains("Usage: crestline measure"),
            "{:?}",
            printed(&output)
        );
    }
    assert_eq!(
        crestline(&folder, &["no-such-command"])
            .output()
            .unwrap()
            .status
            .code(),
        Some(2)
    );
}

#[test]
fn the_command_alone_prints_its_help_and_ends_with_2() {
    let output = crestline(&folder("alone"), &[]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    let (_, errors) = printed(&output);
    assert!(
        errors.contains("Usage: crestline <COMMAND>") && errors.contains("  measure "),
        "{errors}"
    );
}

#[test]
fn help_and_version_are_those_of_the_command_by_its_name() {
    let folder = folder("help_of_all");
    let asked = |argument: &str| crestline(&folder, &[argument]).output().unwrap();
    let [command, option, version] = ["help", "--help", "--version"].map(asked);
    assert_eq!(command.status.code(), Some(0));
    assert_eq!(printed(&command), printed(&option));
    let (version, _) = printed(&version);
    assert_eq!(
        version.trim(),
        concat!("crestline ", env!("CARGO_PKG_VERSION"))
    );
}

#[test]
fn help_names_the_columns_the_keys_the_exit_codes_and_an_example() {
    let folder = folder("help_of_measure");
    let output = crestline(&folder, &["measure", "--help"]).output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let (help, _) = printed(&output);
    for part in [
        "integrated   gated loudness",
        "Exit codes:\n  0  every file was measured\n  2  wrong usage\n  3  some file could not be used\n  4  ",
        "crestline measure mix.wav",
        "is left out",
        "shorter than 400 ms",
        "refused",
    ] {
        assert!(help.contains(part), "{part}");
    }
    let output = crestline(&folder, &["measure", "--json", "a.wav"])
        .output()
        .unwrap();
    let objects = serde_json::from_slice(&output.stdout).unwrap();
    assert_keys_are_those_of_the_help(&folder, "measure", &objects);
}

#[test]
fn nothing_usable_is_an_empty_array_and_no_table() {
    let folder = folder("nothing_usable");
    let output = crestline(&folder, &["measure", "--json", "b.wav", "c.wav"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(printed(&output).0, "[]\n");
    assert_eq!(printed(&output).1.lines().count(), 2);
    let output = crestline(&folder, &["measure", "b.wav", "c.wav"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(printed(&output).0, "");
}

// A reader that has read enough (`| head -1`) is no fault.
#[test]
fn a_broken_pipe_is_no_fault() {
    for arguments in [&["measure", "a.wav"][..], &["measure", "--json", "a.wav"]] {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let output = crestline(&folder("broken_pipe"), arguments)
            .stdout(writer)
            .stderr(Stdio::piped())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0));
        assert_eq!(printed(&output).1, "");
    }
}

// /dev/full is a disk without space.
#[cfg(target_os = "linux")]
#[test]
fn a_result_that_cannot_be_written_is_exit_code_4() {
    let full = fs::OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .unwrap();
    let output = crestline(&folder("full_disk"), &["measure", "a.wav"])
        .stdout(full)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(4));
    let (_, errors) = printed(&output);
    assert_eq!(errors.lines().count(), 1);
    assert!(
        errors.starts_with("the result could not be written"),
        "{errors}"
    );
}
