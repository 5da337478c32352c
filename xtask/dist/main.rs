//! `dist BUNDLED COMMAND TRIPLE OUT [PATH…]`: packs the folder of bundles and the command, built
//! for TRIPLE, into an archive in the folder OUT, with an install note and the licences of
//! everything in them. None of the paths may stand anywhere in it: they tell of the machine that
//! built it.
//!
//! `cargo xtask dist` builds both so that they do not, and calls this.

#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a command talks to whoever typed it"
)]

mod archive;
mod licences;
mod metadata;

use archive::Entry;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What goes wrong is for whoever builds a release.
pub type Result<T> = std::result::Result<T, Box<dyn std::error::Error>>;

/// The packages that are handed on.
const HANDED_ON: [&str; 2] = ["crestline", "crestline-command"];
const VERSION: &str = env!("CARGO_PKG_VERSION");

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [bundled, command, triple, out, paths @ ..] = &arguments[..] else {
        eprintln!(
            "dist: wanted are the bundles' folder, the command, the target, a folder and paths"
        );
        return ExitCode::from(2);
    };
    match pack(
        bundled.as_ref(),
        command.as_ref(),
        triple,
        out.as_ref(),
        paths,
    ) {
        Ok(made) => {
            println!("{}", made.display());
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("dist: {error}");
            ExitCode::FAILURE
        }
    }
}

fn pack(
    bundled: &Path,
    command: &Path,
    triple: &str,
    out: &Path,
    paths: &[String],
) -> Result<PathBuf> {
    let name = format!("crestline-{VERSION}-{triple}");
    let mut entries = Vec::new();
    for bundle in ["Crestline.clap", "Crestline.vst3"] {
        entries.extend(archive::below(&bundled.join(bundle), bundle)?);
    }
    let program = command.file_name().ok_or("the command is no file")?;
    entries.extend(archive::below(command, &program.to_string_lossy())?);
    for licence in ["LICENSE-APACHE", "LICENSE-MIT"] {
        entries.extend(archive::below(Path::new(licence), licence)?);
    }
    entries.push(Entry::text("INSTALL.txt", &install_note(VERSION)));
    let packages = metadata::packages(triple, &HANDED_ON)?;
    entries.push(Entry::text("LICENCES.txt", &licences::page(&packages)?));
    for entry in &entries {
        entry.holds_none_of(paths)?;
    }
    let made = out.join(format!("{name}.tar.gz"));
    archive::write(&made, &name, entries)?;
    Ok(made)
}

/// What to do with it, headed by what it is.
fn install_note(version: &str) -> String {
    let title = format!("Crestline {version}");
    let line = "=".repeat(title.len());
    format!("{title}\n{line}\n\n{}", include_str!("install.txt"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_install_note_tells_of_the_version_that_is_packed() {
        let note = install_note("12.3.45");
        assert!(note.starts_with("Crestline 12.3.45\n=================\n\nA mix-bus"));
        assert!(!note.contains(VERSION), "{note}");
    }
}
