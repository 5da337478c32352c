//! Fixtures from the Python package index: a VST3 host, and a piece of music as musicians play it.
//! Both lie under `target`, are fetched by `pip` as by anyone else, and are never part of the
//! repository.

use crate::step::{line, succeeds};
use crate::target_dir;
use std::io::{Error, Result};
use std::path::PathBuf;
use std::process::{Command, Stdio};

/// The host, and what its arrays are made of.
const HOST_PACKAGES: [&str; 2] = ["pedalboard", "numpy"];
/// The last release of a general audio library whose source package carries an example track.
const TRACK_PACKAGE: &str = "librosa==0.7.2";

/// Takes the one Ogg file out of the source packages in a folder, without running anything in them.
/// Arguments: folder, file to write.
const UNPACK: &str = "
import pathlib, sys, tarfile
folder, track = map(pathlib.Path, sys.argv[1:])
for package in folder.glob('*.tar.gz'):
    with tarfile.open(package) as archive:
        for member in archive:
            if member.isfile() and member.name.endswith('.ogg'):
                part = track.with_suffix('.part')
                part.write_bytes(archive.extractfile(member).read())
                part.replace(track)
                sys.exit(0)
sys.exit('no track in the package')
";

fn folder() -> PathBuf {
    target_dir().join("fixtures")
}

/// Where the tests look for Python.
fn python() -> PathBuf {
    let bin = if cfg!(windows) {
        "Scripts/python.exe"
    } else {
        "bin/python"
    };
    folder().join("python").join(bin)
}

fn track_path() -> PathBuf {
    folder().join("track.ogg")
}

/// Whether the VST3 host can be used.
pub fn vst3_host_is_there() -> bool {
    succeeds(Command::new(python()).args(["-c", "import numpy, pedalboard"]))
}

/// Whether the track was fetched.
pub fn track_is_there() -> bool {
    track_path().is_file()
}

/// A Python environment of its own with the VST3 host in it.
pub fn vst3_host() -> Result<()> {
    if vst3_host_is_there() {
        return Ok(());
    }
    make_environment()?;
    quiet(pip(&["install"]).args(HOST_PACKAGES))
}

/// The track, as `track.ogg`.
pub fn track() -> Result<()> {
    if track_is_there() {
        return Ok(());
    }
    make_environment()?;
    let packages = folder().join("packages");
    quiet(
        pip(&["download", "--no-deps", "--no-binary", "librosa", "--dest"])
            .arg(&packages)
            .arg(TRACK_PACKAGE),
    )?;
    quiet(
        Command::new(python())
            .args(["-c", UNPACK])
            .arg(&packages)
            .arg(track_path()),
    )?;
    std::fs::remove_dir_all(packages)
}

fn make_environment() -> Result<()> {
    if succeeds(Command::new(python()).args(["-m", "pip", "--version"])) {
        return Ok(());
    }
    let system_python = if cfg!(windows) { "python" } else { "python3" };
    quiet(
        Command::new(system_python)
            .args(["-m", "venv", "--clear"])
            .arg(folder().join("python")),
    )
}

fn pip(arguments: &[&str]) -> Command {
    let mut command = Command::new(python());
    command
        .args([
            "-m",
            "pip",
            "--quiet",
            "--disable-pip-version-check",
            "--no-input",
        ])
        .args(arguments);
    command
}

/// Runs a command without a word; what it said is in the error if it fails.
fn quiet(command: &mut Command) -> Result<()> {
    let output = command.stdin(Stdio::null()).output()?;
    if output.status.success() {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&output.stderr);
    let last = said
        .lines()
        .rfind(|line| !line.trim().is_empty())
        .unwrap_or_default();
    Err(Error::other(format!("`{}`: {last}", line(command))))
}
