//! Hostile bytes, for a while.

use crate::step::{cargo, run, succeeds};
use crate::target_dir;
use nice_plug_xtask::Result;
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

/// Tries each target for `seconds`. What libFuzzer found worth keeping stays in
/// `target/fuzz/corpus` for the next time; what crashed is named and stays in `target/fuzz/found`.
///
/// # Errors
/// Something crashed, hung or took too much memory, or cannot be built.
pub fn every_target(seconds: &str) -> Result<()> {
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
    let named = unguided(&["targets"]).output()?;
    for target in String::from_utf8_lossy(&named.stdout).lines() {
        println!("\n== {target} ==");
        if guided {
            run(search(&folder, target, seconds)?)?;
        } else {
            run(unguided(&[target, seconds]))?;
        }
    }
    Ok(())
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

fn search(folder: &Path, target: &str, seconds: &str) -> Result<Command> {
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
