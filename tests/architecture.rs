//! Who may use whom, how long a file may grow, and what lies at the top of the repository.
//!
//! Imports are found in the tokens of the sources: `crate::…` and `super::…` paths anywhere, in groups, in expressions, and inside macros;
//! comments and strings do not count.

#![expect(
    clippy::unwrap_used,
    reason = "a test stops at the first thing that goes wrong"
)]

use proc_macro2::{Delimiter, TokenStream, TokenTree};
use std::collections::BTreeSet;
use std::fmt::{self, Display};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Each module at the top of the crate, and those that it may use.
const ARROWS: &[(&str, &[&str])] = &[
    ("dsp", &[]),
    ("measure", &["dsp"]),
    ("process", &["dsp"]),
    // What is handed over is made of what was measured.
    ("handover", &["measure", "dsp"]),
    ("engine", &["handover", "process", "measure", "dsp"]),
    ("session", &["handover", "dsp"]),
    (
        "offline",
        &["engine", "handover", "process", "measure", "dsp", "session"],
    ),
    ("params", &["session", "handover", "process", "dsp"]),
    ("editor", &["params", "session", "handover", "dsp"]),
    (
        "plugin",
        &[
            "editor", "params", "session", "handover", "engine", "process", "measure", "dsp",
        ],
    ),
    ("main", &["offline"]),
];

/// Parts of a module that may use more than the rest of it.
const EXCEPTIONS: &[(&[&str], &str)] = &[
    // The forecast is the engine, run over what was played.
    (&["session", "forecast"], "engine"),
];

/// The modules that know the plug-in framework or its windows. All others build and run without either.
const FRAMEWORK_USERS: [&str; 3] = ["params", "editor", "plugin"];
const FRAMEWORK: [&str; 2] = ["nice_plug", "egui"];

const MOST_LINES: usize = 500;
/// Longer files, and why.
const LONG_FILES: &[(&str, &str)] = &[];

const TOP_LEVEL: [&str; 13] = [
    ".cargo",
    ".ci",
    ".gitignore",
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

/// Something that a module refers to, by its path from the crate's root.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Reference {
    line: usize,
    path: Vec<String>,
}

impl Display for Reference {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "line {}: {}", self.line, self.path.join("::"))
    }
}

/// Everything that a source refers to in this crate and in the framework.
#[derive(Default)]
struct References {
    in_crate: Vec<Reference>,
    framework: Vec<Reference>,
}

fn references(source: &str, module: &[String]) -> References {
    let mut found = References::default();
    walk(source.parse().unwrap(), module, &mut found);
    found
}

fn walk(tokens: TokenStream, module: &[String], found: &mut References) {
    let tokens: Vec<_> = tokens.into_iter().collect();
    for (index, token) in tokens.iter().enumerate() {
        match token {
            TokenTree::Group(group) => {
                let inline = index
                    .checked_sub(2)
                    .filter(|start| is_ident(&tokens[*start], "mod"));
                let mut inner = module.to_vec();
                inner.extend(inline.map(|start| tokens[start + 1].to_string()));
                walk(group.stream(), &inner, found);
            }
            TokenTree::Ident(ident) => {
                let name = ident.to_string();
                if FRAMEWORK
                    .iter()
                    .any(|framework| name.starts_with(framework))
                {
                    found.framework.push(Reference {
                        line: ident.span().start().line,
                        path: vec![name],
                    });
                    continue;
                }
                let within_path = index >= 2 && is_separator(&tokens[index - 2..index]);
                let Some(base) = start_of_path(&name, module).filter(|_| !within_path) else {
                    continue;
                };
                let after = &tokens[index + 1..];
                if is_separator(after) {
                    follow(after, base, &mut found.in_crate);
                } else if after.first().is_some_and(|next| is_ident(next, "as")) && name != "self" {
                    found.in_crate.push(Reference {
                        line: ident.span().start().line,
                        path: base,
                    });
                }
            }
            _ => (),
        }
    }
}

/// Where a path that starts with this word starts, if it is one of this crate's.
fn start_of_path(word: &str, module: &[String]) -> Option<Vec<String>> {
    match word {
        // The program is a crate of its own, beside the library.
        "crate" if module.first().is_some_and(|first| first == "main") => Some(vec!["main".into()]),
        "crate" | "crestline" => Some(Vec::new()),
        "self" => Some(module.to_vec()),
        "super" => Some(parent(module)),
        _ => None,
    }
}

fn parent(module: &[String]) -> Vec<String> {
    module[..module.len().saturating_sub(1)].to_vec()
}

/// Follows a path on from `base`, through groups to each of its ends.
fn follow(tokens: &[TokenTree], base: Vec<String>, found: &mut Vec<Reference>) {
    if !is_separator(tokens) {
        return;
    }
    match tokens.get(2) {
        Some(TokenTree::Group(group)) if group.delimiter() == Delimiter::Brace => {
            let items: Vec<_> = group.stream().into_iter().collect();
            for item in items
                .split(|token| matches!(token, TokenTree::Punct(comma) if comma.as_char() == ','))
            {
                step(item, base.clone(), found);
            }
        }
        Some(_) => step(&tokens[2..], base, found),
        None => (),
    }
}

/// Takes the next word of a path.
fn step(tokens: &[TokenTree], mut base: Vec<String>, found: &mut Vec<Reference>) {
    let Some(first) = tokens.first() else { return };
    match first.to_string().as_str() {
        "self" => (),
        "super" => base = parent(&base),
        word => base.push(word.to_owned()),
    }
    if is_separator(&tokens[1..]) {
        follow(&tokens[1..], base, found);
    } else {
        found.push(Reference {
            line: first.span().start().line,
            path: base,
        });
    }
}

fn is_ident(token: &TokenTree, word: &str) -> bool {
    matches!(token, TokenTree::Ident(ident) if ident == word)
}

fn is_separator(tokens: &[TokenTree]) -> bool {
    let colon =
        |token: &TokenTree| matches!(token, TokenTree::Punct(punct) if punct.as_char() == ':');
    tokens.len() >= 2 && tokens[..2].iter().all(colon)
}

/// Whether a module may refer to something in this crate.
fn may_use(module: &[String], path: &[String]) -> bool {
    // The crate's root only lists the modules.
    let Some(from) = module.first() else {
        return true;
    };
    let Some(to) = path.first() else { return false };
    let allowed = |(name, uses): &(&str, &[&str])| name == from && uses.contains(&to.as_str());
    let exception = |(part, used): &(&[&str], &str)| {
        used == to
            && module.len() >= part.len()
            && part.iter().zip(module).all(|(part, module)| part == module)
    };
    from == to || ARROWS.iter().any(allowed) || EXCEPTIONS.iter().any(exception)
}

/// What is wrong with a source of this module.
fn faults(source: &str, module: &[String]) -> Vec<String> {
    let found = references(source, module);
    let mut faults: Vec<_> = found
        .in_crate
        .iter()
        .filter(|used| !may_use(module, &used.path))
        .map(ToString::to_string)
        .collect();
    if module
        .first()
        .is_some_and(|first| !FRAMEWORK_USERS.contains(&first.as_str()))
    {
        faults.extend(found.framework.iter().map(ToString::to_string));
    }
    faults
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn sources(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    entries
        .flat_map(|path| {
            if path.is_dir() {
                sources(&path)
            } else {
                vec![path]
            }
        })
        .filter(|path| path.extension().is_some_and(|extension| extension == "rs"))
        .collect()
}

/// The module that a file below `src` holds; nothing for the crate's root.
fn module(file: &Path) -> Vec<String> {
    let within = file
        .strip_prefix(root().join("src"))
        .unwrap()
        .with_extension("");
    let names: Vec<_> = within
        .iter()
        .map(|name| name.to_str().unwrap().to_owned())
        .collect();
    if names == ["lib"] { Vec::new() } else { names }
}

#[test]
fn modules_use_only_those_below_them() {
    let files = sources(&root().join("src"));
    let modules: BTreeSet<_> = files
        .iter()
        .filter_map(|file| module(file).into_iter().next())
        .collect();
    let known: BTreeSet<_> = ARROWS.iter().map(|(name, _)| (*name).to_owned()).collect();
    assert_eq!(modules, known, "each module needs its arrows");
    let of = |file: &PathBuf| {
        let faults = faults(&fs::read_to_string(file).unwrap(), &module(file));
        faults
            .into_iter()
            .map(|fault| format!("{}, {fault}", file.strip_prefix(root()).unwrap().display()))
            .collect()
    };
    let faults: Vec<String> = files
        .iter()
        .flat_map(|file| -> Vec<String> { of(file) })
        .collect();
    assert!(
        faults.is_empty(),
        "against the arrows:\n{}",
        faults.join("\n")
    );
}

#[test]
fn the_table_of_arrows_has_no_circle() {
    // Each module may only use modules that stand above it in the table: then none can reach itself.
    for (index, (name, uses)) in ARROWS.iter().enumerate() {
        for used in *uses {
            assert!(
                ARROWS[..index].iter().any(|(above, _)| above == used),
                "{name} -> {used}"
            );
        }
    }
}

#[test]
fn a_file_stays_short_enough_to_be_read() {
    let mut long = Vec::new();
    for file in sources(&root().join("src")) {
        let name = file
            .strip_prefix(root())
            .unwrap()
            .to_str()
            .unwrap()
            .to_owned();
        let lines = fs::read_to_string(&file).unwrap().lines().count();
        let listed = LONG_FILES.iter().any(|(listed, _)| *listed == name);
        assert!(
            !listed || lines > MOST_LINES,
            "{name} need not be on the list"
        );
        if lines > MOST_LINES && !listed {
            long.push(format!("{name}: {lines} lines"));
        }
    }
    assert!(long.is_empty(), "{}", long.join("\n"));
    assert!(
        LONG_FILES
            .iter()
            .all(|(name, reason)| root().join(name).is_file() && !reason.is_empty())
    );
}

#[test]
fn the_top_of_the_repository_holds_what_it_should_and_nothing_else() {
    let listed = Command::new("git")
        .args(["ls-files", "--cached", "--others", "--exclude-standard"])
        .current_dir(root())
        .output();
    let Some(listed) = listed.ok().filter(|listed| listed.status.success()) else {
        // Not `println!`, which the test harness swallows.
        let _ = writeln!(std::io::stderr(), "skipped: not in a git repository");
        return;
    };
    let listed = String::from_utf8(listed.stdout).unwrap();
    let entries: BTreeSet<_> = listed
        .lines()
        .filter(|path| root().join(path).exists())
        .map(|path| path.split('/').next().unwrap())
        .collect();
    assert_eq!(entries, BTreeSet::from(TOP_LEVEL));
}

mod the_checker_notices {
    use super::*;

    fn path(module: &str) -> Vec<String> {
        module.split("::").map(str::to_owned).collect()
    }

    fn assert_fault(module: &str, source: &str) {
        assert!(
            !faults(source, &path(module)).is_empty(),
            "{module}: {source}"
        );
    }

    fn assert_sound(module: &str, source: &str) {
        assert_eq!(faults(source, &path(module)), [""; 0], "{module}: {source}");
    }

    #[test]
    fn an_import_against_the_arrows() {
        assert_fault("measure", "use crate::process::Chain;");
        assert_fault("process::bands", "use crate::measure::Meter;");
        assert_fault("dsp", "pub use crate::measure;");
        assert_fault("editor", "use crate::engine::Engine;");
        assert_fault("handover", "use crate::engine::Engine as E;");
        assert_fault("main", "use crestline::engine::Engine;");
        assert_sound(
            "engine",
            "use crate::process::Chain; use crate::measure::{self, Meter};",
        );
        assert_sound("main", "use crestline::offline::measure_files;");
        assert_sound("main", "use crate::arguments::Arguments;");
    }

    #[test]
    fn only_the_forecast_of_the_session_runs_the_engine() {
        assert_sound("session::forecast", "use crate::engine::Engine;");
        assert_sound("session::forecast::thread", "use crate::engine::Engine;");
        assert_fault("session::history", "use crate::engine::Engine;");
        assert_fault("session::forecaster", "use crate::engine::Engine;");
    }

    #[test]
    fn one_bad_import_in_a_group() {
        assert_fault(
            "process",
            "use crate::{dsp::biquad, engine::{self, Engine}};",
        );
        assert_fault("process", "use crate::{dsp::{biquad, fir}, measure};");
        assert_sound(
            "process",
            "use crate::{dsp::{biquad, fir::{self, Fir}}, process::Chain};",
        );
    }

    #[test]
    fn paths_outside_of_imports() {
        assert_fault("dsp", "fn f() -> f32 { crate::engine::gain() }");
        assert_fault("dsp", "fn f<T: Into<crate::engine::Spec>>(t: T) {}");
        assert_fault(
            "dsp",
            "fn f() { <crate::engine::Spec as Default>::default(); }",
        );
        assert_fault("dsp", "fn f() { use crate::measure::Meter; }");
        assert_fault("dsp", "pub(in crate::engine) struct S;");
        assert_sound(
            "dsp",
            "pub(crate) fn f(crate_: u8) -> bool { a::engine::x() && b.engine }",
        );
    }

    #[test]
    fn paths_inside_macros() {
        assert_fault("dsp", "macro_rules! m { () => { $crate::engine::gain() } }");
        assert_fault("dsp", "fn f() { let v = vec![crate::engine::gain(); 3]; }");
        assert_fault(
            "dsp",
            "#[derive(Debug)] #[attribute(crate::engine::Spec)] struct S;",
        );
    }

    #[test]
    fn a_way_round_through_super() {
        assert_fault("process::bands", "use super::super::measure::Meter;");
        assert_fault("process::bands", "use super::{super::measure::Meter};");
        assert_fault("process", "use super::measure;");
        assert_fault("process", "mod tests { use super::super::engine::Engine; }");
        assert_fault(
            "process",
            "mod tests { mod more { fn f() { super::super::super::engine::gain() } } }",
        );
        assert_fault("process", "use self::super::engine;");
        assert_sound(
            "process::bands",
            "use super::gain; use super::super::dsp::fir; mod tests { use super::super::*; }",
        );
    }

    #[test]
    fn the_root_taken_as_a_whole() {
        assert_fault("measure", "use crate::*;");
        assert_fault("measure", "use super::*;");
        assert_fault("measure", "use crate::Crestline;");
        assert_fault("measure", "use {crate as root};");
        assert_fault("measure", "use crate::{self as root};");
    }

    #[test]
    fn the_framework_below_the_parameters() {
        assert_fault("session", "use egui::Ui;");
        assert_fault("engine", "fn f(buffer: &mut nice_plug::buffer::Buffer) {}");
        assert_fault(
            "offline",
            "#[cfg(test)] mod tests { use nice_plug_egui::EguiEditor; }",
        );
        assert_sound("editor::theme", "use egui::Ui; use nice_plug::prelude::*;");
    }

    #[test]
    fn nothing_in_comments_and_strings() {
        let comment = "//! [`crate::engine`]\n/// See egui and crate::engine::Engine.\n// use crate::engine;\nfn f() {}";
        assert_sound("dsp", comment);
        assert_sound(
            "dsp",
            "/* use crate::engine; */ const A: &str = \"crate::engine::Engine\"; const B: &str = r#\"egui\"#;",
        );
    }
}
