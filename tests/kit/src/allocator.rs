//! The system's allocator, counted: for programs that make [`Counting`] theirs.

use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicUsize, Ordering};

static HELD: AtomicUsize = AtomicUsize::new(0);
static ALLOCATIONS: AtomicUsize = AtomicUsize::new(0);

/// Bytes held at present.
pub fn held_bytes() -> usize {
    HELD.load(Ordering::Relaxed)
}

/// Allocations so far.
pub fn allocations() -> usize {
    ALLOCATIONS.load(Ordering::Relaxed)
}

/// Counts what it hands on to the system's allocator.
pub struct Counting;

#[expect(unsafe_code, reason = "an allocator cannot be written otherwise")]
// SAFETY: every request goes on to the system's allocator unchanged.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        HELD.fetch_add(layout.size(), Ordering::Relaxed);
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
        // SAFETY: the caller's promises are handed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        HELD.fetch_sub(layout.size(), Ordering::Relaxed);
        // SAFETY: the caller's promises are handed on.
        unsafe { System.dealloc(pointer, layout) }
    }
}
