//! What the tests need besides Rust and a C compiler: system packages, and fixtures from the Python
//! package index. All of it is optional: a test that lacks something says so and passes over it.

mod fixtures;
mod packages;

use crate::step::{line, run, succeeds};
use nice_plug_xtask::Result;
use packages::{Missing, missing};
use std::process::Command;

/// Installs what is missing where that needs no password; prints the command to type where it does.
///
/// # Errors
/// A package manager fails. What comes from elsewhere has been fetched nevertheless.
pub fn install() -> Result<()> {
    let installed = install_packages();
    fixtures();
    installed
}

fn install_packages() -> Result<()> {
    match missing() {
        Missing::Nothing => println!("System packages: all there."),
        Missing::UnknownSystem { needed } => {
            println!("System packages: not known for this system. {needed}");
        }
        Missing::Packages { names, install } => {
            println!("System packages missing: {}.", names.join(", "));
            if am_root() {
                install.into_iter().try_for_each(run)?;
            } else if succeeds(Command::new("sudo").args(["--non-interactive", "true"])) {
                install
                    .into_iter()
                    .try_for_each(|command| run(with_sudo(&command)))?;
            } else {
                let lines: Vec<_> = install
                    .iter()
                    .map(|command| line(&with_sudo(command)))
                    .collect();
                println!(
                    "Install them with this command:\n\n    {}\n",
                    lines.join(" && ")
                );
            }
        }
    }
    Ok(())
}

/// Says what is missing and changes nothing.
pub fn report() {
    match missing() {
        Missing::Nothing => println!("System packages: all there."),
        Missing::UnknownSystem { needed } => {
            println!("System packages: not known for this system. {needed}");
        }
        Missing::Packages { names, .. } => {
            println!("System packages missing: {}.", names.join(", "));
        }
    }
    println!(
        "VST3 host for the tests: {}.",
        there(fixtures::vst3_host_is_there())
    );
    println!(
        "Example track for the tests: {}.",
        there(fixtures::track_is_there())
    );
}

/// Fetches the test fixtures that are missing. One that cannot be had is reported, and is no error.
fn fixtures() {
    for (what, fetched) in [
        ("VST3 host for the tests", fixtures::vst3_host()),
        ("Example track for the tests", fixtures::track()),
    ] {
        match fetched {
            Ok(()) => println!("{what}: there."),
            Err(error) => {
                println!(
                    "{what}: cannot be had ({error}). The tests that need it will be skipped."
                );
            }
        }
    }
}

fn there(yes: bool) -> &'static str {
    if yes { "there" } else { "missing" }
}

fn am_root() -> bool {
    Command::new("id")
        .arg("-u")
        .output()
        .is_ok_and(|output| output.stdout.trim_ascii() == b"0")
}

fn with_sudo(command: &Command) -> Command {
    let mut sudo = Command::new("sudo");
    sudo.arg(command.get_program()).args(command.get_args());
    sudo
}
