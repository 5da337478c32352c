//! What outlives a block of audio.

mod saved;

pub use saved::{DEFAULT_EDITOR_SIZE, Session};
