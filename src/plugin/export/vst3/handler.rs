//! The host's handler, as far as it takes word of what is no parameter.

use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    IComponentHandler, IComponentHandler2, IComponentHandler2Trait,
};
use nice_plug::wrapper::vst3::vst3::{ComPtr, ComRef};
use std::sync::{Mutex, PoisonError};

/// The handler's second interface; `None` without a handler, or where it has none.
#[derive(Default)]
pub struct Handler(Mutex<Option<ComPtr<IComponentHandler2>>>);

impl Handler {
    /// Takes the host's handler instead of the one before.
    ///
    /// # Safety
    /// `handler` is null or the host's.
    pub unsafe fn set(&self, handler: *mut IComponentHandler) {
        // SAFETY: the caller's promise.
        let handler = unsafe { ComRef::from_raw(handler) };
        self.replace(handler.and_then(|handler| handler.cast()));
    }

    /// Lets go of the handler.
    pub fn release(&self) {
        self.replace(None);
    }

    fn replace(&self, handler: Option<ComPtr<IComponentHandler2>>) {
        let old = std::mem::replace(
            &mut *self.0.lock().unwrap_or_else(PoisonError::into_inner),
            handler,
        );
        // The host may have something to say to that, so nothing is held any more.
        drop(old);
    }

    /// Tells the host that there is something to save. To be called on the host's UI thread
    /// (`ivsteditcontroller.h`, `setDirty`).
    pub fn tell_unsaved(&self) {
        let held = self
            .0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone();
        if let Some(handler) = held {
            // SAFETY: the handler is counted here.
            unsafe { handler.setDirty(1) };
        }
    }
}
