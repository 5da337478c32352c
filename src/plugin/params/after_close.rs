//! What a window leaves to be told when it closes, and when the host may be told.
//!
//! The framework drops a window within the host's call for that, and holds its place locked meanwhile.
//! A host that takes word of a gesture's end by flushing or setting a value at once, as one may on its
//! main thread, would come back to that very place, which ends its process.

use std::fmt;
use std::sync::{Mutex, MutexGuard, PoisonError};

type Call = Box<dyn FnOnce() + Send>;

/// Calls to the host that have to wait until its own is over.
#[derive(Default)]
pub struct AfterClose(Mutex<Option<Vec<Call>>>);

impl AfterClose {
    fn lock(&self) -> MutexGuard<'_, Option<Vec<Call>>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Runs `close`, which is the host's call, and then what it has left to be told.
    pub fn during(&self, close: impl FnOnce()) {
        *self.lock() = Some(Vec::new());
        close();
        // Not while locked: the host may come back with anything.
        let calls = self.lock().take();
        for call in calls.into_iter().flatten() {
            call();
        }
    }

    /// Tells the host now, or once its call is over.
    pub fn tell(&self, call: impl FnOnce() + Send + 'static) {
        let mut waiting = self.lock();
        if let Some(calls) = waiting.as_mut() {
            calls.push(Box::new(call));
        } else {
            drop(waiting);
            call();
        }
    }
}

impl fmt::Debug for AfterClose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("AfterClose").finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    #[test]
    fn what_a_window_leaves_is_told_once_the_hosts_call_is_over() {
        let after_close = Arc::new(AfterClose::default());
        let told = Arc::new(Mutex::new(Vec::new()));
        let tell = |word: &'static str| {
            let told = Arc::clone(&told);
            // The host comes back, from within what it is told.
            let again = Arc::clone(&after_close);
            after_close.tell(move || again.tell(move || told.lock().unwrap().push(word)));
        };
        tell("before");
        after_close.during(|| {
            tell("within");
            told.lock().unwrap().push("closed");
        });
        tell("after");
        let told = told.lock().unwrap();
        assert_eq!(*told, ["before", "closed", "within", "after"]);
    }
}
