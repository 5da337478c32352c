//! An allocator that gives nobody very much at once.

use std::alloc::{GlobalAlloc, Layout, System};

/// Nothing that is read may ask for more than this in one piece, bytes: ten minutes of one channel
/// at 48 kHz are less than half of it. A file of some kilobytes whose header tells of gigabytes
/// does ask for more, if it is believed.
pub const MOST: usize = 256 << 20;

/// Refuses what is more than [`MOST`], which ends the process.
pub struct Bounded;

#[expect(unsafe_code, reason = "an allocator cannot be written otherwise")]
// SAFETY: every request goes on to the system's allocator unchanged, or is refused, which an
// allocator may do at any time.
unsafe impl GlobalAlloc for Bounded {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        if layout.size() > MOST {
            return std::ptr::null_mut();
        }
        // SAFETY: the caller's promises are handed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        if layout.size() > MOST {
            return std::ptr::null_mut();
        }
        // SAFETY: the caller's promises are handed on.
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn dealloc(&self, memory: *mut u8, layout: Layout) {
        // SAFETY: the caller's promises are handed on.
        unsafe { System.dealloc(memory, layout) }
    }

    unsafe fn realloc(&self, memory: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        if size > MOST {
            return std::ptr::null_mut();
        }
        // SAFETY: the caller's promises are handed on.
        unsafe { System.realloc(memory, layout, size) }
    }
}
