//! Whether it type-checks for other systems.

use crate::step::{cargo, run, told};
use nice_plug_xtask::Result;
use std::io::Error;
use std::path::Path;
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
/// It does not type-check, or none of them is installed.
pub fn check() -> Result<()> {
    for target in installed(has_library)? {
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

/// Those that are installed; the others are named.
fn installed(is_installed: impl Fn(&str) -> Result<bool>) -> Result<Vec<&'static str>> {
    let mut found = Vec::new();
    for target in TARGETS {
        if is_installed(target)? {
            found.push(target);
        } else {
            println!("{target}: passed over; `rustup target add {target}` installs it");
        }
    }
    if found.is_empty() {
        let none = "nothing was checked: install a target as said above";
        return Err(Error::other(none).into());
    }
    Ok(found)
}

/// Whether the compiler has the target's standard library. It knows without `rustup`.
fn has_library(target: &str) -> Result<bool> {
    let mut command = Command::new("rustc");
    command.args(["--print", "target-libdir", "--target", target]);
    let folder = told(command)?;
    let mut files = Path::new(folder.trim()).read_dir().into_iter().flatten();
    Ok(files.next().is_some())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn to_have_checked_nothing_is_an_error() {
        assert!(installed(|_| Ok(false)).is_err());
        assert!(installed(|_| Err(Error::other("no compiler").into())).is_err());
        let one = installed(|target| Ok(target == TARGETS[1])).unwrap();
        assert_eq!(one, [TARGETS[1]]);
    }
}
