//! Everything that must hold before a change is kept. Stops at the first step that fails.

use crate::checked::checked;
use crate::step::{cargo, run, seconds};
use crate::tests::Program;
use crate::{bundled_dir, setup, target_dir, tests};
use nice_plug_xtask::Result;
use std::io::Error;
use std::process::Command;
use std::time::{Duration, Instant};

/// Tells the tests where the bundle lies that was built from the sources they were built from.
/// Without it they pass the bundle over, since it may be an old one.
const BUNDLED: &str = "CRESTLINE_BUNDLED";
/// In what tests say that pass the bundle over.
const NO_BUNDLE: &str = "builds the bundle from these sources first";
/// The file to which tests write what they pass over, a line each.
const SKIPPED: &str = "CRESTLINE_SKIPPED";
/// Test programs that play against the clock or hold pictures of a window that does, and the one
/// that needs the bundle: they run once it is there, one after the other.
const ALONE: [&str; 2] = ["editor", "host"];

/// Formatting, lints, documentation, and all tests; those of the audio thread as shipped too. With
/// `demo` the walk through the whole job as well.
///
/// # Errors
/// The first step that fails.
pub fn everything(demo: bool) -> Result<()> {
    let mut steps = Steps::default();
    // None of it is needed before the tests run.
    let set_up = std::thread::Builder::new().name("set-up".to_owned());
    let set_up = set_up.spawn(|| {
        if let Err(error) = setup::install() {
            println!(
                "Set-up: {error}. Tests that lack something are passed over and listed below."
            );
        }
    })?;
    let skipped = target_dir().join("skipped.txt");
    let _ = std::fs::remove_file(&skipped);
    steps.step("formatting", || run(cargo(["fmt", "--all", "--check"])))?;
    steps.step("lints", || {
        let mut command = checked("clippy")?;
        command.args(["--all-targets", "--", "--deny", "warnings"]);
        run(command)
    })?;
    let mut programs = Vec::new();
    steps.step("tests, compiled", || {
        programs = tests::compile()?;
        Ok(())
    })?;
    for Program { command, .. } in &mut programs {
        command.env(BUNDLED, bundled_dir()).env(SKIPPED, &skipped);
    }
    let alone = programs.extract_if(.., |program| ALONE.contains(&program.name.as_str()));
    let alone = alone.collect();
    // What it lacks it has said.
    let _ = set_up.join();
    steps.step("bundle, documentation, most tests", || {
        // Cargo has one lock for all that it builds.
        let mut in_turn = vec![bundle()?];
        in_turn.extend(demo.then(walk));
        in_turn.extend([documentation()?, examples()?]);
        tests::run(in_turn, programs)
    })?;
    steps.step("tests that need the machine alone", || {
        tests::run(alone, Vec::new())
    })?;
    steps.step("audio thread, as shipped", || {
        let mut command = Command::new(target_dir().join("release/realtime"));
        command.arg("--quiet").env(SKIPPED, &skipped);
        run(command)
    })?;
    let skipped = std::fs::read_to_string(&skipped).unwrap_or_default();
    steps.summary(&skipped);
    // It has been built, and they were told where.
    let passed_over = skipped.lines().find(|line| line.contains(NO_BUNDLE));
    passed_over.map_or(Ok(()), |line| Err(Error::other(line).into()))
}

/// As this program makes it by itself.
fn bundle() -> Result<Program> {
    let mut command = Command::new(std::env::current_exe()?);
    command.arg("bundle");
    Ok(Program {
        name: "bundle".to_owned(),
        command,
        shown: false,
    })
}

/// The demo, of what has been bundled.
fn walk() -> Program {
    Program {
        name: "demo".to_owned(),
        command: crate::walk(),
        shown: true,
    }
}

fn documentation() -> Result<Program> {
    let mut command = checked("doc")?;
    command.arg("--no-deps");
    command.env("RUSTDOCFLAGS", "--deny warnings");
    Ok(Program {
        name: "documentation".to_owned(),
        command,
        shown: false,
    })
}

/// Those that stand in the documentation.
fn examples() -> Result<Program> {
    let mut command = checked("test")?;
    command.arg("--doc");
    Ok(Program {
        name: "examples".to_owned(),
        command,
        shown: false,
    })
}

/// The steps done so far.
#[derive(Default)]
struct Steps {
    done: usize,
    total: Duration,
}

impl Steps {
    fn step(&mut self, name: &str, work: impl FnOnce() -> Result<()>) -> Result<()> {
        println!("\n== {name} ==");
        let start = Instant::now();
        let result = work();
        let took = start.elapsed();
        self.total += took;
        match &result {
            Ok(()) => {
                self.done += 1;
                println!("-- {name}: passed in {}", seconds(took));
            }
            Err(_) => println!("-- {name}: FAILED after {}", seconds(took)),
        }
        result
    }

    /// `skipped`: a line for each test that was passed over.
    fn summary(&self, skipped: &str) {
        for line in skipped.lines() {
            println!("skipped: {line}");
        }
        println!(
            "\nAll {} steps passed in {}, {} tests skipped.",
            self.done,
            seconds(self.total),
            skipped.lines().count()
        );
    }
}
