//! A run that is ended from outside leaves nothing behind, and ends as it was told to.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::process::ExitStatusExt as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use super::sound_files::{Stored, folder, text, tone, wav};

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    let mut names: Vec<String> = entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

fn command(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_crestline"));
    command
        .args(arguments)
        .current_dir(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

/// Sends the signal when `begun` says so; the number of the signal that the run ended by.
fn ended(mut run: Child, signal: &str, begun: impl Fn() -> bool) -> Option<i32> {
    while !begun() && run.try_wait().unwrap().is_none() {
        std::thread::yield_now();
    }
    let mut kill = Command::new("kill");
    let sent = kill.args(["-s", signal, &run.id().to_string()]).status();
    assert!(sent.unwrap().success());
    run.wait().unwrap().signal()
}

/// Whether these tests ignore the signal, and with them what they start; where no one tells, HUP is
/// left alone (proc(5) tells, on Linux).
fn is_ignored(number: i32) -> bool {
    let told = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ignored = told
        .lines()
        .find_map(|line| line.strip_prefix("SigIgn:"))
        .and_then(|ignored| u64::from_str_radix(ignored.trim(), 16).ok());
    ignored.map_or(number == 1, |ignored| ignored >> (number - 1) & 1 == 1)
}

fn write_input(folder: &Path) -> Vec<u8> {
    let bytes = wav(
        48_000,
        Stored::Int24,
        None,
        &vec![tone(48_000, 997.0, -3.0, 2.0); 2],
    );
    fs::write(folder.join("a.wav"), &bytes).unwrap();
    bytes
}

#[test]
fn a_render_that_is_interrupted_leaves_no_part() {
    let folder = folder("interrupt_render");
    // Hours of silence that take no room: nobody waits for them.
    let mut bytes = write_input(&folder);
    let length = 0x7fff_0000_u32;
    bytes[40..44].copy_from_slice(&length.to_le_bytes());
    assert_eq!(&bytes[36..40], b"data");
    fs::write(folder.join("a.wav"), &bytes[..44]).unwrap();
    let file = fs::OpenOptions::new()
        .write(true)
        .open(folder.join("a.wav"));
    file.unwrap().set_len(44 + u64::from(length)).unwrap();
    for (signal, number) in [("INT", 2), ("TERM", 15), ("HUP", 1)] {
        // Whoever started the tests may have it ignored, as `nohup` does, and so has the run then.
        if is_ignored(number) {
            continue;
        }
        let mut render = command(&folder, &["render", "a.wav", "b.wav"]);
        let begun = || {
            names(&folder)
                .iter()
                .any(|name| name.starts_with(".crestline-"))
        };
        let by = ended(render.spawn().unwrap(), signal, begun);
        assert_eq!(by, Some(number));
        assert_eq!(names(&folder), ["a.wav"]);
    }
    fs::remove_file(folder.join("a.wav")).unwrap();
}

/// An encoder that waits for the run to end.
#[test]
fn an_encoding_that_is_interrupted_leaves_no_folder() {
    let folder = folder("interrupt_encoded");
    write_input(&folder);
    fs::create_dir_all(folder.join("bin")).unwrap();
    fs::create_dir_all(folder.join("tmp")).unwrap();
    let program = folder.join("bin/lame");
    let script = "#!/bin/sh\n[ \"$1\" = --version ] && echo version 0 && exit\n\
                  : > begun\nwhile kill -0 $PPID 2>&-; do sleep 0.05; done\n";
    fs::write(&program, script).unwrap();
    fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
    let path = std::env::var_os("PATH").unwrap();
    let path = std::env::join_paths(
        [folder.join("bin")]
            .into_iter()
            .chain(std::env::split_paths(&path)),
    );
    let mut encoded = command(&folder, &["encoded", "a.wav", "--keep", "kept"]);
    encoded
        .env("PATH", path.unwrap())
        .env("TMPDIR", folder.join("tmp"));
    let by = ended(encoded.spawn().unwrap(), "TERM", || {
        folder.join("begun").exists()
    });
    assert_eq!(by, Some(15));
    assert_eq!(names(&folder.join("tmp")), [""; 0]);
    assert_eq!(names(&folder), ["a.wav", "begun", "bin", "tmp"]);
}

/// What is started so is to go on when the terminal closes.
#[cfg(target_os = "linux")]
#[test]
fn a_signal_that_is_ignored_stays_so() {
    let folder = folder("interrupt_ignored");
    write_input(&folder);
    let mut shell = Command::new("sh");
    let script = "trap '' HUP; \"$0\" measure a.wav a.wav --json & run=$!; n=0; \
                  while [ $n -lt 2000 ]; do kill -s HUP $run; n=$((n + 1)); done 2>&-; wait $run";
    let shell = shell.args(["-c", script, env!("CARGO_BIN_EXE_crestline")]);
    let output = shell.current_dir(&folder).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
}

#[test]
fn a_file_that_outgrows_the_limit_is_named() {
    let folder = folder("interrupt_limit");
    write_input(&folder);
    let mut shell = Command::new("sh");
    let script = "ulimit -f 200; exec \"$0\" render a.wav b.wav";
    let shell = shell.args(["-c", script, env!("CARGO_BIN_EXE_crestline")]);
    let output = shell.current_dir(&folder).output().unwrap();
    let line = text(&output.stderr);
    assert_eq!(output.status.code(), Some(4), "{line}");
    assert!(line.starts_with("b.wav: writing failed"), "{line}");
    assert_eq!(names(&folder), ["a.wav"]);
}
