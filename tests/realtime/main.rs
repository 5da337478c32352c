//! The tests as a program.

use std::process::ExitCode;

fn main() -> Result<ExitCode, &'static str> {
    // It would pass over all that is allocated.
    if cfg!(debug_assertions) {
        return Err("built with debug assertions, which nothing that is shipped is");
    }
    Ok(realtime::run())
}
