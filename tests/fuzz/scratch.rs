//! Files for what is only read from files.

use std::fs;
use std::path::Path;
use tempfile::TempDir;

/// A new, empty folder, gone when dropped.
pub fn folder() -> TempDir {
    TempDir::with_prefix("crestline-fuzz-").expect("a folder")
}

/// Has `read` done with a file of these bytes, alone in its folder.
pub fn with_file<R>(name: &str, bytes: &[u8], read: impl FnOnce(&Path) -> R) -> R {
    let folder = folder();
    let path = folder.path().join(name);
    fs::write(&path, bytes).expect("a file");
    read(&path)
}
