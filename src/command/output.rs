//! Files that a command writes besides its result: never an input, nothing that is there already
//! unless told to, and never half of one.

use std::fs;
use std::io::{self, Write as _};
use std::path::Path;

use crestline_files::printable;

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
        "is there already; choose another name or add --force to replace it"
    };
    Some(format!("{}: {cause}", printable(path)))
}

/// Writes a whole file or nothing; the error is the line to tell. Without `force` a file that has
/// come to be there meanwhile is left alone.
pub(super) fn write(path: &Path, text: &str, force: bool) -> Result<(), String> {
    write_inner(path, text, force).map_err(|error| {
        let name = printable(path);
        // All else names the file that is written first, which is nobody's business.
        let cause = match error.raw_os_error() {
            Some(_) => error.to_string(),
            None => error.kind().to_string(),
        };
        format!("{name}: could not be written ({cause}); check folder and space")
    })
}

fn write_inner(path: &Path, text: &str, force: bool) -> io::Result<()> {
    // What a link leads to is replaced, not the link.
    let path = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    // Beside it, so that the last step is a rename within one file system.
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let mut part = new_file().tempfile_in(folder.unwrap_or(Path::new(".")))?;
    part.write_all(text.as_bytes())?;
    if force {
        part.persist(path)?;
    } else {
        part.persist_noclobber(path)?;
    }
    Ok(())
}

#[cfg(unix)]
fn new_file() -> tempfile::Builder<'static, 'static> {
    use std::os::unix::fs::PermissionsExt as _;
    let mut builder = tempfile::Builder::new();
    // As any new file, less what the user's mask takes away: others may read what is handed over.
    builder.permissions(fs::Permissions::from_mode(0o666));
    builder
}

#[cfg(not(unix))]
fn new_file() -> tempfile::Builder<'static, 'static> {
    tempfile::Builder::new()
}
