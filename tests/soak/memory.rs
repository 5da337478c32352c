//! What the process holds.

use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicUsize, Ordering};

static HELD: AtomicUsize = AtomicUsize::new(0);

/// Bytes that have been allocated and not freed.
pub fn held() -> usize {
    HELD.load(Ordering::Relaxed)
}

/// Bytes of the process that are in memory, where the system tells (Linux, proc(5)).
pub fn resident() -> Option<usize> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kilobytes: usize = line.split_whitespace().next()?.parse().ok()?;
    Some(1024 * kilobytes)
}

/// Counts what it hands on to the system's allocator.
#[cfg_attr(
    debug_assertions,
    allow(dead_code, reason = "the allocator is the framework's then")
)]
pub struct Counting;

#[expect(unsafe_code, reason = "an allocator cannot be written otherwise")]
// SAFETY: every request goes on to the system's allocator unchanged.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        HELD.fetch_add(layout.size(), Ordering::Relaxed);
        // SAFETY: the caller's promises are handed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, memory: *mut u8, layout: Layout) {
        HELD.fetch_sub(layout.size(), Ordering::Relaxed);
        // SAFETY: the caller's promises are handed on.
        unsafe { System.dealloc(memory, layout) }
    }
}
