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

    const WANTED: usize = 11 << 20;
    const LEAST: usize = 2 << 20;

    #[test]
    fn twenty_share_what_there_is() {
        static MEMORY: Memory = Memory::new();
        let grants: Vec<Grant> = (0..20).filter_map(|_| MEMORY.take(WANTED, LEAST)).collect();
        let bytes: Vec<usize> = grants.iter().map(Grant::bytes).collect();
        assert!(bytes.iter().sum::<usize>() <= ALL_RINGS, "{bytes:?}");
        assert!(bytes.is_sorted_by(|a, b| a >= b) && bytes[0] == WANTED);
        assert!(bytes.len() >= 4 && bytes.iter().all(|bytes| *bytes >= LEAST));
        // What is given back can be taken again.
        drop(grants);
        assert_eq!(MEMORY.take(WANTED, LEAST).unwrap().bytes(), WANTED);
    }
}
