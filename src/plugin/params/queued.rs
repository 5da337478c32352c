//! What the framework has yet to do for an instance.
//!
//! In VST3 on Linux it does by a thread that all instances share what is asked for on another thread
//! than the one that made the instance: telling the host of a latency, the editor of a loaded state.
//! That thread ends, for all of them, with the first task whose instance is gone; and the host's
//! process with it, once the last instance goes. So an instance stays until its tasks are done.

use crate::lock::lock;
use std::fmt;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, OnceLock, PoisonError};
use std::time::Duration;

/// How long the host is kept waiting at most: what is still to be done may be waiting for it.
const LONGEST: Duration = Duration::from_secs(1);
/// How long the thread may take, once it has said that all is done, to let go of the instance.
const LETS_GO: Duration = Duration::from_millis(5);
/// Once it has not ended in time nobody waits for it any more: a session has many instances.
static STUCK: AtomicBool = AtomicBool::new(false);

/// The way to the end of the framework's queue.
#[derive(Default)]
pub struct Queued {
    post: OnceLock<Box<dyn Fn() + Send + Sync>>,
    done: Mutex<bool>,
    told: Condvar,
}

impl Queued {
    /// What has [`tell_done`](Self::tell_done) called once all that was queued before is done.
    pub fn post_with(&self, post: impl Fn() + Send + Sync + 'static) {
        // The first one stays: an instance has one editor.
        let _ = self.post.set(Box::new(post));
    }

    /// What was queued before is done.
    pub fn tell_done(&self) {
        *lock(&self.done) = true;
        self.told.notify_all();
    }

    /// Waits until what is queued is done, for a second at most, and some milliseconds more: nothing
    /// tells for certain that the thread no longer holds the instance. Once, before the instance goes.
    pub fn finish(&self) {
        let Some(post) = self.post.get() else { return };
        // Relaxed, here and below: it orders nothing.
        if STUCK.load(Ordering::Relaxed) {
            return;
        }
        post();
        let waited = self
            .told
            .wait_timeout_while(lock(&self.done), LONGEST, |done| !*done);
        let (done, _) = waited.unwrap_or_else(PoisonError::into_inner);
        if !*done {
            STUCK.store(true, Ordering::Relaxed);
        }
        drop(done);
        #[expect(
            clippy::disallowed_methods,
            reason = "nothing tells that the thread has let go"
        )]
        std::thread::sleep(LETS_GO);
    }
}

impl fmt::Debug for Queued {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Queued").finish_non_exhaustive()
    }
}
