//! Files that a command writes besides its result: never an input, nothing that is there already
//! unless told to, and never half of one.

use std::fs::{self, File};
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

/// A text that will be written whole or not at all. Begun before the work that fills it, so that a
/// folder that is not there does not cost that.
pub(super) struct Text<'a> {
    path: &'a Path,
    file: File,
    part: Part,
}

impl<'a> Text<'a> {
    /// Begins a file that will be called `path`, unless it is [`refused`]; the error is the line to
    /// tell.
    pub fn begin(path: &'a Path, force: bool, inputs: &[&Path]) -> Result<Self, String> {
        if let Some(line) = refused(path, force, inputs) {
            return Err(line);
        }
        let (file, part) = Part::create(path, force).map_err(|error| failed(path, &error))?;
        Ok(Self { path, file, part })
    }

    /// Writes the text, and gives the file its name; the error is the line to tell. Without `force` a
    /// file that has come to be there meanwhile is left alone.
    pub fn write(self, text: &str) -> Result<(), String> {
        let Self {
            path,
            mut file,
            part,
        } = self;
        let written = file.write_all(text.as_bytes());
        drop(file);
        let done = written.and_then(|()| part.complete());
        done.map_err(|error| failed(path, &error))
    }
}

fn failed(path: &Path, error: &io::Error) -> String {
    let name = printable(path);
    match error.kind() {
        io::ErrorKind::AlreadyExists => format!("{name}: {THERE}"),
        io::ErrorKind::InvalidFilename => {
            format!("{name}: cannot be called so ({error}); choose a shorter name")
        }
        _ => format!("{name}: could not be written ({error}); check folder and space"),
    }
}
