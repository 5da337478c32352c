//! Values that belong together, read while others may be setting them.
//!
//! The framework sets the values of a loaded state one by one, on the thread of the host that loads: a
//! block that began in between would be processed with a part of them, a new push, and no limiter
//! yet. What a host brings with a block, in turn, is set frame by frame while the editor asks.

use std::sync::atomic::{AtomicU32, Ordering, fence};

/// Counts who sets values, so that whoever reads them knows whether they are whole.
#[derive(Debug, Default)]
pub struct Whole {
    begun: AtomicU32,
    ended: AtomicU32,
}

/// Counts one more, however what it stands for ends.
struct End<'a>(&'a AtomicU32);

impl Drop for End<'_> {
    fn drop(&mut self) {
        // Release: whoever sees this sees what was set.
        self.0.fetch_add(1, Ordering::Release);
    }
}

impl Whole {
    /// Runs `set`, which sets values.
    ///
    /// # Realtime
    /// Yes, wait-free: two atomic additions.
    pub fn during<R>(&self, set: impl FnOnce() -> R) -> R {
        self.begun.fetch_add(1, Ordering::Relaxed);
        let _end = End(&self.ended);
        // Whoever reads anything that is set from here on sees that it has begun.
        fence(Ordering::Release);
        set()
    }

    /// How often values have been set.
    pub fn times(&self) -> u32 {
        self.ended.load(Ordering::Acquire)
    }

    /// Whether values have been set so often, and none are being set.
    pub fn is_as_after(&self, times: u32) -> bool {
        self.begun.load(Ordering::Acquire) == times
    }

    /// What `read` reads; `None` where values were being set meanwhile.
    ///
    /// # Realtime
    /// Yes, wait-free: two atomic loads.
    pub fn read<R>(&self, read: impl FnOnce() -> R) -> Option<R> {
        let ended = self.ended.load(Ordering::Acquire);
        let value = read();
        fence(Ordering::Acquire);
        (self.begun.load(Ordering::Relaxed) == ended).then_some(value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicBool;

    #[test]
    fn what_is_read_was_set_together() {
        let whole = Whole::default();
        let values = [const { AtomicU32::new(0) }; 20];
        let over = AtomicBool::new(false);
        let read = || values.each_ref().map(|value| value.load(Ordering::Relaxed));
        std::thread::scope(|scope| {
            scope.spawn(|| {
                for turn in 1..=20_000 {
                    whole.during(|| {
                        for value in &values {
                            value.store(turn, Ordering::Relaxed);
                        }
                    });
                }
                over.store(true, Ordering::Relaxed);
            });
            while !over.load(Ordering::Relaxed) {
                if let Some(read) = whole.read(read) {
                    assert_eq!(read, [read[0]; 20]);
                }
            }
        });
        assert_eq!(whole.read(read), Some([20_000; 20]));
    }

    #[test]
    fn nothing_is_whole_while_it_is_being_set() {
        let whole = Whole::default();
        assert_eq!(whole.read(|| 1), Some(1));
        whole.during(|| {
            assert_eq!(whole.read(|| 2), None);
            whole.during(|| ());
            assert_eq!(whole.read(|| 3), None);
        });
        assert_eq!(whole.read(|| 4), Some(4));
        let failed = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            whole.during(|| std::panic::resume_unwind(Box::new(())));
        }));
        assert!(failed.is_err());
        assert_eq!(whole.read(|| 5), Some(5));
    }
}
