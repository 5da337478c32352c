//! The atomics of the ring, in one place so that a model checker can stand in for them.

pub use atomic_float::AtomicF32;
pub use std::sync::atomic::{AtomicU64, Ordering, fence};
