//! What bytes are tried on, one module a way in.

pub mod audio;
pub mod engine;
pub mod kept;
pub mod session;
pub mod state;
