//! The host, as far as it takes word of what is no parameter.

use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_host_params};
use clap_sys::ext::state::{CLAP_EXT_STATE, clap_host_state};
use nice_plug::wrapper::clap::clap_host;
use std::ffi::CStr;

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
            let state: Option<&clap_host_state> = self.extension(CLAP_EXT_STATE);
            if let Some(mark) = state.and_then(|state| state.mark_dirty) {
                mark(self.0);
            }
        }
    }

    /// Asks the host to have what the window has done told to it. From any thread but the audio
    /// thread (`clap/ext/params.h`, `request_flush`).
    pub fn ask_for_flush(&self) {
        // SAFETY: as above.
        unsafe {
            let params: Option<&clap_host_params> = self.extension(CLAP_EXT_PARAMS);
            if let Some(request) = params.and_then(|params| params.request_flush) {
                request(self.0);
            }
        }
    }

    /// The host's table of an extension.
    ///
    /// # Safety
    /// `T` is the table of the extension that `id` stands for.
    unsafe fn extension<T>(&self, id: &CStr) -> Option<&T> {
        // SAFETY: the promise of `new`, and the caller's.
        unsafe {
            let extension = self.0.as_ref()?.get_extension?;
            extension(self.0, id.as_ptr()).cast::<T>().as_ref()
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
