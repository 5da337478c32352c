//! What a process has in use of the memory that it holds.

use std::fs;

/// KiB that are in use: what lies in memory outside the allocator's heap (proc(5)), and within it
/// what has not been given back (mallinfo(3)). How much of the heap is in memory says little: one
/// block at its end keeps all before it, megabytes up or down from one look to the next.
///
/// # Errors
/// The system does not tell.
pub fn in_use_kib() -> Result<usize, Box<dyn std::error::Error>> {
    let maps = fs::read_to_string("/proc/self/smaps")?;
    let (mut outside_kib, mut in_heap) = (0, false);
    for line in maps.lines() {
        let mut words = line.split_whitespace();
        match words.next() {
            Some("Rss:") if !in_heap => {
                outside_kib += words.next().ok_or("smaps")?.parse::<usize>()?;
            }
            // A mapping begins with its addresses, and its name is the last word.
            Some(word) if word.contains('-') && !word.ends_with(':') => {
                in_heap = line.ends_with("[heap]");
            }
            _ => {}
        }
    }
    #[expect(
        unsafe_code,
        reason = "C's allocator is asked, which has no conditions"
    )]
    // SAFETY: takes nothing, and returns plain numbers.
    let heap = unsafe { libc::mallinfo2() };
    Ok(outside_kib + heap.uordblks / 1_024)
}
