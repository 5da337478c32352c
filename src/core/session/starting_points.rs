//! Starting points of the user's own, for all sessions: a JSON file each, in a folder of their own.

use super::kept_file::{self, Unread};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::{fmt, fs, io};

/// No starting point is as large as this, KiB.
const MAX_KIB: u32 = 64;
/// Files that are looked at.
const MAX_FILES: usize = 500;
const FILE_VERSION: u32 = 1;
/// Characters of a name that are kept.
const MAX_NAME: usize = 60;
/// Names that one family of systems keeps for devices, whatever follows after a dot (its
/// documentation of file names).
const DEVICES: [&str; 4] = ["con", "prn", "aux", "nul"];
const NUMBERED_DEVICES: [&str; 2] = ["com", "lpt"];

/// What a chain is set to, under a name.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StartingPoint {
    /// Its name, and that of its file.
    pub name: String,
    /// Values in the units of their parameters, by parameter id; 0 or 1 for switches.
    pub values: BTreeMap<String, f64>,
}

/// Why a starting point could not be read or written.
#[derive(Debug)]
#[non_exhaustive]
pub enum StartingPointError {
    /// The system refused.
    Io {
        /// File or folder.
        path: PathBuf,
        /// What it said.
        error: io::Error,
    },
    /// There is one of this name, and it was not to be replaced.
    Taken {
        /// Its file.
        path: PathBuf,
    },
    /// What is in the file is no starting point. It stays as it is.
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        reason: String,
    },
    /// No letter or digit is in the name.
    Nameless,
}

impl fmt::Display for StartingPointError {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io { path, error } => write!(
                formatter,
                "{} could not be used ({error}): {}.",
                path.display(),
                kept_file::remedy(error)
            ),
            Self::Taken { path } => write!(
                formatter,
                "{} is there already: choose another name, or replace it.",
                path.display()
            ),
            Self::Damaged { path, reason } => write!(
                formatter,
                "{} is no starting point ({reason}): mend it or take it away.",
                path.display()
            ),
            Self::Nameless => {
                formatter.write_str("A starting point needs a name: type a letter or a digit.")
            }
        }
    }
}

impl std::error::Error for StartingPointError {}

/// Where the user's starting points are: `crestline/starting points` in the system's folder for
/// settings (the crate `dirs`). `None` where the system names none.
pub fn user_folder() -> Option<PathBuf> {
    Some(
        dirs::config_dir()?
            .join("crestline")
            .join("starting points"),
    )
}

/// What a folder holds.
#[derive(Debug, Default)]
pub struct Found {
    /// The starting points, by name.
    pub points: Vec<StartingPoint>,
    /// Files that are none.
    pub refused: Vec<StartingPointError>,
}

/// Reads all starting points of a folder. A folder that does not exist holds none; what cannot be
/// read is told, and does not keep the others away.
///
/// # Errors
/// [`StartingPointError::Io`] if the folder itself cannot be read.
pub fn load(folder: &Path) -> Result<Found, StartingPointError> {
    let io_error = |error| StartingPointError::Io {
        path: folder.into(),
        error,
    };
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Found::default()),
        Err(error) => return Err(io_error(error)),
    };
    let mut paths = Vec::new();
    for entry in entries {
        let path = entry.map_err(io_error)?.path();
        if path
            .extension()
            .is_some_and(|extension| extension == "json")
        {
            paths.push(path);
        }
    }
    paths.sort();
    paths.truncate(MAX_FILES);
    let mut found = Found::default();
    for path in paths {
        match read(&path) {
            Ok(point) => found.points.push(point),
            Err(error) => found.refused.push(error),
        }
    }
    Ok(found)
}

fn read(path: &Path) -> Result<StartingPoint, StartingPointError> {
    let read = kept_file::read(path, MAX_KIB, FILE_VERSION);
    let mut point: StartingPoint = read.map_err(|error| match error {
        Unread::Io(error) => StartingPointError::Io {
            path: path.into(),
            error,
        },
        Unread::Damaged(reason) => StartingPointError::Damaged {
            path: path.into(),
            reason,
        },
    })?;
    // Files come from others, too, and what is shown has to be a name.
    point.name.retain(|letter| !letter.is_control());
    if point.name.trim().is_empty() {
        let stem = path.file_stem().unwrap_or_default().to_string_lossy();
        point.name = stem.into_owned();
    }
    Ok(point)
}

/// What every system takes as the name of a file; `None` if nothing is left.
fn file_name(name: &str) -> Option<String> {
    let plain = |letter: char| letter.is_alphanumeric() || " ,-_+".contains(letter);
    let name: String = name
        .chars()
        .map(|letter| if plain(letter) { letter } else { '-' })
        .take(MAX_NAME)
        .collect();
    let name = name.trim();
    let end = if is_device(name) { "-" } else { "" };
    name.chars()
        .any(char::is_alphanumeric)
        .then(|| format!("{name}{end}.json"))
}

fn is_device(name: &str) -> bool {
    let name = name.to_lowercase();
    let is_numbered = |device: &str| {
        let number = name.strip_prefix(device);
        number.is_some_and(|number| number.len() == 1 && number.bytes().all(|n| n.is_ascii_digit()))
    };
    DEVICES.contains(&&*name) || NUMBERED_DEVICES.iter().any(|device| is_numbered(device))
}

/// Writes a starting point into the folder, which is made if it is not there: whole or not at all.
/// One of the same name is left as it is unless it is to be replaced.
///
/// # Errors
/// [`StartingPointError::Taken`], [`StartingPointError::Nameless`], or what the system says.
pub fn keep(
    folder: &Path,
    point: &StartingPoint,
    replace: bool,
) -> Result<PathBuf, StartingPointError> {
    let name = file_name(&point.name).ok_or(StartingPointError::Nameless)?;
    let path = folder.join(name);
    let written = if replace {
        kept_file::replace(&path, FILE_VERSION, point, || Ok(()))
    } else {
        kept_file::write_new(&path, FILE_VERSION, point)
    };
    match written {
        Ok(()) => Ok(path),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            Err(StartingPointError::Taken { path })
        }
        Err(error) => Err(StartingPointError::Io { path, error }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_from_elsewhere_is_a_name() {
        let folder = std::env::temp_dir().join(format!("crestline-names-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        for (file, name) in [("a", ""), ("b", "\\n\\u001b "), ("c", "two\\u0007 words")] {
            let json = format!(r#"{{"version": 1, "name": "{name}", "values": {{}}}}"#);
            fs::write(folder.join(file).with_extension("json"), json).unwrap();
        }
        let found = load(&folder);
        fs::remove_dir_all(&folder).unwrap();
        let points = found.unwrap().points;
        let names: Vec<&str> = points.iter().map(|point| &*point.name).collect();
        assert_eq!(names, ["a", "b", "two words"]);
    }
}
