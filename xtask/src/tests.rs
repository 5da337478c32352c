//! All tests: compiled at once, then run a program for each core at a time, while the bundle is
//! built. One program after the other leaves a core idle while the last long test of each runs, and
//! the bundle does where one crate waits for another.

use crate::checked::checked;
use crate::step::line;
use cargo_metadata::{Artifact, Message};
use nice_plug_xtask::Result;
use std::io::{BufReader, Error};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::mpsc::{self, Sender};
use std::sync::{Mutex, PoisonError};
use std::thread;

/// These take longest and begin first, so that no core is idle at the end.
const LONGEST: [&str; 5] = ["engine", "reduction", "editor", "command", "measure"];
/// These begin once there is a bundle: the first tries it out, the others compile in the same place.
const AFTER_THE_BUNDLE: [&str; 3] = ["host", "documentation", "examples"];

/// What is run to its end: a test program, or something else that may run beside them.
pub struct Program {
    /// What it is called in the output.
    pub name: String,
    /// What runs it.
    pub command: Command,
}

/// Compiles all tests of the workspace.
///
/// # Errors
/// They do not compile; the compiler has said why.
pub fn compile() -> Result<Vec<Program>> {
    let mut command = checked("test")?;
    command.args(["--no-run", "--message-format=json-render-diagnostics"]);
    let mut compiler = command.stdout(Stdio::piped()).spawn()?;
    let told = compiler.stdout.take().map(BufReader::new);
    let mut programs = Vec::new();
    for message in told.into_iter().flat_map(Message::parse_stream) {
        if let Message::CompilerArtifact(artifact) = message? {
            programs.extend(program(artifact));
        }
    }
    let status = compiler.wait()?;
    if !status.success() {
        return Err(Error::other(format!("`{}` failed ({status})", line(&command))).into());
    }
    Ok(programs)
}

/// Run as `cargo test` would, or none where this is no test program.
fn program(artifact: Artifact) -> Option<Program> {
    let file = artifact.executable.filter(|_| artifact.profile.test)?;
    let folder = artifact.manifest_path.parent()?;
    let mut command = Command::new(file);
    command
        .arg("--quiet")
        .current_dir(folder)
        .env("CARGO_MANIFEST_DIR", folder);
    Some(Program {
        name: artifact.target.name,
        command,
    })
}

/// Runs the programs to their ends, each with `settings` in its environment, and meanwhile
/// `bundle`, which must have succeeded before what tries it out begins.
///
/// # Errors
/// A program fails, after the others have run and what it had to say has been printed; or there is
/// no bundle.
pub fn run(
    programs: Vec<Program>,
    settings: &[(&str, PathBuf)],
    bundle: impl FnOnce() -> Result<()>,
) -> Result<()> {
    let (last, mut first): (Vec<_>, Vec<_>) = programs
        .into_iter()
        .partition(|program| AFTER_THE_BUNDLE.contains(&program.name.as_str()));
    let rank = |program: &Program| LONGEST.iter().position(|name| *name == program.name);
    first.sort_by_key(|program| rank(program).unwrap_or(LONGEST.len()));
    let (queue, waiting) = mpsc::channel::<Program>();
    let waiting = Mutex::new(waiting);
    let failures = Mutex::new(Vec::new());
    let next = || {
        let waiting = waiting.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.recv()
    };
    let bundled = thread::scope(|scope| {
        for _ in 0..thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                while let Ok(mut program) = next() {
                    program.command.envs(settings.iter().cloned());
                    if let Err(said) = to_its_end(&mut program) {
                        let mut failures = failures.lock().unwrap_or_else(PoisonError::into_inner);
                        failures.push((program.name, said));
                    }
                }
            });
        }
        let bundled = begin(&queue, first)
            .and_then(|()| bundle())
            .and_then(|()| begin(&queue, last));
        // However it went: with the queue, those who take from it end.
        drop(queue);
        bundled
    });
    let failures = failures
        .into_inner()
        .unwrap_or_else(PoisonError::into_inner);
    for (_, said) in &failures {
        println!("\n{said}");
    }
    bundled?;
    if failures.is_empty() {
        return Ok(());
    }
    let names: Vec<_> = failures.iter().map(|(name, _)| name.as_str()).collect();
    Err(Error::other(format!("failed: {}", names.join(", "))).into())
}

fn begin(queue: &Sender<Program>, programs: Vec<Program>) -> Result<()> {
    for program in programs {
        queue.send(program)?;
    }
    Ok(())
}

/// Says how it went and what it passed over; fails with all that it had to say.
fn to_its_end(Program { name, command }: &mut Program) -> std::result::Result<(), String> {
    let ended = command.output();
    let ended = ended.map_err(|error| format!("{name} cannot be run: {error}"))?;
    let [said, complained] =
        [&ended.stdout, &ended.stderr].map(|text| String::from_utf8_lossy(text));
    if !ended.status.success() {
        let status = ended.status;
        println!("{name}: FAILED ({status}), see below");
        return Err(format!("== {name}: {status} ==\n{said}\n{complained}"));
    }
    let mut lines = said.lines();
    let result = lines.find_map(|line| line.strip_prefix("test result: "));
    print!("{name}: {}\n{complained}", result.unwrap_or("ok"));
    Ok(())
}
