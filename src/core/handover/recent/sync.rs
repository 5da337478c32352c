//! The atomics of the ring, in one place so that a model checker can stand in for them.

pub use std::sync::atomic::{AtomicU32, AtomicU64, Ordering, fence};
