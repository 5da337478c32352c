//! Whether a saved state is being loaded while audio runs.
//!
//! The framework sets loaded values one by one, on the thread of the host that loads. A block that
//! began in between would be processed with a part of them: a new push, and no limiter yet.

use std::sync::atomic::{AtomicU32, Ordering, fence};

/// Counts loads, so that whoever reads values knows whether they are of one state.
#[derive(Debug, Default)]
pub struct Loading {
    begun: AtomicU32,
    ended: AtomicU32,
}

/// Ends a load, however it ends.
struct Load<'a>(&'a AtomicU32);

impl Drop for Load<'_> {
    fn drop(&mut self) {
        // Release: whoever sees this sees what was loaded.
        self.0.fetch_add(1, Ordering::Release);
    }
}

impl Loading {
    /// Runs `load`, which loads a state.
    pub fn during<R>(&self, load: impl FnOnce() -> R) -> R {
        self.begun.fetch_add(1, Ordering::Relaxed);
        let _load = Load(&self.ended);
        // Whoever reads anything that is loaded from here on sees that it has begun.
        fence(Ordering::Release);
        load()
    }

    /// What `read` reads; `None` where a state was being loaded meanwhile.
    ///
    /// # Realtime
    /// Yes: three atomic loads.
    pub fn whole<R>(&self, read: impl FnOnce() -> R) -> Option<R> {
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
    fn what_is_read_is_of_one_load() {
        let loading = Loading::default();
        let values = [const { AtomicU32::new(0) }; 20];
        let over = AtomicBool::new(false);
        let read = || values.each_ref().map(|value| value.load(Ordering::Relaxed));
        std::thread::scope(|scope| {
            scope.spawn(|| {
                for turn in 1..=20_000 {
                    loading.during(|| {
                        for value in &values {
                            value.store(turn, Ordering::Relaxed);
                        }
                    });
                }
                over.store(true, Ordering::Relaxed);
            });
            while !over.load(Ordering::Relaxed) {
                if let Some(read) = loading.whole(read) {
                    assert_eq!(read, [read[0]; 20]);
                }
            }
        });
        assert_eq!(loading.whole(read), Some([20_000; 20]));
    }

    #[test]
    fn nothing_is_whole_while_a_load_is_under_way() {
        let loading = Loading::default();
        assert_eq!(loading.whole(|| 1), Some(1));
        loading.during(|| {
            assert_eq!(loading.whole(|| 2), None);
            loading.during(|| ());
            assert_eq!(loading.whole(|| 3), None);
        });
        assert_eq!(loading.whole(|| 4), Some(4));
        let failed = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            loading.during(|| std::panic::resume_unwind(Box::new(())));
        }));
        assert!(failed.is_err());
        assert_eq!(loading.whole(|| 5), Some(5));
    }
}
