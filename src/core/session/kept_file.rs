//! Small files of the user's that are shared by all sessions: read whole, written whole or not at
//! all.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

/// Files written by this process.
static WRITTEN: AtomicU32 = AtomicU32::new(0);

/// What a file contains, as JSON, and the version of its layout.
#[derive(Serialize, Deserialize)]
struct Versioned<T> {
    version: u32,
    #[serde(flatten)]
    contents: T,
}

/// Why a file was not read.
#[derive(Debug)]
pub(super) enum Unread {
    /// The system refused.
    Io(io::Error),
    /// What is wrong with its contents.
    Damaged(String),
}

/// What to do about what the system said.
pub(super) fn remedy(error: &io::Error) -> &'static str {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "make room on its disk",
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
            "allow reading and writing it"
        }
        _ => "see that it can be read and written",
    }
}

/// Reads a file of at most `most_kib` KiB whose layout is of `version` or an earlier one.
pub(super) fn read<T: DeserializeOwned>(
    path: &Path,
    most_kib: u32,
    version: u32,
) -> Result<T, Unread> {
    let most = 1024 * u64::from(most_kib);
    // Opening a pipe waits for whoever writes to it.
    if !fs::metadata(path).map_err(Unread::Io)?.is_file() {
        return Err(Unread::Io(io::Error::other("it is no file")));
    }
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(most + 1).read_to_end(&mut bytes))
        .map_err(Unread::Io)?;
    if bytes.len() as u64 > most {
        return Err(Unread::Damaged(format!("it is larger than {most_kib} KiB")));
    }
    let read: Versioned<T> =
        serde_json::from_slice(&bytes).map_err(|error| Unread::Damaged(error.to_string()))?;
    if read.version > version {
        return Err(Unread::Damaged(format!("its version is {}", read.version)));
    }
    Ok(read.contents)
}

/// Writes a file in the place of what is there, if anything is; the folder is made if need be.
/// `before` is called when all is written and nothing yet replaced: if it fails, nothing is.
pub(super) fn replace<T: Serialize>(
    path: &Path,
    version: u32,
    contents: T,
    before: impl FnOnce() -> io::Result<()>,
) -> io::Result<()> {
    // Of a link what it leads to is replaced.
    let path = &path.canonicalize().unwrap_or_else(|_| path.to_owned());
    put(path, version, contents, |temporary| {
        before()?;
        // Elsewhere who may read it is inherited from its folder; some drives have one mode for all
        // files, and refuse to be asked for any.
        if cfg!(unix)
            && let Ok(there) = fs::metadata(path)
            && there.permissions() != fs::metadata(temporary)?.permissions()
        {
            fs::set_permissions(temporary, there.permissions())?;
        }
        fs::rename(temporary, path)
    })
}

/// Writes a file where there is none; the folder is made if need be.
///
/// # Errors
/// [`ErrorKind::AlreadyExists`] if there is one, which is left as it is.
pub(super) fn write_new<T: Serialize>(path: &Path, version: u32, contents: T) -> io::Result<()> {
    put(path, version, contents, |temporary| {
        // Unlike a renaming, a link is refused where there is a file.
        let linked = fs::hard_link(temporary, path);
        let is_taken = |error: &io::Error| error.kind() == ErrorKind::AlreadyExists;
        if linked.as_ref().err().is_none_or(is_taken) {
            return linked;
        }
        // Some drives know no links. The place is taken first, so that no other instance takes it,
        // and then filled at once.
        OpenOptions::new().write(true).create_new(true).open(path)?;
        fs::rename(temporary, path).inspect_err(|_| drop(fs::remove_file(path)))
    })
}

/// Writes a file beside `path` and has it put there.
fn put<T: Serialize>(
    path: &Path,
    version: u32,
    contents: T,
    put: impl FnOnce(&Path) -> io::Result<()>,
) -> io::Result<()> {
    let json = serde_json::to_vec_pretty(&Versioned { version, contents })?;
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder)?;
    }
    let temporary = temporary(path);
    let done = write_through(&temporary, &json).and_then(|()| put(&temporary));
    // It is gone if it was renamed; whether it can be removed changes nothing about what was done.
    let _ = fs::remove_file(&temporary);
    done
}

/// A name beside `path` of its own: several instances in one process, or in several, may write at
/// once.
fn temporary(path: &Path) -> PathBuf {
    let number = WRITTEN.fetch_add(1, Ordering::Relaxed);
    path.with_extension(format!("{}-{number}.tmp", std::process::id()))
}

fn write_through(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = File::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(unix)]
    fn what_is_replaced_keeps_its_place_and_who_may_read_it() {
        use std::os::unix::fs::{PermissionsExt as _, symlink};
        let folder = std::env::temp_dir().join(format!("crestline-link-{}", std::process::id()));
        let told = |what: &'static str| std::collections::BTreeMap::from([("told", what)]);
        let (real, link) = (folder.join("there/real.json"), folder.join("windows.json"));
        replace(&real, 1, told("first"), || Ok(())).unwrap();
        fs::set_permissions(&real, fs::Permissions::from_mode(0o600)).unwrap();
        symlink("there/real.json", &link).unwrap();
        replace(&link, 1, told("second"), || Ok(())).unwrap();
        let found = fs::read_to_string(&real).unwrap();
        let mode = fs::metadata(&real).unwrap().permissions().mode() & 0o777;
        let is_link = fs::symlink_metadata(&link).unwrap().is_symlink();
        fs::remove_dir_all(&folder).unwrap();
        assert!(found.contains("second"), "{found}");
        assert!(is_link);
        assert_eq!(mode, 0o600);
    }

    #[test]
    fn of_a_full_disk_no_permission_is_asked_for() {
        let of = |kind: ErrorKind| remedy(&kind.into());
        assert!(of(ErrorKind::StorageFull).contains("room"));
        assert!(of(ErrorKind::PermissionDenied).contains("allow"));
        assert!(!of(ErrorKind::NotADirectory).contains("allow"));
    }

    #[test]
    #[cfg(unix)]
    fn a_pipe_is_no_file_and_nobody_waits_for_it() {
        let folder = std::env::temp_dir().join(format!("crestline-pipe-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let pipe = folder.join("windows.json");
        let made = std::process::Command::new("mkfifo").arg(&pipe).status();
        assert!(made.unwrap().success());
        let found = read::<Vec<u8>>(&pipe, 64, 1);
        fs::remove_dir_all(&folder).unwrap();
        assert!(matches!(found, Err(Unread::Io(error)) if error.to_string() == "it is no file"));
    }
}
