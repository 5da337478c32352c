//! A compressed archive that is the same whenever it is made of the same files.

use crate::Result;
use flate2::{Compression, GzBuilder};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use tar::{Builder, EntryType, Header};

/// A file of the archive.
pub struct Entry {
    /// Its path in the archive, parted by `/`.
    path: String,
    bytes: Vec<u8>,
    is_program: bool,
}

impl Entry {
    /// A text.
    pub fn text(path: &str, text: &str) -> Self {
        Self {
            path: path.into(),
            bytes: text.into(),
            is_program: false,
        }
    }

    /// Fails if any of these stands in it.
    pub fn holds_none_of(&self, paths: &[String]) -> Result<()> {
        for path in paths.iter().filter(|path| !path.is_empty()) {
            let mut windows = self.bytes.windows(path.len());
            if windows.any(|window| window == path.as_bytes()) {
                return Err(format!(
                    "{} tells of {path}: build it with the paths remapped",
                    self.path
                )
                .into());
            }
        }
        Ok(())
    }
}

/// A file as `name`, or all files below a folder.
///
/// # Errors
/// Something is not there or cannot be read.
pub fn below(place: &Path, name: &str) -> Result<Vec<Entry>> {
    let about = |error| {
        format!(
            "{} cannot be packed ({error}): build it first",
            place.display()
        )
    };
    if !fs::metadata(place).map_err(about)?.is_dir() {
        return Ok(vec![Entry {
            path: name.into(),
            bytes: fs::read(place).map_err(about)?,
            is_program: is_program(place),
        }]);
    }
    let mut entries = Vec::new();
    for entry in fs::read_dir(place).map_err(about)? {
        let path: PathBuf = entry.map_err(about)?.path();
        let own = path.file_name().unwrap_or_default().to_string_lossy();
        entries.extend(below(&path, &format!("{name}/{own}"))?);
    }
    Ok(entries)
}

/// What has no ending is a program; so are libraries, which some systems want to be so.
fn is_program(path: &Path) -> bool {
    let ending = path
        .extension()
        .map(|ending| ending.to_string_lossy().to_lowercase());
    match ending.as_deref() {
        None => !path
            .file_name()
            .is_some_and(|name| name.to_string_lossy().starts_with("LICENSE")),
        Some(ending) => ["so", "dylib", "dll", "exe", "clap", "vst3"].contains(&ending),
    }
}

/// Writes the archive with everything below one folder: in the order of the names, owned by nobody,
/// of no time.
///
/// # Errors
/// The file cannot be written.
pub fn write(to: &Path, folder: &str, mut entries: Vec<Entry>) -> Result<()> {
    entries.sort_by(|one, other| one.path.cmp(&other.path));
    if let Some(parent) = to.parent() {
        fs::create_dir_all(parent)?;
    }
    let file = GzBuilder::new()
        .mtime(0)
        .write(File::create(to)?, Compression::best());
    let mut archive = Builder::new(file);
    for entry in entries {
        let mut header = Header::new_gnu();
        header.set_entry_type(EntryType::Regular);
        header.set_size(entry.bytes.len() as u64);
        header.set_mode(if entry.is_program { 0o755 } else { 0o644 });
        header.set_mtime(0);
        archive.append_data(
            &mut header,
            format!("{folder}/{}", entry.path),
            &entry.bytes[..],
        )?;
    }
    archive.into_inner()?.finish()?.sync_all()?;
    Ok(())
}
