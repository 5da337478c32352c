//! The user's own target windows in a file of their own, for all sessions.

use super::kept_file::{self, Unread};
use super::saved::{MAX_OWN_WINDOWS, sanitised_windows};
use super::target::TargetWindow;
use serde::{Deserialize, Serialize};
use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use std::{fmt, io, thread};

/// No file of windows is as large as this, KiB.
const MAX_KIB: u32 = 1024;
const FILE_VERSION: u32 = 1;
/// Damaged files that are kept beside the good one.
const MAX_DAMAGED: u32 = 100;
/// How long to wait for another instance that is changing the file, and how often to try.
const PATIENCE: Duration = Duration::from_secs(1);
const LOOK_EVERY: Duration = Duration::from_millis(2);

/// What the file contains, as JSON.
#[derive(Serialize, Deserialize)]
struct Contents {
    windows: Vec<TargetWindow>,
}

/// Why the file could not be read or written.
#[derive(Debug)]
#[non_exhaustive]
pub enum UserFileError {
    /// The system refused.
    Io {
        /// The file.
        path: PathBuf,
        /// What it said.
        error: io::Error,
    },
    /// Another instance is changing the file, and did not end in time.
    Busy {
        /// The file.
        path: PathBuf,
    },
    /// The file holds as many windows as it may, and is left as it is.
    Full {
        /// The file.
        path: PathBuf,
    },
    /// What is in the file is not a list of windows. It stays as it is until windows are saved, and
    /// a copy of it is then kept.
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        reason: String,
    },
}

impl fmt::Display for UserFileError {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io { path, error } => write!(
                formatter,
                "{} could not be used ({error}): {}.",
                path.display(),
                kept_file::remedy(error)
            ),
            Self::Busy { path } => write!(
                formatter,
                "{} is being written by another instance: try again.",
                path.display()
            ),
            Self::Full { path } => write!(
                formatter,
                "{} holds {MAX_OWN_WINDOWS} windows, and no more: delete one first.",
                path.display()
            ),
            Self::Damaged { path, reason } => {
                write!(
                    formatter,
                    "{} is damaged ({reason}) and was left as it is: mend it, or keep a window and a new one is begun.",
                    path.display()
                )
            }
        }
    }
}

impl std::error::Error for UserFileError {}

/// Where the user's windows are kept: `crestline/windows.json` in the system's folder for settings
/// (the crate `dirs`). `None` where the system names none.
pub fn user_file() -> Option<PathBuf> {
    Some(dirs::config_dir()?.join("crestline").join("windows.json"))
}

/// Reads the user's windows, sanitised as those of a session are. A file that does not exist holds
/// none.
///
/// # Errors
/// [`UserFileError::Io`] if the file cannot be read, [`UserFileError::Damaged`] if it holds
/// anything else than windows, or was written by a later version with another layout.
pub fn load(path: &Path) -> Result<Vec<TargetWindow>, UserFileError> {
    match kept_file::read(path, MAX_KIB, FILE_VERSION) {
        Ok(Contents { windows }) => Ok(sanitised_windows(windows)),
        Err(Unread::Io(error)) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(Unread::Io(error)) => Err(UserFileError::Io {
            path: path.into(),
            error,
        }),
        Err(Unread::Damaged(reason)) => Err(UserFileError::Damaged {
            path: path.into(),
            reason,
        }),
    }
}

/// Writes the user's windows, sanitised, in the place of those in the file: whole or not at all.
/// Makes the directory if it is not there.
///
/// A damaged file is not lost: it is copied before, and the name of the copy returned.
///
/// # Errors
/// [`UserFileError::Io`] if the system refuses; the file is then as it was.
pub fn save(path: &Path, windows: &[TargetWindow]) -> Result<Option<PathBuf>, UserFileError> {
    let io_error = |error| UserFileError::Io {
        path: path.into(),
        error,
    };
    let kept = match load(path) {
        Ok(_) => None,
        Err(UserFileError::Damaged { .. }) => Some(damaged_name(path).map_err(io_error)?),
        Err(error) => return Err(error),
    };
    let contents = Contents {
        windows: sanitised_windows(windows.to_vec()),
    };
    let keep = || {
        kept.as_ref()
            .map_or(Ok(()), |kept| fs::copy(path, kept).map(drop))
    };
    kept_file::replace(path, FILE_VERSION, contents, keep).map_err(io_error)?;
    Ok(kept)
}

/// What the file holds after a change.
#[derive(Debug)]
pub struct Changed {
    /// All windows in it.
    pub windows: Vec<TargetWindow>,
    /// A copy of the file as it was, if it was damaged.
    pub kept: Option<PathBuf>,
}

/// Adds a window to the file, in the place of one of the same name. A damaged file is copied and
/// begun anew, as [`save`] does it.
///
/// # Errors
/// As [`save`], [`UserFileError::Full`], and [`UserFileError::Busy`] if another instance is at it for
/// longer than a second.
pub fn keep(path: &Path, window: TargetWindow) -> Result<Changed, UserFileError> {
    change(path, |windows| {
        let there = windows.iter().position(|other| other.name == window.name);
        match there {
            Some(index) => windows[index] = window,
            None if windows.len() < MAX_OWN_WINDOWS => windows.insert(0, window),
            None => return Err(UserFileError::Full { path: path.into() }),
        }
        Ok(())
    })
}

/// Takes the window of this name out of the file.
///
/// # Errors
/// As [`load`] and [`keep`]: a damaged file is left as it is.
pub fn forget(path: &Path, name: &str) -> Result<Changed, UserFileError> {
    load(path)?;
    change(path, |windows| {
        windows.retain(|window| window.name != name);
        Ok(())
    })
}

/// Reads, changes and writes the file, while no other instance does.
fn change(
    path: &Path,
    change: impl FnOnce(&mut Vec<TargetWindow>) -> Result<(), UserFileError>,
) -> Result<Changed, UserFileError> {
    let _claim = claim(path)?;
    let mut windows = match load(path) {
        Err(UserFileError::Damaged { .. }) => Vec::new(),
        loaded => loaded?,
    };
    change(&mut windows)?;
    let windows = sanitised_windows(windows);
    let kept = save(path, &windows)?;
    Ok(Changed { windows, kept })
}

/// Keeps other instances, of this process and of others, from changing the file until what is
/// returned is dropped. The lock is on a file beside it, since the file itself is replaced. `None`
/// where the file system knows no locks.
#[expect(
    clippy::disallowed_methods,
    reason = "another process gives no sign when it is done, and to wait for its lock without end would hold up a window that closes"
)]
fn claim(path: &Path) -> Result<Option<File>, UserFileError> {
    let io_error = |error| UserFileError::Io {
        path: path.into(),
        error,
    };
    if let Some(directory) = path.parent() {
        fs::create_dir_all(directory).map_err(io_error)?;
    }
    let lock = File::create(path.with_extension("lock")).map_err(io_error)?;
    let begun = Instant::now();
    loop {
        match lock.try_lock() {
            Ok(()) => return Ok(Some(lock)),
            // Some network drives know no locks: better to write without than not at all.
            Err(TryLockError::Error(_)) => return Ok(None),
            Err(TryLockError::WouldBlock) if begun.elapsed() < PATIENCE => {
                thread::sleep(LOOK_EVERY);
            }
            Err(TryLockError::WouldBlock) => return Err(UserFileError::Busy { path: path.into() }),
        }
    }
}

/// A name beside `path` that is not taken.
fn damaged_name(path: &Path) -> io::Result<PathBuf> {
    let names =
        (1..=MAX_DAMAGED).map(|number| path.with_extension(format!("damaged-{number}.json")));
    for name in names {
        if !name.try_exists()? {
            return Ok(name);
        }
    }
    Err(io::Error::other(
        "there are too many damaged files beside it",
    ))
}
