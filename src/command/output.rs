//! Files that a command writes besides its result: never an input, nothing that is there already
//! unless told to, and never half of one.

use std::fs;
use std::io::{self, Write as _};
use std::path::Path;

use crestline_files::{Part, printable};

/// Why a file is not written where another is, and what to do.
pub(super) const THERE: &str = "is there already; choose another name or add --force to replace it";

/// Why `path` is not written to, in a line that names it, the cause and the remedy; `None` where it
/// may be. With `force` a file that is there already is replaced, but none of the `inputs`.
pub(super) fn refused(path: &Path, force: bool, inputs: &[&Path]) -> Option<String> {
    // A name that leads nowhere is not taken, unless a link has it.
    fs::symlink_metadata(path).ok()?;
    let here = path.canonicalize().ok();
    let is_here = |input: &&Path| here.is_some() && input.canonicalize().ok() == here;
    let cause = if inputs.iter().any(is_here) {
        "is one of the inputs, which are never written to; choose another name"
    } else if here.is_some_and(|here| !here.is_file()) {
        "is a folder, a pipe or a device; choose the name of a file"
    } else if force {
        return None;
    } else {
        THERE
    };
    Some(format!("{}: {cause}", printable(path)))
}

/// Writes a whole file or nothing; the error is the line to tell. Without `force` a file that has
/// come to be there meanwhile is left alone.
pub(super) fn write(path: &Path, text: &str, force: bool) -> Result<(), String> {
    let write = || {
        let (mut file, part) = Part::create(path, force)?;
        file.write_all(text.as_bytes())?;
        drop(file);
        part.complete()
    };
    write().map_err(|error: io::Error| {
        let name = printable(path);
        match error.kind() {
            io::ErrorKind::AlreadyExists => format!("{name}: {THERE}"),
            io::ErrorKind::InvalidFilename => {
                format!("{name}: cannot be called so ({error}); choose a shorter name")
            }
            _ => format!("{name}: could not be written ({error}); check folder and space"),
        }
    })
}
