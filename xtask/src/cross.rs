//! Whether it type-checks for other systems.

use crate::step::{cargo, run};
use nice_plug_xtask::Result;
use std::process::Command;

/// The systems that are meant: `rustup target add` installs their standard libraries.
const TARGETS: [&str; 4] = [
    "x86_64-pc-windows-gnu",
    "aarch64-apple-darwin",
    "x86_64-apple-darwin",
    "aarch64-unknown-linux-gnu",
];

/// Checks plug-in and command for each of them that is installed, and names the others. The C
/// sources of the Vorbis encoder are not compiled, since that takes each system's own compiler:
/// in its place stands a program that does nothing, and nothing is linked.
///
/// # Errors
/// It does not type-check.
pub fn check() -> Result<()> {
    let told = Command::new("rustup")
        .args(["target", "list", "--installed"])
        .output()?;
    let installed = String::from_utf8_lossy(&told.stdout);
    for target in TARGETS {
        if !installed.lines().any(|line| line == target) {
            println!("{target}: passed over; `rustup target add {target}` installs it");
            continue;
        }
        let mut command = cargo(["check", "--quiet", "--target", target]);
        command.args(["--package", "crestline", "--package", "crestline-command"]);
        let variable = target.replace('-', "_");
        for tool in ["CC", "AR"] {
            command.env(format!("{tool}_{variable}"), "true");
        }
        run(command)?;
        println!("{target}: type-checks");
    }
    Ok(())
}
