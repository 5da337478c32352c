//! The host, as far as it takes word of what is no parameter.

use clap_sys::ext::state::{CLAP_EXT_STATE, clap_host_state};
use nice_plug::wrapper::clap::clap_host;

/// The host of an instance.
pub struct Host(*const clap_host);

// SAFETY: CLAP has the host ask for its extensions on any thread; what it offers there is called on
// the main thread alone.
unsafe impl Send for Host {}
// SAFETY: as above.
unsafe impl Sync for Host {}

impl Host {
    /// # Safety
    /// `host` is the host's, and is there whenever it is to be told something.
    pub unsafe fn new(host: *const clap_host) -> Self {
        Self(host)
    }

    /// Tells the host that there is something to save. To be called on its main thread
    /// (`clap/ext/state.h`, `mark_dirty`).
    pub fn tell_unsaved(&self) {
        // SAFETY: the promise of `new`; the table is that of the extension.
        unsafe {
            let host = self.0.as_ref();
            let extension = host.and_then(|host| host.get_extension);
            let Some(extension) = extension else {
                return;
            };
            let state = extension(self.0, CLAP_EXT_STATE.as_ptr()).cast::<clap_host_state>();
            if let Some(mark) = state.as_ref().and_then(|state| state.mark_dirty) {
                mark(self.0);
            }
        }
    }

    /// Asks the host for blocks of audio. From any thread (`clap/host.h`, `request_process`).
    pub fn wake(&self) {
        // SAFETY: the promise of `new`.
        unsafe {
            if let Some(host) = self.0.as_ref()
                && let Some(request) = host.request_process
            {
                request(self.0);
            }
        }
    }
}
