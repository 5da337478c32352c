//! The VST3 bundle in a host that has nothing to do with this project: pedalboard, a general audio
//! library for Python (`pip install pedalboard`, version 0.9 or later).

use clack_extensions::params::ParamInfoFlags;
use kit::skip::skip;
use rig::clap_host::{ClapHost, Param};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The Python environment that `cargo xtask setup` makes.
fn python() -> PathBuf {
    let bin = if cfg!(windows) {
        "Scripts/python.exe"
    } else {
        "bin/python"
    };
    Path::new(env!("CARGO_TARGET_TMPDIR"))
        .with_file_name("fixtures")
        .join("python")
        .join(bin)
}

/// Says something that is to be read even when the test passes: the test harness swallows what is
/// printed with `println!`.
fn say(line: &str) {
    let _ = writeln!(std::io::stderr(), "{line}");
}

#[test]
fn a_vst3_host_passes_audio_through_finds_the_parameters_and_saves_the_state() {
    let Some(bundled) = std::env::var_os("CRESTLINE_BUNDLED") else {
        return skip("the VST3 bundle", kit::skip::NO_BUNDLE);
    };
    let has_host = Command::new(python())
        .args(["-c", "import numpy, pedalboard"])
        .output();
    if !has_host.is_ok_and(|output| output.status.success()) {
        return skip(
            "the VST3 bundle",
            "no host; `cargo xtask setup` fetches one from the Python package index",
        );
    }
    // Both formats must offer the same parameters.
    let params = ClapHost::linked(&crestline_plugin::clap_entry)
        .unwrap()
        .params()
        .unwrap();
    let settable = |param: &Param| !param.flags.contains(ParamInfoFlags::IS_READONLY);
    let params: BTreeMap<_, _> = params
        .iter()
        .map(|param| (&param.name, settable(param)))
        .collect();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/host/vst3_pedalboard.py");
    let bundle = PathBuf::from(bundled).join("Crestline.vst3");
    let mut command = Command::new(python());
    command
        .arg(script)
        .arg(bundle)
        .arg(serde_json::to_string(&params).unwrap());
    let output = command.output().unwrap();
    let printed = String::from_utf8_lossy(&output.stdout);
    say(printed.trim_end());
    if !output.status.success() {
        // The framework's log lines are of no help here.
        let errors = String::from_utf8_lossy(&output.stderr);
        let errors: Vec<_> = errors
            .lines()
            .filter(|line| !line.contains("WARN"))
            .collect();
        panic!("{}\n{}\n{printed}", output.status, errors.join("\n"));
    }
}
