//! The name of the track that the plug-in is on, where the host tells it.

use std::sync::{PoisonError, RwLock};

/// Told by the host, used for the names of files. Never touched by the audio thread.
#[derive(Debug, Default)]
pub struct TrackName(RwLock<String>);

impl TrackName {
    /// The host has said this.
    pub fn set(&self, name: &str) {
        let mut held = self.0.write().unwrap_or_else(PoisonError::into_inner);
        name.clone_into(&mut held);
    }

    /// What the host has said last; empty where it says nothing.
    pub fn get(&self) -> String {
        let held = self.0.read().unwrap_or_else(PoisonError::into_inner);
        held.clone()
    }
}
