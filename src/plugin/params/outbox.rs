//! What the window has done, on its way through the framework's queue to a CLAP host.
//!
//! Blocks and flushes empty that queue, and whoever empties it waits, busily, for whoever is just
//! putting something in: a window's thread that is stopped there would stop the audio. So the window
//! holds a lock meanwhile, and who finds it held leaves the queue alone and is asked for once more.

use crate::lock::{lock_by_asking, lock_within};
use std::fmt;
use std::ptr;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, AtomicPtr, Ordering, fence};
use std::time::Duration;
use try_lock::{Locked, TryLock};

/// How long a state that is loaded waits for the window: a host may hold on to what the window asks
/// of it until the state is loaded.
const PATIENCE: Duration = Duration::from_millis(100);

thread_local! {
    /// Where it lies tells threads apart.
    static HERE: u8 = const { 0 };
}

fn this_thread() -> *mut u8 {
    HERE.with(ptr::from_ref).cast_mut()
}

/// Stands before the framework's queue.
#[derive(Default)]
pub struct Outbox {
    lock: TryLock<()>,
    /// The thread that is putting something in, if any is.
    putting: AtomicPtr<u8>,
    /// Whether there may be something in it.
    any: AtomicBool,
    /// Somebody has come to empty it and found it held.
    missed: AtomicBool,
    /// Asks the host to have it emptied, where anybody does.
    ask: OnceLock<Box<dyn Fn() + Send + Sync>>,
}

/// Nobody puts anything in while this lives.
#[derive(Debug)]
pub struct Held<'a> {
    outbox: &'a Outbox,
    _lock: Locked<'a, ()>,
}

/// What this thread puts in is in once this is dropped.
struct Putting<'a>(&'a Outbox);

impl Drop for Putting<'_> {
    fn drop(&mut self) {
        self.0.putting.store(ptr::null_mut(), Ordering::Relaxed);
    }
}

impl Outbox {
    /// From now on blocks and flushes empty it, which `ask` asks the host for, from any thread.
    pub fn emptied_for_asking(&self, ask: impl Fn() + Send + Sync + 'static) {
        // The first one stays: an instance has one host.
        let _ = self.ask.set(Box::new(ask));
    }

    /// Does what puts something in. Waits for the block that is just emptying it.
    pub fn put(&self, put: impl FnOnce()) {
        let Some(ask) = self.ask.get() else {
            return put();
        };
        // The host, which is told of what is put in, may come back with anything.
        if self.is_put_in_here() {
            return put();
        }
        let lock = lock_by_asking(&self.lock);
        // Before it is in: who comes for it meanwhile finds it held, and not empty.
        self.any.store(true, Ordering::Release);
        self.putting.store(this_thread(), Ordering::Relaxed);
        let putting = Putting(self);
        put();
        drop((putting, lock));
        // Either whoever has missed it is known here, or they have found it free.
        fence(Ordering::SeqCst);
        if self.missed.swap(false, Ordering::Relaxed) {
            ask();
        }
    }

    /// Whether it is this thread that puts something in: of others it does not matter when they do.
    fn is_put_in_here(&self) -> bool {
        ptr::eq(self.putting.load(Ordering::Relaxed), this_thread())
    }

    /// Does `work` while nobody on another thread puts anything in or empties it, unless whoever does
    /// takes too long. Whoever empties it next finds something.
    pub fn alone(&self, work: impl FnOnce()) {
        let lock = (!self.is_put_in_here()).then(|| lock_within(&self.lock, PATIENCE));
        work();
        // Either what `work` has left is known to whoever has just emptied it, or this comes later.
        fence(Ordering::SeqCst);
        self.any.store(true, Ordering::Release);
        drop(lock);
    }

    /// Has the host asked once more to have it emptied.
    pub fn ask(&self) {
        if let Some(ask) = self.ask.get() {
            ask();
        }
    }

    /// Holds it, to be emptied, where there may be something in it and nobody is putting anything
    /// in.
    ///
    /// # Realtime
    /// Yes: an atomic load, and two exchanges at most where there is something. Waits for nobody,
    /// and wakes nobody when it lets go.
    pub fn hold(&self) -> Option<Held<'_>> {
        if !self.any.load(Ordering::Acquire) {
            return None;
        }
        let lock = self.lock.try_lock().or_else(|| {
            self.missed.store(true, Ordering::Relaxed);
            fence(Ordering::SeqCst);
            self.lock.try_lock()
        });
        lock.map(|lock| Held {
            outbox: self,
            _lock: lock,
        })
    }
}

impl fmt::Debug for Outbox {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Outbox")
            .field("any", &self.any)
            .finish_non_exhaustive()
    }
}

impl Held<'_> {
    /// It has been emptied, unless something `is_left`.
    ///
    /// # Realtime
    /// Yes: two stores and a fence, besides what is asked.
    pub fn emptied_but(self, is_left: impl FnOnce() -> bool) {
        let any = &self.outbox.any;
        any.store(false, Ordering::Relaxed);
        fence(Ordering::SeqCst);
        if is_left() {
            any.store(true, Ordering::Release);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use std::sync::atomic::AtomicU32;

    /// One that counts how often the host was asked.
    fn counted() -> (Outbox, Arc<AtomicU32>) {
        let (outbox, asked) = (Outbox::default(), Arc::new(AtomicU32::new(0)));
        let count = Arc::clone(&asked);
        outbox.emptied_for_asking(move || {
            count.fetch_add(1, Ordering::Relaxed);
        });
        (outbox, asked)
    }

    #[test]
    fn a_block_leaves_it_alone_while_something_is_put_in_and_is_asked_for_again() {
        let (outbox, asked) = counted();
        assert!(outbox.hold().is_none(), "nothing is in it");
        outbox.put(|| ());
        assert_eq!(asked.load(Ordering::Relaxed), 0);
        outbox.put(|| assert!(outbox.hold().is_none()));
        assert_eq!(asked.load(Ordering::Relaxed), 1);
        // A block that fails empties nothing.
        drop(outbox.hold().unwrap());
        outbox.hold().unwrap().emptied_but(|| false);
        assert!(outbox.hold().is_none());
        outbox.put(|| ());
        outbox.hold().unwrap().emptied_but(|| true);
        assert!(outbox.hold().is_some());
    }

    #[test]
    fn a_host_that_comes_back_is_not_kept_waiting_for_itself() {
        let (outbox, _) = counted();
        let mut put = 0;
        outbox.put(|| {
            outbox.put(|| put += 1);
            outbox.alone(|| put += 1);
        });
        assert_eq!(put, 2);
        outbox.hold().unwrap().emptied_but(|| false);
        // Nor for another that it comes back by.
        let (other, _) = counted();
        outbox.put(|| other.put(|| outbox.put(|| outbox.alone(|| put += 1))));
        assert_eq!(put, 3);
        // Where nobody empties it nobody waits, nor is it held.
        let nobodys = Outbox::default();
        nobodys.put(|| assert!(nobodys.lock.try_lock().is_some()));
    }

    #[test]
    fn a_state_does_not_wait_for_ever_for_a_window_that_does() {
        let (outbox, _) = counted();
        let mut alone = false;
        outbox.put(|| {
            // As the host does, before it answers the window.
            std::thread::scope(|scope| scope.spawn(|| outbox.alone(|| alone = true)).join())
                .unwrap();
        });
        assert!(alone);
    }

    #[test]
    fn what_is_put_in_by_several_is_taken_out_whole() {
        let (outbox, _) = counted();
        let inside = AtomicU32::new(0);
        std::thread::scope(|scope| {
            for _ in 0..2 {
                scope.spawn(|| {
                    for _ in 0..1_000 {
                        outbox.put(|| {
                            assert_eq!(inside.fetch_add(1, Ordering::SeqCst), 0);
                            inside.fetch_sub(1, Ordering::SeqCst);
                        });
                    }
                });
            }
            for _ in 0..10_000 {
                if let Some(held) = outbox.hold() {
                    assert_eq!(inside.load(Ordering::SeqCst), 0);
                    held.emptied_but(|| false);
                }
            }
        });
    }
}
