//! The saved session, shared between the host, which loads and saves it, and the editor.

use crate::lock::may_wait;
use crestline_core::session::{Limits, Session, TargetWindow};
use nice_plug::params::persist::PersistentField;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};
use std::sync::{PoisonError, RwLock};

/// A session behind a lock, and a number that tells when it has changed: nothing else tells the
/// editor that the host has loaded one.
///
/// Never touched by the audio thread, but for [`limits`](Self::limits).
#[derive(Debug)]
pub struct SessionCell {
    session: RwLock<Session>,
    epoch: AtomicU32,
    /// How many the host has loaded; changed with the lock held alone.
    loads: AtomicU32,
    /// The chosen window's limits once more: loudness, PLR, ceiling, highest short-term loudness.
    limits: [AtomicU64; 6],
}

/// An open end.
const OPEN: u64 = f64::NAN.to_bits();

impl Default for SessionCell {
    fn default() -> Self {
        let cell = Self {
            session: RwLock::default(),
            epoch: AtomicU32::new(0),
            loads: AtomicU32::new(0),
            limits: std::array::from_fn(|_| AtomicU64::new(OPEN)),
        };
        cell.copy_limits(&Session::default());
        cell
    }
}

impl SessionCell {
    /// A copy of the session.
    pub fn get(&self) -> Session {
        self.read(Clone::clone)
    }

    /// Looks at the session. `look` must not call this cell.
    pub fn read<R>(&self, look: impl FnOnce(&Session) -> R) -> R {
        may_wait();
        // Whoever panicked while holding the lock left a session that is whole: it is only ever
        // replaced.
        look(&self.session.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Changes the session, and sanitises the result. Tells whether it is another then. `change`
    /// must not call this cell.
    pub fn update(&self, change: impl FnOnce(&mut Session)) -> bool {
        may_wait();
        let mut held = self.session.write().unwrap_or_else(PoisonError::into_inner);
        let mut session = held.clone();
        change(&mut session);
        let session = session.sanitised();
        let changed = *held != session;
        *held = session;
        self.copy_limits(&held);
        // Release: whoever finds this number finds the session.
        self.epoch.fetch_add(1, Ordering::Release);
        changed
    }

    /// The same, unless the host has loaded another session since [`loads`](Self::loads) were so many.
    pub fn update_unless_loaded(&self, loads: u32, change: impl FnOnce(&mut Session)) -> bool {
        self.update(|session| {
            if self.loads() == loads {
                change(session);
            }
        })
    }

    /// How many sessions the host has loaded.
    pub fn loads(&self) -> u32 {
        // Relaxed: the lock orders what hangs on it.
        self.loads.load(Ordering::Relaxed)
    }

    fn copy_limits(&self, session: &Session) {
        let window = session.target();
        let ends = [
            window.loudness_lufs.low,
            window.loudness_lufs.high,
            window.plr_db.low,
            window.plr_db.high,
            window.ceiling_dbtp,
            window.short_term_max_lufs,
        ];
        for (cell, end) in self.limits.iter().zip(ends) {
            let bits = end.map_or(OPEN, f64::to_bits);
            // Relaxed: each end is whole by itself, and one of an older window does no harm.
            cell.store(bits, Ordering::Relaxed);
        }
    }

    /// The chosen window's limits, without its name.
    ///
    /// # Realtime
    /// Yes: a few atomic loads.
    pub fn limits(&self) -> TargetWindow {
        let [
            loudness_low,
            loudness_high,
            plr_low,
            plr_high,
            ceiling,
            short_term_max,
        ] = self.limits.each_ref().map(|cell| {
            let end = f64::from_bits(cell.load(Ordering::Relaxed));
            (!end.is_nan()).then_some(end)
        });
        TargetWindow {
            loudness_lufs: Limits {
                low: loudness_low,
                high: loudness_high,
            },
            plr_db: Limits {
                low: plr_low,
                high: plr_high,
            },
            ceiling_dbtp: ceiling,
            short_term_max_lufs: short_term_max,
            ..TargetWindow::default()
        }
    }

    /// Another number after each change.
    pub fn epoch(&self) -> u32 {
        // Acquire: who finds a new number finds the session that came with it.
        self.epoch.load(Ordering::Acquire)
    }
}

impl PersistentField<'_, Session> for SessionCell {
    fn set(&self, session: Session) {
        self.update(|held| {
            self.loads.fetch_add(1, Ordering::Relaxed);
            *held = session;
        });
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
    fn what_was_begun_before_a_load_changes_nothing_after_it() {
        let cell = SessionCell::default();
        let loads = cell.loads();
        assert!(cell.update_unless_loaded(loads, |session| session.zoom = 1.5));
        cell.set(Session::default());
        assert!(!cell.update_unless_loaded(loads, |session| session.zoom = 1.5));
        assert_eq!(cell.get(), Session::default());
    }

    #[test]
    fn the_limits_are_those_of_the_chosen_window() {
        let cell = SessionCell::default();
        let mut window = TargetWindow {
            name: "mine".into(),
            loudness_lufs: Limits::between(-11.5, -9.3),
            plr_db: Limits::at_most(12.0),
            ceiling_dbtp: None,
            short_term_max_lufs: Some(-6.0),
        };
        cell.update(|session| session.choose_own(window.clone()));
        window.name = "".into();
        assert_eq!(cell.limits(), window);
        let fresh = SessionCell::default();
        let chosen = Session::default().target().loudness_lufs;
        assert_eq!(fresh.limits().loudness_lufs, chosen);
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
