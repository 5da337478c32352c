//! Hostile bytes, for a while.

use crate::step::{cargo, run, succeeds, told};
use crate::target_dir;
use nice_plug_xtask::Result;
use std::io::Error;
use std::path::Path;
use std::process::Command;

/// What libFuzzer needs to see of the code that runs: which branches are taken, and what is
/// compared with what. Debug assertions find what only they tell of.
const INSTRUMENTED: [&str; 6] = [
    "-Cpasses=sancov-module",
    "-Cllvm-args=-sanitizer-coverage-level=4",
    "-Cllvm-args=-sanitizer-coverage-inline-8bit-counters",
    "-Cllvm-args=-sanitizer-coverage-pc-table",
    "-Cllvm-args=-sanitizer-coverage-trace-compares",
    "-Coverflow-checks=on",
];
/// Nothing that is tried may take longer, seconds, or hold more, MiB.
const LONGEST_S: u32 = 25;
const MOST_MIB: u32 = 2048;
/// A target is tried for a dozen days at most: what libFuzzer reads is an `int`.
const LONGEST_TOTAL_S: u32 = 1_000_000;

/// Tries each target for `seconds`. What libFuzzer found worth keeping stays in
/// `target/fuzz/corpus` for the next time; what crashed is named and stays in `target/fuzz/found`.
///
/// # Errors
/// Something crashed, hung or took too much memory, or cannot be built; the time is none.
pub fn every_target(seconds: &str) -> Result<()> {
    let seconds = length_s(seconds)?;
    let folder = target_dir().join("fuzz");
    let corpus = folder.join("corpus");
    run(unguided(&["seeds", &corpus.display().to_string()]))?;
    let guided = succeeds(Command::new("c++").arg("--version"));
    if guided {
        build_guided(&folder)?;
    } else {
        println!(
            "There is no C++ compiler (c++) for libFuzzer: seeds are changed by chance alone."
        );
    }
    let targets = told(unguided(&["targets"]))?;
    for target in listed(&targets)? {
        println!("\n== {target} ==");
        if guided {
            run(search(&folder, target, seconds)?)?;
        } else {
            run(unguided(&[target, &seconds.to_string()]))?;
        }
    }
    Ok(())
}

/// How long each is tried. By libFuzzer nought is for ever.
fn length_s(told: &str) -> Result<u32> {
    let seconds = told.parse().ok();
    let seconds = seconds.filter(|seconds| (1..=LONGEST_TOTAL_S).contains(seconds));
    seconds.ok_or_else(|| {
        let wanted = format!("wanted are whole seconds from 1 to {LONGEST_TOTAL_S}");
        Error::other(format!("{wanted}, not `{told}`")).into()
    })
}

/// The targets, a line each.
fn listed(told: &str) -> Result<Vec<&str>> {
    let targets: Vec<_> = told.lines().collect();
    if targets.is_empty() {
        return Err(Error::other("`fuzz targets` lists none: nothing was tried").into());
    }
    Ok(targets)
}

fn unguided(arguments: &[&str]) -> Command {
    let mut command = cargo([
        "run",
        "--quiet",
        "--release",
        "--package",
        "fuzz",
        "--bin",
        "fuzz",
        "--",
    ]);
    command.args(arguments);
    command
}

/// With a target named, even if it is this machine's, what runs while building is not instrumented.
fn build_guided(folder: &Path) -> Result<()> {
    let mut command = cargo([
        "build",
        "--quiet",
        "--release",
        "--package",
        "fuzz",
        "--bin",
        "guided",
    ]);
    command
        .args(["--features", "guided", "--target", &crate::dist::host_triple()?])
        .arg("--target-dir")
        .arg(folder)
        // Half the time to build, and what compares bytes is not what optimising is about.
        .args(["--config", "profile.release.opt-level=1"])
        .args(["--config", "profile.release.codegen-units=16"])
        .env("RUSTFLAGS", INSTRUMENTED.join(" "));
    run(command)
}

fn search(folder: &Path, target: &str, seconds: u32) -> Result<Command> {
    let found = folder.join("found").join(target);
    std::fs::create_dir_all(&found)?;
    let program = folder
        .join(crate::dist::host_triple()?)
        .join("release/guided");
    let mut command = Command::new(program);
    command
        .env("CRESTLINE_FUZZ", target)
        .arg(folder.join("corpus").join(target))
        .arg(format!("-artifact_prefix={}/", found.display()))
        .arg(format!("-max_total_time={seconds}"))
        .arg(format!("-timeout={LONGEST_S}"))
        .arg(format!("-rss_limit_mb={MOST_MIB}"))
        .args(["-max_len=1048576", "-print_final_stats=1", "-verbosity=0"]);
    Ok(command)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_time_that_ends_is_one() {
        for (told, seconds) in [("1", 1), ("60", 60), ("1000000", 1_000_000)] {
            assert_eq!(length_s(told).unwrap(), seconds);
        }
        for told in ["0", "-1", "1.5", "1000001", "", "a minute"] {
            let error = length_s(told).unwrap_err().to_string();
            assert!(error.contains(&format!("`{told}`")), "{error}");
        }
    }

    #[test]
    fn to_have_tried_nothing_is_an_error() {
        assert!(listed("").is_err());
        assert_eq!(listed("session\nstate\n").unwrap(), ["session", "state"]);
    }
}
