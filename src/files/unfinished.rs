//! What is not whole yet, so that a program that is ended can take it away before it goes.

use std::fs;
use std::io;
use std::mem;
use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard, PoisonError};

static UNFINISHED: Mutex<Vec<(PathBuf, UnfinishedKind)>> = Mutex::new(Vec::new());

/// How something is taken away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum UnfinishedKind {
    /// A file.
    File,
    /// A folder, if nothing is left in it.
    Folder,
    /// A folder and all that is in it.
    FolderOfOurs,
}

/// Something that is not whole yet. Dropped when it is, or when it is gone.
#[derive(Debug)]
pub struct Unfinished(PathBuf);

impl Unfinished {
    /// Makes something that lies at `path`.
    ///
    /// # Errors
    /// As `make`.
    pub fn make<T>(
        kind: UnfinishedKind,
        make: impl FnOnce() -> io::Result<T>,
        path: impl FnOnce(&T) -> PathBuf,
    ) -> io::Result<(T, Self)> {
        let mut unfinished = hold();
        let made = make()?;
        let path = path(&made);
        unfinished.push((path.clone(), kind));
        Ok((made, Self(path)))
    }

    /// A file that is about to be made there.
    pub fn file(path: PathBuf) -> Self {
        hold().push((path.clone(), UnfinishedKind::File));
        Self(path)
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        hold().retain(|(path, _)| *path != self.0);
    }
}

/// Keeps what is unfinished as it is until what is returned is dropped.
pub(crate) fn hold() -> MutexGuard<'static, Vec<(PathBuf, UnfinishedKind)>> {
    UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Removes all that is not whole yet. For a program that ends at once: whoever would make something
/// or complete it waits from here on.
pub fn remove_unfinished() {
    /// Something may yet come into a folder while it is emptied.
    const TRIES: u32 = 3;
    let unfinished = hold();
    for (path, kind) in unfinished.iter().rev() {
        for _ in 0..TRIES {
            let removed = match kind {
                UnfinishedKind::File => fs::remove_file(path),
                UnfinishedKind::Folder => fs::remove_dir(path),
                UnfinishedKind::FolderOfOurs => fs::remove_dir_all(path),
            };
            if removed.is_ok() {
                break;
            }
        }
    }
    mem::forget(unfinished);
}
