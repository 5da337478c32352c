//! Standard output, standard error and exit codes, the same for every command.

use std::io::{self, Write as _};
use std::process::ExitCode;

/// Exit code of wrong usage, the same as `clap` ends with.
pub(super) const WRONG_USAGE: u8 = 2;
/// Exit code when some input could not be used; the rest was done.
pub(super) const INPUT_UNUSABLE: u8 = 3;
/// Exit code when a result could not be written.
pub(super) const OUTPUT_FAILED: u8 = 4;

/// Prints a result. A reader that has gone away (`| head`) is no failure; anything else that keeps
/// the result from being written is told on standard error and becomes the exit code to end with.
pub(super) fn print_result(text: &str) -> Result<(), ExitCode> {
    let mut stdout = io::stdout().lock();
    match stdout
        .write_all(text.as_bytes())
        .and_then(|()| stdout.flush())
    {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            print_error(&format!(
                "the result could not be written ({error}); check where the output goes"
            ));
            Err(ExitCode::from(OUTPUT_FAILED))
        }
        _ => Ok(()),
    }
}

/// One line on standard error. If that is closed there is nobody left to tell.
pub(super) fn print_error(line: &str) {
    let _ = writeln!(io::stderr().lock(), "{line}");
}
