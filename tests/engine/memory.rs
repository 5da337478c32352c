//! The memory that all rings of a process share is used by one test at a time.

use std::sync::{Mutex, MutexGuard, PoisonError};

/// Until what it returns is dropped, rings are made by the caller alone.
pub fn alone() -> MutexGuard<'static, ()> {
    static MEMORY: Mutex<()> = Mutex::new(());
    MEMORY.lock().unwrap_or_else(PoisonError::into_inner)
}
