//! The saved session, shared between the host, which loads and saves it, and the editor.

use crestline_core::session::Session;
use nice_plug::params::persist::PersistentField;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{PoisonError, RwLock};

/// A session behind a lock, and a number that tells when it has changed: nothing else tells the
/// editor that the host has loaded one.
///
/// Never touched by the audio thread.
#[derive(Debug, Default)]
pub struct SessionCell {
    session: RwLock<Session>,
    epoch: AtomicU32,
}

impl SessionCell {
    /// A copy of the session.
    pub fn get(&self) -> Session {
        self.read(Clone::clone)
    }

    /// Looks at the session. `look` must not call this cell.
    pub fn read<R>(&self, look: impl FnOnce(&Session) -> R) -> R {
        // Whoever panicked while holding the lock left a session that is whole: it is only ever
        // replaced.
        look(&self.session.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Changes the session, and sanitises the result. `change` must not call this cell.
    pub fn update(&self, change: impl FnOnce(&mut Session)) {
        let mut held = self.session.write().unwrap_or_else(PoisonError::into_inner);
        let mut session = held.clone();
        change(&mut session);
        *held = session.sanitised();
        // Release: whoever finds this number finds the session.
        self.epoch.fetch_add(1, Ordering::Release);
    }

    /// Another number after each change.
    pub fn epoch(&self) -> u32 {
        // Acquire: who finds a new number finds the session that came with it.
        self.epoch.load(Ordering::Acquire)
    }
}

impl PersistentField<'_, Session> for SessionCell {
    fn set(&self, session: Session) {
        self.update(|held| *held = session);
    }

    fn map<F, R>(&self, look: F) -> R
    where
        F: Fn(&Session) -> R,
    {
        self.read(look)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_host_loads_is_sanitised_and_told() {
        let cell = SessionCell::default();
        let epoch = cell.epoch();
        cell.set(Session {
            zoom: f32::INFINITY,
            editor_size: [1e30, -1.0],
            ..Session::default()
        });
        assert_ne!(cell.epoch(), epoch);
        assert_eq!(cell.get(), cell.get().sanitised());
        assert_eq!(PersistentField::map(&cell, Clone::clone), cell.get());
    }

    #[test]
    fn a_panic_in_the_middle_of_a_change_leaves_the_session_as_it_was() {
        let cell = SessionCell::default();
        let change = std::panic::AssertUnwindSafe(|| {
            cell.update(|session| {
                session.zoom = 2.0;
                panic!("on purpose");
            });
        });
        assert!(std::panic::catch_unwind(change).is_err());
        assert_eq!(cell.get(), Session::default());
    }
}
