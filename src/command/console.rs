//! Standard output, standard error and exit codes, the same for every command.

use std::io::{self, IsTerminal as _, Write as _};
use std::process::ExitCode;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::Serialize;

/// Exit code of wrong usage, the same as `clap` ends with.
pub(super) const WRONG_USAGE: u8 = 2;
/// Exit code when some input could not be used; the rest was done.
pub(super) const INPUT_UNUSABLE: u8 = 3;
/// Exit code when a result could not be written.
pub(super) const OUTPUT_FAILED: u8 = 4;

/// Prints a result, as JSON for machines or as text for people; the exit code to end with if it
/// cannot be.
pub(super) fn print_as<T: Serialize>(
    json: bool,
    object: impl FnOnce() -> T,
    text: impl FnOnce() -> String,
) -> Result<(), ExitCode> {
    if !json {
        return print_result(&text());
    }
    match serde_json::to_string_pretty(&object()) {
        Ok(json) => print_result(&(json + "\n")),
        Err(error) => Err(unwritten(&error)),
    }
}

fn unwritten(error: &dyn std::fmt::Display) -> ExitCode {
    print_error(&format!(
        "the result could not be written ({error}); check where the output goes"
    ));
    ExitCode::from(OUTPUT_FAILED)
}

/// Prints a result. A reader that has gone away (`| head`) is no failure; anything else that keeps
/// the result from being written is told on standard error and becomes the exit code to end with.
pub(super) fn print_result(text: &str) -> Result<(), ExitCode> {
    let mut stdout = io::stdout().lock();
    match stdout
        .write_all(text.as_bytes())
        .and_then(|()| stdout.flush())
    {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(unwritten(&error)),
        _ => Ok(()),
    }
}

/// One line on standard error. If that is closed there is nobody left to tell.
pub(super) fn print_error(line: &str) {
    let _ = writeln!(io::stderr().lock(), "{line}");
}

/// A progress bar on standard error, hidden unless that is a terminal. `length` is in whatever is
/// counted, and may be set later; the template is that of `indicatif`.
pub(super) fn progress_bar(length: Option<u64>, template: &str) -> ProgressBar {
    if !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::with_draw_target(length, ProgressDrawTarget::stderr());
    match ProgressStyle::with_template(template) {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}
