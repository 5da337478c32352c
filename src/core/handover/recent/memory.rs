//! How much memory the rings of all instances of a process may take together.

use std::sync::atomic::{AtomicUsize, Ordering};

/// What all rings of a process have together, bytes. With the copy that is being forecast (22 MiB)
/// and the engine that does so they stay below 64 MiB.
const ALL_RINGS: usize = 36 << 20;
/// One takes no more than this share of what is left, so that a later instance finds some too.
const SHARE: usize = 3;

/// The memory of this process.
pub static PROCESS: Memory = Memory::new();

/// What is taken, bytes.
#[derive(Debug)]
pub struct Memory {
    taken: AtomicUsize,
}

/// Memory that was granted; it is given back when this is dropped.
#[derive(Debug)]
pub struct Grant {
    from: &'static Memory,
    bytes: usize,
}

impl Memory {
    const fn new() -> Self {
        Self {
            taken: AtomicUsize::new(0),
        }
    }

    /// Takes `wanted` bytes, or as much of that as there is for one ring; `None` if that is less
    /// than `least`.
    pub fn take(&'static self, wanted: usize, least: usize) -> Option<Grant> {
        // Relaxed: the number orders nothing but itself.
        let mut taken = self.taken.load(Ordering::Relaxed);
        loop {
            let bytes = wanted.min(ALL_RINGS.saturating_sub(taken) / SHARE);
            if bytes < least {
                return None;
            }
            let with = taken + bytes;
            match self.taken.compare_exchange_weak(
                taken,
                with,
                Ordering::Relaxed,
                Ordering::Relaxed,
            ) {
                Ok(_) => return Some(Grant { from: self, bytes }),
                Err(now) => taken = now,
            }
        }
    }
}

impl Grant {
    /// Bytes granted.
    pub fn bytes(&self) -> usize {
        self.bytes
    }
}

impl Drop for Grant {
    fn drop(&mut self) {
        self.from.taken.fetch_sub(self.bytes, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two channels of 16-bit floats at 48 kHz.
    const SECOND: usize = 48_000 * 2 * 2;

    // What the README promises of each further instance.
    #[test]
    fn each_further_one_gets_less() {
        static MEMORY: Memory = Memory::new();
        let take = || MEMORY.take(60 * SECOND, 10 * SECOND);
        let grants: Vec<Grant> = (0..20).filter_map(|_| take()).collect();
        let seconds: Vec<usize> = grants.iter().map(|grant| grant.bytes() / SECOND).collect();
        assert_eq!(seconds, [60, 45, 30, 20, 13]);
        // What is given back can be taken again.
        drop(grants);
        assert_eq!(take().unwrap().bytes(), 60 * SECOND);
    }
}
