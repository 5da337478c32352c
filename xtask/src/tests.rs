//! All tests: compiled at once, then run, most of them two programs at a time.

use crate::checked::checked;
use crate::step::{line, seconds};
use cargo_metadata::{Artifact, Message};
use nice_plug_xtask::Result;
use std::io::{BufReader, Error};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::time::Instant;

/// The test programs of this workspace, those that take longest first: the rest, unit tests, are over
/// in seconds.
const EXPECTED: [&str; 9] = [
    "engine",
    "reduction",
    "command",
    "realtime",
    "measure",
    "process",
    "host",
    "editor",
    "house",
];

/// What is run to its end: a test program, or something else that is checked.
pub struct Program {
    /// What it is called in the output.
    pub name: String,
    /// What runs it.
    pub command: Command,
    /// Whether what it prints is shown, also where it succeeds.
    pub shown: bool,
}

/// Compiles all tests of the workspace, and puts those that take longest first.
///
/// # Errors
/// They do not compile; the compiler has said why. A program that there must be is not there.
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
    let place = |name: &str| EXPECTED.iter().position(|expected| *expected == name);
    let missing = |name: &&&str| programs.iter().all(|program| program.name != ***name);
    if let Some(name) = EXPECTED.iter().find(missing) {
        return Err(Error::other(format!("there are no tests named {name}")).into());
    }
    programs.sort_by_key(|program| place(&program.name).unwrap_or(EXPECTED.len()));
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
        shown: false,
    })
}

/// Runs the programs to their ends, two at a time: those of `in_turn` one after the other, beside them
/// those of `others`, in this order.
///
/// # Errors
/// A program fails, after the others have run and what it had to say has been printed.
pub fn run(in_turn: Vec<Program>, others: Vec<Program>) -> Result<()> {
    let waiting = Mutex::new(others.into_iter());
    let failed = Mutex::new(Vec::new());
    let next = || waiting.lock().ok()?.next();
    let run = |mut program: Program| {
        if let Err(said) = to_its_end(&mut program)
            && let Ok(mut failed) = failed.lock()
        {
            failed.push((program.name, said));
        }
    };
    std::thread::scope(|scope| {
        scope.spawn(|| {
            in_turn.into_iter().for_each(run);
            std::iter::from_fn(next).for_each(run);
        });
        scope.spawn(|| std::iter::from_fn(next).for_each(run));
    });
    let failed = failed.into_inner().unwrap_or_default();
    for (_, said) in &failed {
        println!("\n{said}");
    }
    if failed.is_empty() {
        return Ok(());
    }
    let names: Vec<_> = failed.iter().map(|(name, _)| name.as_str()).collect();
    Err(Error::other(format!("failed: {}", names.join(", "))).into())
}

/// Says how it went and what it passed over; fails with all that it had to say.
fn to_its_end(program: &mut Program) -> std::result::Result<(), String> {
    let Program {
        name,
        command,
        shown,
    } = program;
    let start = Instant::now();
    let ended = command.output();
    let took = seconds(start.elapsed());
    let ended = ended.map_err(|error| format!("{name} cannot be run: {error}"))?;
    let [said, complained] =
        [&ended.stdout, &ended.stderr].map(|text| String::from_utf8_lossy(text));
    if !ended.status.success() {
        let status = ended.status;
        println!("{name}: FAILED ({status}) after {took}, see below");
        return Err(format!("== {name}: {status} ==\n{said}\n{complained}"));
    }
    let mut lines = said.lines();
    let result = lines.find_map(|line| line.strip_prefix("test result: "));
    let result = result.and_then(|result| result.split("; finished").next());
    let result = result.unwrap_or("ok");
    print!("{name}, {took}: {result}\n{complained}");
    if *shown {
        println!("{said}");
    }
    Ok(())
}
