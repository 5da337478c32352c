//! The workspace as it is checked: by the release profile, so that what others have written is
//! compiled once for all checks and for the bundle; but ours with overflow checks, and with debug
//! assertions where no samples move.

use crate::step::cargo;
use crate::target_dir;
use cargo_metadata::MetadataCommand;
use nice_plug_xtask::Result;
use std::process::Command;

/// Crates of ours in which samples move in the tests' own time. With debug assertions they take half
/// as long again: not for their own two or three, but for those of the standard library around each
/// piece of unsafe code, of which they have next to none.
const BUSY: [&str; 4] = ["crestline-core", "crestline-files", "kit", "songs"];
/// There is nothing of ours to be checked in it: the bundle's own will do.
const AS_SHIPPED: &str = "crestline-transforms";
/// Crates of others that notice, with debug assertions, what ours do wrong with them: that the
/// audio thread allocates, that a widget is at two places.
const WATCHFUL: [&str; 4] = [
    "egui",
    "nice-assert-no-alloc",
    "nice-plug",
    "nice-plug-core",
];

/// `cargo clippy`, `doc` or `test` on the whole workspace, optimised no more than tests need. What
/// is put beside the bundle's programs goes to a folder of its own.
///
/// # Errors
/// The workspace cannot be read.
pub fn checked(subcommand: &str) -> Result<Command> {
    let workspace = MetadataCommand::new().no_deps().exec()?;
    let ours = workspace.workspace_packages();
    let ours = ours.iter().map(|package| package.name.as_str());
    let mut command = cargo([subcommand, "--quiet", "--workspace", "--release"]);
    command
        .arg("--target-dir")
        .arg(target_dir().join("checked"))
        .env("CARGO_BUILD_BUILD_DIR", target_dir());
    for name in ours.filter(|name| *name != AS_SHIPPED).chain(WATCHFUL) {
        let busy = BUSY.contains(&name);
        let level = if busy { 2 } else { 1 };
        for setting in [
            &format!("debug-assertions={}", !busy),
            "overflow-checks=true",
            "codegen-units=16",
            "debug=false",
            &format!("opt-level={level}"),
        ] {
            let setting = format!("profile.release.package.{name}.{setting}");
            command.args(["--config", &setting]);
        }
    }
    Ok(command)
}
