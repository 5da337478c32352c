//! Locks, for which the audio thread never waits.
//!
//! One that is free is taken without a system call, and a test would have to be lucky to find it
//! held. So with debug assertions each thread knows whether it processes a block.

#[cfg(debug_assertions)]
use std::cell::Cell;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use try_lock::{Locked, TryLock};

#[cfg(debug_assertions)]
thread_local! {
    static PROCESSES: Cell<bool> = const { Cell::new(false) };
}

/// Takes a lock. What it guards is whole at any time, also after a panic elsewhere.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    may_wait();
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Takes a lock that the audio thread tries to take. Who gives one back wakes whoever waits for it,
/// which is a system call: nobody waits for these, but asks again.
pub(crate) fn lock_by_asking<T>(lock: &TryLock<T>) -> Locked<'_, T> {
    loop {
        if let Some(locked) = lock_within(lock, Duration::from_secs(1)) {
            return locked;
        }
    }
}

/// The same, for so long.
#[expect(
    clippy::disallowed_methods,
    reason = "a condition or a channel is what would have to be told"
)]
pub(crate) fn lock_within<T>(lock: &TryLock<T>, patience: Duration) -> Option<Locked<'_, T>> {
    may_wait();
    let begun = Instant::now();
    loop {
        let locked = lock.try_lock();
        if locked.is_some() || begun.elapsed() >= patience {
            return locked;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
}

/// Stops, with debug assertions, where this thread processes a block. Says nothing in what is
/// shipped.
pub(crate) fn may_wait() {
    #[cfg(debug_assertions)]
    assert!(!PROCESSES.get(), "a lock is taken on the audio thread");
}

/// Processes a block.
///
/// # Realtime
/// Yes: it does `work` and, in what is shipped, nothing else.
pub(crate) fn processing<T>(work: impl FnOnce() -> T) -> T {
    #[cfg(debug_assertions)]
    PROCESSES.set(true);
    let done = work();
    #[cfg(debug_assertions)]
    PROCESSES.set(false);
    done
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lock_is_taken_before_and_after_a_block() {
        let mutex = Mutex::new(0);
        *lock(&mutex) += 1;
        let processed = processing(|| 2);
        *lock(&mutex) += processed;
        assert_eq!(*lock(&mutex), 3);
    }

    #[test]
    #[cfg(debug_assertions)]
    #[should_panic(expected = "a lock is taken on the audio thread")]
    fn one_that_is_taken_within_a_block_does_not_go_unnoticed() {
        let mutex = Mutex::new(());
        processing(|| drop(lock(&mutex)));
    }
}
