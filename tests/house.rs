//! What Cargo cannot say of the house: who may use whom within a crate, how long a file may grow,
//! and what lies at the top of the repository.

#![expect(
    clippy::unwrap_used,
    reason = "a test stops at the first thing that goes wrong"
)]

use crestline_core::dsp::setting::Setting;
use crestline_core::process::{
    BandSettings, BandsSettings, LimiterSettings, PushSettings, SaturatorSettings, ShelvesSettings,
};
use crestline_core::session::reference::PROFILE_VERSION;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Folders and files of the sources, and the paths that must not stand in them.
const FORBIDDEN: &[(&str, &[&str])] = &[
    (
        "core/dsp",
        &["measure", "process", "engine", "handover", "session"],
    ),
    (
        "core/measure",
        &["process", "engine", "handover", "session"],
    ),
    (
        "core/process",
        &["measure", "engine", "handover", "session"],
    ),
    ("core/handover", &["process", "engine", "session"]),
    ("core/engine", &["session"]),
    ("plugin/editor", &["engine", "plugin"]),
    ("plugin/params", &["engine", "editor", "plugin"]),
];

const MOST_LINES: usize = 500;

const TOP_LEVEL: [&str; 14] = [
    ".cargo",
    ".ci",
    ".gitignore",
    ".rustfmt.toml",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "README.md",
    "bundler.toml",
    "src",
    "tests",
    "xtask",
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Every Rust source below a folder.
fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
}

/// The first line that names one of the forbidden modules by its path from the crate's root, or by
/// that of the core.
fn offence(source: &str, forbidden: &[&str]) -> Option<String> {
    let names = |line: &str, module: &str| {
        ["crate::", "crestline_core::"].iter().any(|root| {
            line.match_indices(root).any(|(at, _)| {
                let rest = &line[at + root.len()..];
                // A group of imports names its modules further on in the line.
                let group = rest.starts_with('{') && rest.contains(module);
                group
                    || rest.strip_prefix(module).is_some_and(|after| {
                        !after.starts_with(|next: char| next.is_alphanumeric() || next == '_')
                    })
            })
        })
    };
    source
        .lines()
        .map(str::trim_start)
        .filter(|line| !line.starts_with("//"))
        .find(|line| forbidden.iter().any(|module| names(line, module)))
        .map(String::from)
}

#[test]
fn modules_know_only_what_lies_below_them() {
    let mut checked = 0;
    for (module, forbidden) in FORBIDDEN {
        let place = root().join("src").join(module);
        let mut files = vec![place.with_extension("rs")];
        sources(&place, &mut files);
        for file in files {
            let found = offence(&fs::read_to_string(&file).unwrap(), forbidden);
            assert_eq!(found, None, "in {}", file.display());
            checked += 1;
        }
    }
    assert!(checked > 60, "{checked} files");
}

#[test]
fn a_forbidden_path_is_noticed() {
    for line in [
        "use crate::process::Chain;",
        "    let x = crate::process::curve(1.0);",
        "use crate::{dsp, process};",
        "use crestline_core::process;",
    ] {
        assert!(offence(line, &["process"]).is_some(), "{line}");
    }
    for line in [
        "// crate::process is not used here",
        "use crate::processing::Chain;",
    ] {
        assert_eq!(offence(line, &["process"]), None, "{line}");
    }
}

#[test]
fn no_file_outgrows_one_idea() {
    for folder in ["src", "tests", "xtask"] {
        let mut files = Vec::new();
        sources(&root().join(folder), &mut files);
        for file in files {
            let lines = fs::read_to_string(&file).unwrap().lines().count();
            let test = folder == "tests";
            // A promise's cases belong together, so its file may be longer.
            let most = if test { 2 * MOST_LINES } else { MOST_LINES };
            assert!(lines <= most, "{} has {lines} lines", file.display());
        }
    }
}

// Each crate whose examples are compiled takes seconds of every check.
#[test]
fn examples_stand_where_they_are_compiled() {
    let mut files = Vec::new();
    for folder in ["src", "tests"] {
        sources(&root().join(folder), &mut files);
    }
    let compiled = root().join("src/files");
    for file in files.iter().filter(|file| !file.starts_with(&compiled)) {
        let source = fs::read_to_string(file).unwrap();
        let mut fences = source.lines().filter_map(|line| {
            let line = line.trim_start();
            let text = line.strip_prefix("///").or(line.strip_prefix("//!"))?;
            text.trim_start().strip_prefix("```")
        });
        while let Some(begins) = fences.next() {
            assert_eq!(begins, "text", "{}: set doctest", file.display());
            fences.next();
        }
    }
}

#[test]
fn the_top_of_the_repository_holds_what_it_should() {
    let listed = Command::new("git")
        .args(["ls-files"])
        .current_dir(root())
        .output();
    let Some(listed) = listed.ok().filter(|output| output.status.success()) else {
        return kit::skip::skip("the top of the repository", "not a git checkout");
    };
    let names: BTreeSet<_> = std::str::from_utf8(&listed.stdout)
        .unwrap()
        .lines()
        .map(|path| path.split('/').next().unwrap())
        .collect();
    for name in names {
        assert!(TOP_LEVEL.contains(&name), "{name} at the top");
    }
}

#[test]
fn the_readme_tells_the_version_of_profiles_that_is_written() {
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    assert!(readme.contains(&format!(
        "A saved profile is one object too: `version` ({PROFILE_VERSION})"
    )));
}

#[test]
fn the_readme_tells_the_ranges_that_the_stages_have() {
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    let row = |stage: &str| {
        let start = format!("| {stage} |");
        let mut rows = readme.lines().filter(|line| line.starts_with(&start));
        rows.next().unwrap().to_owned()
    };
    let [low, mid, high] = BandsSettings::CROSSOVERS_HZ;
    let stages: [(&str, &[Setting]); 5] = [
        ("push", &[PushSettings::PUSH_DB]),
        (
            "shelves",
            &[
                ShelvesSettings::LOW_HZ,
                ShelvesSettings::HIGH_HZ,
                ShelvesSettings::GAIN_DB,
            ],
        ),
        (
            "bands",
            &[
                low,
                mid,
                high,
                BandSettings::THRESHOLD_DB,
                BandSettings::RATIO,
                BandSettings::KNEE_DB,
                BandSettings::ATTACK_MS,
                BandSettings::RELEASE_MS,
                BandSettings::MAKEUP_DB,
            ],
        ),
        (
            "saturator",
            &[
                SaturatorSettings::SHOULDER_DB,
                SaturatorSettings::LEAN_PERCENT,
                SaturatorSettings::BLEND_PERCENT,
            ],
        ),
        (
            "limiter",
            &[
                LimiterSettings::CEILING_DBTP,
                LimiterSettings::RELEASE_MS,
                LimiterSettings::LINK_PERCENT,
            ],
        ),
    ];
    for (stage, settings) in stages {
        // All that stands between numbers of the row, in its order.
        let row = row(stage).replace('\u{2212}', "-");
        let numbers =
            row.split(|letter: char| !(letter.is_ascii_digit() || "-.…".contains(letter)));
        let told: Vec<_> = numbers.filter(|word| word.contains('…')).collect();
        let held = |Setting { min, max, .. }: &Setting| format!("{min}…{max}");
        assert_eq!(
            told,
            settings.iter().map(held).collect::<Vec<_>>(),
            "{stage}"
        );
    }
}
