//! What the window has done, on its way through the framework's queue to a CLAP host.
//!
//! A block empties that queue, and whoever empties it waits, busily, for whoever is just putting
//! something in: a window's thread that is stopped there would stop the audio. So the window holds a
//! lock meanwhile, and a block that finds it held leaves the queue to the next.

use crate::lock::lock_by_asking;
use std::sync::atomic::{AtomicBool, Ordering};
use try_lock::{Locked, TryLock};

/// Stands before the framework's queue.
#[derive(Debug, Default)]
pub struct Outbox {
    lock: TryLock<()>,
    /// Whether there may be something in it.
    any: AtomicBool,
}

/// Nobody puts anything in while this lives.
#[derive(Debug)]
pub struct Held<'a> {
    outbox: &'a Outbox,
    _lock: Locked<'a, ()>,
}

impl Outbox {
    /// Does what puts something in. Waits for the block that is just emptying it.
    pub fn put(&self, put: impl FnOnce()) {
        let _lock = lock_by_asking(&self.lock);
        put();
        // Release: who finds that there is something finds it. What clears it holds the lock.
        self.any.store(true, Ordering::Release);
    }

    /// Holds it, to be emptied, where there may be something in it and nobody is putting anything
    /// in.
    ///
    /// # Realtime
    /// Yes: an atomic load, and an exchange where there is something. Waits for nobody, and wakes
    /// nobody when it lets go.
    pub fn hold(&self) -> Option<Held<'_>> {
        let any = self.any.load(Ordering::Acquire);
        any.then(|| self.lock.try_lock())
            .flatten()
            .map(|lock| Held {
                outbox: self,
                _lock: lock,
            })
    }
}

impl Held<'_> {
    /// It has been emptied.
    ///
    /// # Realtime
    /// Yes: one store.
    pub fn emptied(self) {
        self.outbox.any.store(false, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_block_leaves_it_alone_while_something_is_put_in_and_has_it_after() {
        let outbox = Outbox::default();
        assert!(outbox.hold().is_none(), "nothing is in it");
        outbox.put(|| assert!(outbox.hold().is_none()));
        outbox.put(|| assert!(outbox.hold().is_none()));
        // A block that fails empties nothing.
        drop(outbox.hold().unwrap());
        outbox.hold().unwrap().emptied();
        assert!(outbox.hold().is_none());
    }
}
