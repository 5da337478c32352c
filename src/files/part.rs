//! Files that are whole or are not there: written beside their name, which they take at the end.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use tempfile::{Builder, NamedTempFile, TempPath};

use crate::unfinished::{Unfinished, UnfinishedKind, hold};

/// How the names of files begin that are not whole yet.
const PREFIX: &str = ".crestline-";

/// A file on its way. Dropped before it is [complete](Self::complete) it is removed; nothing of its
/// name is touched until then, so that a program that is ended leaves no half of a file behind that
/// passes for a whole one.
#[derive(Debug)]
pub struct Part {
    path: PathBuf,
    temporary: TempPath,
    force: bool,
    /// Last, so that it is dropped when the file is gone.
    _unfinished: Unfinished,
}

impl Part {
    /// Begins a file that will be called `path`; with `force` it may replace one that is there
    /// already. Of a link what it leads to is replaced.
    ///
    /// # Errors
    /// There is a file of that name and `force` is not set, or none can be made in its folder.
    pub fn create(path: &Path, force: bool) -> io::Result<(File, Self)> {
        if !force && fs::symlink_metadata(path).is_ok() {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let path = path.canonicalize().unwrap_or_else(|_| path.to_owned());
        // Beside it, so that the last step is a rename within one file system.
        let folder = path.parent();
        let folder = folder.filter(|folder| !folder.as_os_str().is_empty());
        // Made as any new file is: others may read what is handed over.
        let make = || {
            Builder::new()
                .prefix(PREFIX)
                .make_in(folder.unwrap_or(Path::new(".")), |path| {
                    File::create_new(path)
                })
        };
        let path_of = |made: &NamedTempFile<File>| made.path().to_owned();
        let (made, unfinished) = Unfinished::make(UnfinishedKind::File, make, path_of)?;
        let (file, temporary) = made.into_parts();
        let part = Self {
            path,
            temporary,
            force,
            _unfinished: unfinished,
        };
        if force {
            // Nobody is to read meanwhile what then may not be read; written it must be.
            keep_permissions(&part.path, &part.temporary, OWN_WRITE)?;
        }
        Ok((file, part))
    }

    /// Gives the file, which must be closed, its name.
    ///
    /// # Errors
    /// Without `force` a file of that name has come to be there meanwhile, or the name cannot be
    /// taken.
    pub fn complete(self) -> io::Result<()> {
        // Interrupted between the two, the name would be left without the file.
        let held = hold();
        // Not every file system can rename to a free name only; all can claim it first.
        if !self.force {
            File::create_new(&self.path)?;
        }
        if self.force {
            keep_permissions(&self.path, &self.temporary, 0)?;
        }
        let done = self.temporary.persist(&self.path).map_err(|refused| {
            if !self.force {
                let _ = fs::remove_file(&self.path);
            }
            refused.error
        });
        drop(held);
        done
    }
}

/// The owner may write (POSIX, `sys/stat.h`).
const OWN_WRITE: u32 = 0o200;

/// Gives `to` the permissions of what is at `path`, if anything is, and `more`.
#[cfg(unix)]
fn keep_permissions(path: &Path, to: &Path, more: u32) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt as _;
    match fs::metadata(path) {
        Ok(there) => {
            let mode = there.permissions().mode() | more;
            // Some drives have one mode for all files, and refuse to be asked for any.
            if fs::metadata(to)?.permissions().mode() == mode {
                return Ok(());
            }
            fs::set_permissions(to, fs::Permissions::from_mode(mode))
        }
        Err(_) => Ok(()),
    }
}

/// Who may read a file is inherited from its folder here.
#[cfg(not(unix))]
fn keep_permissions(_: &Path, _: &Path, _: u32) -> io::Result<()> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write as _;

    fn folder() -> tempfile::TempDir {
        tempfile::tempdir().unwrap()
    }

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        let name = |entry: io::Result<fs::DirEntry>| entry.unwrap().file_name();
        entries
            .map(|entry| name(entry).to_string_lossy().into_owned())
            .collect()
    }

    #[test]
    fn the_name_is_free_until_the_file_is_whole() {
        let folder = folder();
        let path = folder.path().join("a.wav");
        let (mut file, part) = Part::create(&path, false).unwrap();
        file.write_all(b"whole").unwrap();
        drop(file);
        assert!(!path.exists());
        part.complete().unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"whole");
        drop(Part::create(&folder.path().join("b.wav"), false).unwrap());
        assert_eq!(names(folder.path()), ["a.wav"]);
    }

    #[test]
    fn nothing_is_replaced_unasked() {
        let folder = folder();
        let path = folder.path().join("a.wav");
        let (_, late) = Part::create(&path, false).unwrap();
        fs::write(&path, b"first").unwrap();
        let exists = |error: io::Error| error.kind() == io::ErrorKind::AlreadyExists;
        assert!(Part::create(&path, false).is_err_and(exists));
        assert!(late.complete().is_err_and(exists));
        assert_eq!(fs::read(&path).unwrap(), b"first");
        let (mut file, part) = Part::create(&path, true).unwrap();
        file.write_all(b"second").unwrap();
        drop(file);
        assert_eq!(fs::read(&path).unwrap(), b"first");
        part.complete().unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"second");
        assert_eq!(names(folder.path()), ["a.wav"]);
    }

    #[cfg(unix)]
    #[test]
    fn who_may_read_it_stays_as_it_was() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = folder();
        let path = folder.path().join("a.wav");
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        for (own, meanwhile) in [(0o600, 0o600), (0o444, 0o644), (0o640, 0o640)] {
            fs::write(&path, b"first").unwrap();
            fs::set_permissions(&path, fs::Permissions::from_mode(own)).unwrap();
            let (file, part) = Part::create(&path, true).unwrap();
            drop(file);
            assert_eq!(mode(&part.temporary), meanwhile);
            part.complete().unwrap();
            assert_eq!(mode(&path), own);
            fs::remove_file(&path).unwrap();
        }
    }

    #[test]
    fn the_folder_is_what_is_missing_not_the_part() {
        let folder = folder();
        let error = Part::create(&folder.path().join("none/a.wav"), false).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::NotFound);
        // As the system says it, without the name of the part, which is nobody's business.
        assert!(error.raw_os_error().is_some(), "{error}");
    }
}
