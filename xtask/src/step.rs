//! Running other programs.

use nice_plug_xtask::Result;
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
        Ok(status) => {
            Err(std::io::Error::other(format!("`{}` failed ({status})", line(&command))).into())
        }
        Err(error) => Err(std::io::Error::other(format!(
            "`{}` cannot be run: {error}",
            line(&command)
        ))
        .into()),
    }
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
