//! The VST3 bundle in a host that has nothing to do with this project: pedalboard, a general audio
//! library for Python (`pip install pedalboard`, version 0.9 or later).

use clack_extensions::params::ParamInfoFlags;
use kit::skip::skip;
use rig::clap_host::{Change, ClapHost, Param, Run};
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
    let mut clap = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    let all = clap.params().unwrap();
    // What is written whatever is listened to: the push and the stages.
    let chain = |param: &&Param| {
        let stage = !param.module.is_empty() && !param.name.ends_with("solo");
        settable(param) && (stage || param.name == "Push")
    };
    let chain: Vec<_> = all.iter().filter(chain).map(|param| &param.name).collect();
    let params: BTreeMap<_, _> = all
        .iter()
        .map(|param| (&param.name, settable(param)))
        .collect();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/host/vst3_pedalboard.py");
    let bundle = PathBuf::from(bundled).join("Crestline.vst3");
    let mut command = Command::new(python());
    command
        .arg(script)
        .arg(bundle)
        .arg(serde_json::to_string(&params).unwrap())
        .arg(serde_json::to_string(&chain).unwrap())
        .arg(env!("CARGO_TARGET_TMPDIR"));
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
    assert_clap_makes_the_same(&mut clap, Path::new(env!("CARGO_TARGET_TMPDIR")));
}

fn settable(param: &Param) -> bool {
    !param.flags.contains(ParamInfoFlags::IS_READONLY)
}

/// Plays what the VST3 has played with the settings that it had, and compares what comes out.
fn assert_clap_makes_the_same(clap: &mut ClapHost, folder: &Path) {
    /// The largest difference that is allowed.
    const SAME: f32 = 1e-6;
    let [input, output] = ["input", "output"].map(|name| {
        let bytes = std::fs::read(folder.join(name).with_extension("f32")).unwrap();
        let samples: Vec<f32> = bytes
            .chunks_exact(4)
            .map(|sample| f32::from_le_bytes(sample.try_into().unwrap()))
            .collect();
        let halves = samples.chunks_exact(samples.len() / 2);
        halves.map(<[f32]>::to_vec).collect::<Vec<_>>()
    });
    let settings = std::fs::read_to_string(folder.join("settings.json")).unwrap();
    let settings: BTreeMap<String, f64> = serde_json::from_str(&settings).unwrap();
    clap.activate(48_000.0, 512).unwrap();
    let changes: Vec<_> = clap
        .params()
        .unwrap()
        .into_iter()
        .filter_map(|param| {
            let value = settings.get(&param.name)? * param.range.end();
            Some(Change {
                frame: 0,
                id: param.id,
                value,
            })
        })
        .collect();
    assert_eq!(changes.len(), settings.len());
    let latency = clap.latency().unwrap();
    let mut main = input;
    for channel in &mut main {
        channel.extend(vec![0.0; latency]);
    }
    let played = clap
        .run(Run {
            changes: &changes,
            playing: false,
            ..Run::new(&main, &[512])
        })
        .unwrap();
    let pairs = played.iter().flat_map(|channel| &channel[latency..]);
    let furthest = pairs
        .zip(output.iter().flatten())
        .map(|(one, other)| (one - other).abs())
        .fold(0.0, f32::max);
    say(&format!("CLAP and the VST3 bundle differ by {furthest:e}"));
    assert!(furthest <= SAME, "{furthest}");
    assert!(output.iter().flatten().any(|sample| sample.abs() > 0.1));
}
