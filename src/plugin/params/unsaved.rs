//! What the host does not see: the session is no parameter, so the host is told that there is
//! something to save, and a reference is no input, so it is asked to go on with a silent one.

use super::CrestlineParams;
use crestline_core::session::Session;
use std::fmt;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};

type Call = Box<dyn Fn() + Send + Sync>;

/// The way to the host, once it is known. Never touched by the audio thread.
#[derive(Default)]
pub struct Unsaved {
    post: OnceLock<Call>,
    tell: OnceLock<Call>,
    wake: OnceLock<Call>,
    active: AtomicBool,
}

impl Unsaved {
    /// What has [`tell`](Self::tell) called on the thread on which the host wants to be told.
    pub fn post_with(&self, post: impl Fn() + Send + Sync + 'static) {
        // The first one stays: an instance has one editor.
        let _ = self.post.set(Box::new(post));
    }

    /// What tells the host, as its format has it.
    pub fn tell_with(&self, tell: impl Fn() + Send + Sync + 'static) {
        let _ = self.tell.set(Box::new(tell));
    }

    /// What asks the host for blocks of audio, from any thread, where its format has that.
    pub fn wake_with(&self, wake: impl Fn() + Send + Sync + 'static) {
        let _ = self.wake.set(Box::new(wake));
    }

    /// The host has activated the instance, or no longer has.
    pub fn set_active(&self, active: bool) {
        // Relaxed: it orders nothing but itself.
        self.active.store(active, Ordering::Relaxed);
    }

    /// Asks the host for blocks of audio: one that lets quiet plug-ins sleep knows nothing of a
    /// reference that is to be heard, a side-chain to be captured, or of what is to be forgotten. An
    /// instance that the host has switched off is not to be switched on by that.
    pub fn wake(&self) {
        if let Some(wake) = self.wake.get()
            && self.active.load(Ordering::Relaxed)
        {
            wake();
        }
    }

    /// Tells the host, on the thread on which it wants to be told.
    pub fn tell(&self) {
        if let Some(tell) = self.tell.get() {
            tell();
        }
    }
}

impl fmt::Debug for Unsaved {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Unsaved").finish_non_exhaustive()
    }
}

impl CrestlineParams {
    /// Changes the session as the user asks, and has the host told if that changed anything.
    /// `change` must not call the session's cell.
    pub fn edit_session(&self, change: impl FnOnce(&mut Session)) {
        self.post_unsaved(self.session.update(change));
    }

    /// Has the host told, if anything of the session has `changed`.
    pub(super) fn post_unsaved(&self, changed: bool) {
        if let Some(post) = self.unsaved.post.get().filter(|_| changed) {
            post();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::session::ThemeChoice;
    use std::sync::Arc;
    use std::sync::atomic::AtomicUsize;

    #[test]
    fn an_instance_that_is_switched_off_is_not_woken() {
        let unsaved = Unsaved::default();
        let woken = Arc::new(AtomicUsize::new(0));
        let counts = Arc::clone(&woken);
        unsaved.wake_with(move || {
            counts.fetch_add(1, Ordering::Relaxed);
        });
        for (active, times) in [(false, 0), (true, 1), (false, 1)] {
            unsaved.set_active(active);
            unsaved.wake();
            assert_eq!(woken.load(Ordering::Relaxed), times);
        }
    }

    #[test]
    fn the_host_is_told_of_what_the_user_changed_and_of_nothing_else() {
        let params = Arc::new(CrestlineParams::default());
        let told = Arc::new(AtomicUsize::new(0));
        let counts = Arc::clone(&told);
        params.unsaved.tell_with(move || {
            counts.fetch_add(1, Ordering::Relaxed);
        });
        let of_post = Arc::downgrade(&params);
        params.unsaved.post_with(move || {
            if let Some(params) = of_post.upgrade() {
                params.unsaved.tell();
            }
        });
        for (theme, times) in [
            (ThemeChoice::Light, 1),
            (ThemeChoice::Light, 1),
            (ThemeChoice::Dark, 2),
        ] {
            params.edit_session(|session| session.theme = theme);
            assert_eq!(told.load(Ordering::Relaxed), times);
        }
        // The host's own.
        params
            .session
            .update(|session| session.theme = ThemeChoice::Light);
        assert_eq!(told.load(Ordering::Relaxed), 2);
    }
}
