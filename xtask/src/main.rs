//! `cargo xtask`: everything that is done with the project besides building it.

#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a command talks to whoever typed it"
)]

mod check;
mod checked;
mod cross;
mod dist;
mod fuzz;
mod setup;
mod step;
mod tests;

use nice_plug_xtask::{Result, build, chdir_workspace_root};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use step::{cargo, run};

const USAGE: &str = "\
Usage: cargo xtask <command>

  demo            build everything, and walk through the whole job with two songs: comparison, forecast, pictures, report
  setup           install the system packages and test fixtures that are missing
  setup --check   only say what is missing
  bundle          build the plug-in and the command for release, into target/bundled
  check [--demo]  formatting, lints, documentation and all tests; and the demo
  bench           what the processing costs, and how the limiter compares
  soak [HOURS] [SEED]
                  hours of programme (24) through everything at once, then fuzz for 5 s an hour and target
  fuzz [SECONDS]  hostile bytes, for so long (60) a target, guided by libFuzzer where there is a C++ compiler
  dist            an archive of what is handed on: plug-in, command, licences, install note
  cross           type-check for the other systems whose targets are installed
  compare-limiters [FILES]
                  the limiter beside a general-purpose library's, on audio files or the demo songs
";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let here = std::env::current_dir().unwrap_or_default();
    let done = chdir_workspace_root().and_then(|()| match arguments[..] {
        ["demo"] => demo(),
        ["setup"] => setup::install(),
        ["setup", "--check"] => {
            setup::report();
            Ok(())
        }
        ["bundle"] => bundle(),
        ["check"] => check::everything(false),
        ["check", "--demo"] => check::everything(true),
        ["bench"] => run(cargo(["bench", "--package", "bench"])),
        ["soak", ref arguments @ ..] if arguments.len() <= 2 => soak(arguments),
        ["fuzz"] => fuzz::every_target("60"),
        ["fuzz", seconds] => fuzz::every_target(seconds),
        ["dist"] => dist::archive(),
        ["cross"] => cross::check(),
        ["compare-limiters", ref files @ ..] => compare_limiters(files, &here),
        ["help" | "--help" | "-h"] => {
            print!("{USAGE}");
            Ok(())
        }
        _ => {
            eprint!("{USAGE}");
            Err(std::io::Error::other("unknown command").into())
        }
    });
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("cargo xtask: {error:#}");
            ExitCode::FAILURE
        }
    }
}

/// Hours of programme, 24 unless told otherwise, and 5 s of fuzzing a target for each of them.
fn soak(arguments: &[&str]) -> Result<()> {
    let mut command = cargo(["run", "--quiet", "--release", "--package", "soak", "--"]);
    command.args(arguments);
    run(command)?;
    let hours: f64 = arguments.first().map_or(Ok(24.0), |hours| hours.parse())?;
    fuzz::every_target(&format!("{:.0}", (5.0 * hours).max(5.0)))
}

/// Prints the table of limiters, for these files in a folder or for what it has at hand.
fn compare_limiters(files: &[&str], folder: &Path) -> Result<()> {
    let mut command = cargo([
        "bench",
        "--quiet",
        "--package",
        "bench",
        "--bench",
        "limiters",
        "--",
    ]);
    command.args(files.iter().map(|file| folder.join(file)));
    run(command)
}

/// The folder that cargo builds into: this program lies in `debug` or `release` below it.
fn target_dir() -> PathBuf {
    let here = std::env::current_exe().ok();
    here.and_then(|path| path.ancestors().nth(2).map(PathBuf::from))
        .unwrap_or_else(|| PathBuf::from("target"))
}

/// Where [`bundle`] puts the plug-in and the command.
fn bundled_dir() -> PathBuf {
    target_dir().join("bundled")
}

/// Builds the plug-in and the command as they are shipped, and with them the demo and the tests of
/// the audio thread: one build, so that what they share is built once.
fn bundle() -> Result<()> {
    let packages = ["crestline", "crestline-command", "demo", "realtime"].map(String::from);
    let release = ["--release"].map(String::from);
    build(&packages, &release)?;
    nice_plug_xtask::bundle(&target_dir(), "crestline", &release, false)
}

/// Plays a song through the bundle. Nothing but Rust and a C compiler is needed for it.
fn demo() -> Result<()> {
    bundle()?;
    run(walk())
}

/// The demo of what is bundled.
fn walk() -> Command {
    let mut command = Command::new(target_dir().join("release/demo"));
    command.arg(bundled_dir()).arg(target_dir().join("demo"));
    command
}
