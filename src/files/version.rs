//! A file that is read more than once has to be the same file each time.

use std::fs;
use std::path::Path;
use std::time::SystemTime;

use crate::error::{InputError, InputErrorKind};

/// What tells one state of a file from another.
#[derive(Debug, PartialEq, Eq)]
struct Version {
    bytes: u64,
    modified: Option<SystemTime>,
    /// Of the file itself, whatever its name; 0 where the system has none.
    number: u64,
}

/// What `read` returns, which reads the file as often as it likes.
///
/// # Errors
/// The file has changed meanwhile, or another has taken its name: what was read is of no use, and
/// neither is the reason why it may have failed.
pub fn unchanged<T>(path: &Path, read: impl FnOnce() -> T) -> Result<T, InputError> {
    let before = version(path);
    let read = read();
    if version(path) == before {
        Ok(read)
    } else {
        Err(InputError::new(path, InputErrorKind::Changed))
    }
}

fn version(path: &Path) -> Option<Version> {
    let told = fs::metadata(path).ok()?;
    #[cfg(unix)]
    let number = std::os::unix::fs::MetadataExt::ino(&told);
    #[cfg(not(unix))]
    let number = 0;
    Some(Version {
        bytes: told.len(),
        modified: told.modified().ok(),
        number,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_is_replaced_or_grows_while_it_is_read_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let [path, other] = ["a.wav", "b.wav"].map(|name| folder.path().join(name));
        fs::write(&path, b"first").unwrap();
        assert_eq!(unchanged(&path, || 7).unwrap(), 7);
        let grown = unchanged(&path, || fs::write(&path, b"second"));
        assert!(grown.is_err_and(|error| matches!(error.kind, InputErrorKind::Changed)));
        fs::write(&other, b"third!").unwrap();
        assert!(unchanged(&path, || fs::rename(&other, &path)).is_err());
        assert!(unchanged(&path, || fs::remove_file(&path)).is_err());
        assert!(unchanged(&path, || ()).is_ok());
    }
}
