//! All tests: compiled at once, then run, most of them two programs at a time.

use crate::checked::checked;
use crate::step::{line, seconds};
use cargo_metadata::{Artifact, Message};
use nice_plug_xtask::Result;
use std::io::{BufReader, Error};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::time::Instant;

/// What is run to its end: a test program, or something else that is checked.
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

/// Runs the programs to their ends, in this order, so many of them at a time.
///
/// # Errors
/// A program fails, after the others have run and what it had to say has been printed.
pub fn run(programs: Vec<Program>, at_a_time: usize) -> Result<()> {
    let waiting = Mutex::new(programs.into_iter());
    let failed = Mutex::new(Vec::new());
    let next = || waiting.lock().ok()?.next();
    std::thread::scope(|scope| {
        for _ in 0..at_a_time {
            scope.spawn(|| {
                while let Some(mut program) = next() {
                    if let Err(said) = to_its_end(&mut program)
                        && let Ok(mut failed) = failed.lock()
                    {
                        failed.push((program.name, said));
                    }
                }
            });
        }
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
fn to_its_end(Program { name, command }: &mut Program) -> std::result::Result<(), String> {
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
    Ok(())
}
