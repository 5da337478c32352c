//! Running other programs.

use nice_plug_xtask::Result;
use std::io::Error;
use std::process::{Command, Stdio};
use std::time::Duration;

/// The cargo that runs this program, with these arguments.
pub fn cargo<const N: usize>(arguments: [&str; N]) -> Command {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.args(arguments);
    command
}

/// Runs a command to its end.
///
/// # Errors
/// It cannot be started, or it fails.
pub fn run(mut command: Command) -> Result<()> {
    match command.status() {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(Error::other(format!("`{}` failed ({status})", line(&command))).into()),
        Err(error) => Err(not_run(&command, &error).into()),
    }
}

/// What a command prints.
///
/// # Errors
/// It cannot be started, or it fails; what it complained of is told.
pub fn told(mut command: Command) -> Result<String> {
    let ended = command.stdin(Stdio::null()).output();
    let ended = ended.map_err(|error| not_run(&command, &error))?;
    if !ended.status.success() {
        let (line, status) = (line(&command), ended.status);
        let complained = String::from_utf8_lossy(&ended.stderr);
        let complained = complained.trim();
        return Err(Error::other(format!("`{line}` failed ({status}): {complained}")).into());
    }
    Ok(String::from_utf8_lossy(&ended.stdout).into_owned())
}

fn not_run(command: &Command, error: &Error) -> Error {
    Error::other(format!("`{}` cannot be run: {error}", line(command)))
}

/// Whether a command can be run and succeeds, without a word.
pub fn succeeds(command: &mut Command) -> bool {
    let silent = command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    silent.status().is_ok_and(|status| status.success())
}

/// A command as it would be typed.
pub fn line(command: &Command) -> String {
    let words = std::iter::once(command.get_program()).chain(command.get_args());
    words
        .map(|word| word.to_string_lossy())
        .collect::<Vec<_>>()
        .join(" ")
}

/// A length of time as it is told.
pub fn seconds(time: Duration) -> String {
    format!("{:.1} s", time.as_secs_f64())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_program_that_is_missing_or_fails_is_named() {
        let error = told(Command::new("no-such-program")).unwrap_err();
        assert!(error.to_string().contains("`no-such-program`"), "{error}");
        let error = told(cargo(["no-such-command"])).unwrap_err().to_string();
        assert!(error.contains("cargo no-such-command` failed"), "{error}");
        let complained = error.split_once("): ").map(|(_, complained)| complained);
        assert!(
            complained.is_some_and(|it| it.contains("no such command")),
            "{error}"
        );
    }
}
