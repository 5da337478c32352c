//! What is handed on.

use crate::step::{cargo, run, told};
use crate::target_dir;
use nice_plug_xtask::Result;
use std::env;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Builds plug-in and command so that nothing in them tells of this machine, and packs them.
///
/// # Errors
/// They cannot be built, a dependency has a licence that is not among those allowed, or the archive
/// cannot be written.
pub fn archive() -> Result<()> {
    let (triple, built) = (host_triple()?, target_dir().join("dist-build"));
    let here = env::current_dir()?;
    let homes = [cargo_home(), Some(here.clone())].into_iter().flatten();
    let homes: Vec<String> = homes.map(|path| path.display().to_string()).collect();
    let remapped = homes.iter().zip(["/registry", "/crestline"]);
    let mut flags: Vec<_> = remapped
        .map(|(from, to)| format!("--remap-path-prefix={from}={to}"))
        .collect();
    if triple.ends_with("windows-msvc") {
        // Otherwise it needs a runtime that not every machine has.
        flags.push("-Ctarget-feature=+crt-static".into());
    }
    let mut command = cargo(["build", "--release", "--locked"]);
    command
        .args(["--package", "crestline", "--package", "crestline-command"])
        .args(["--config", "profile.release.strip=true"])
        .arg("--target-dir")
        .arg(&built)
        // Parted by a character that no path has.
        .env("CARGO_ENCODED_RUSTFLAGS", flags.join("\x1f"));
    run(command)?;
    let release = ["--release"].map(String::from);
    nice_plug_xtask::bundle(&built, "crestline", &release, false)?;
    if triple.ends_with("apple-darwin") {
        for format in ["clap", "vst3"] {
            describe(
                &built.join("bundled").join(format!("Crestline.{format}")),
                format,
            )?;
        }
    }
    let mut command = cargo(["run", "--quiet", "--package", "dist", "--"]);
    command
        .arg(built.join("bundled"))
        .arg(built.join(format!("release/crestline{}", env::consts::EXE_SUFFIX)))
        .arg(triple)
        .arg(target_dir().join("dist"))
        .args(homes);
    run(command)
}

/// Gives a bundle of macOS an identity and version of its own, and seals it anew: by the framework
/// both formats have one identity, and every release version 1.0.0.
fn describe(bundle: &Path, format: &str) -> Result<()> {
    std::fs::write(bundle.join("Contents/Info.plist"), property_list(format))?;
    let mut seal = Command::new("codesign");
    seal.args(["--force", "--sign", "-"]).arg(bundle);
    run(seal)
}

/// The property list of a bundle of this format (Apple, "Information Property List").
fn property_list(format: &str) -> String {
    let values = [
        ("CFBundleExecutable", "Crestline".to_owned()),
        (
            "CFBundleIdentifier",
            format!("audio.crestline.crestline.{format}"),
        ),
        ("CFBundleName", "Crestline".into()),
        ("CFBundleDisplayName", "Crestline".into()),
        ("CFBundlePackageType", "BNDL".into()),
        ("CFBundleSignature", "????".into()),
        ("CFBundleInfoDictionaryVersion", "6.0".into()),
        (
            "CFBundleShortVersionString",
            env!("CARGO_PKG_VERSION").into(),
        ),
        ("CFBundleVersion", env!("CARGO_PKG_VERSION").into()),
    ];
    let values =
        values.map(|(key, value)| format!("  <key>{key}</key>\n  <string>{value}</string>\n"));
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<plist version=\"1.0\">\n<dict>\n{}  <key>NSHighResolutionCapable</key>\n  <true/>\n</dict>\n</plist>\n",
        values.concat()
    )
}

/// What this machine's own target is called.
///
/// # Errors
/// The compiler cannot be asked.
pub fn host_triple() -> Result<String> {
    let mut command = Command::new("rustc");
    command.arg("-vV");
    let told = told(command)?;
    let host = told.lines().find_map(|line| line.strip_prefix("host: "));
    host.map(String::from)
        .ok_or_else(|| std::io::Error::other("`rustc -vV` names no host").into())
}

fn cargo_home() -> Option<PathBuf> {
    let home = env::var_os("CARGO_HOME").map(PathBuf::from);
    home.or_else(|| Some(env::home_dir()?.join(".cargo")))
}
