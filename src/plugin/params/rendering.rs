//! What the host has audio processed for: whether it writes a file, and what stands aside then;
//! whether it has ended.

use crestline_core::process::ListenSettings;
use std::sync::atomic::{AtomicBool, Ordering};

/// What the host renders for, as it has last said.
#[derive(Debug, Default)]
pub struct Rendering {
    offline: AtomicBool,
    ended: AtomicBool,
}

impl Rendering {
    /// The host renders offline, that is, writes what nobody listens to.
    ///
    /// # Realtime
    /// Yes: one atomic store.
    pub fn set_offline(&self, offline: bool) {
        // Relaxed: it orders nothing but itself.
        self.offline.store(offline, Ordering::Relaxed);
    }

    /// Whether it does.
    ///
    /// # Realtime
    /// Yes: one atomic load.
    pub fn is_offline(&self) -> bool {
        self.offline.load(Ordering::Relaxed)
    }

    /// The host has ended processing: whatever comes next does not follow on what was.
    ///
    /// # Realtime
    /// Yes: one atomic store.
    pub fn end(&self) {
        self.ended.store(true, Ordering::Relaxed);
    }

    /// Whether it has since this was last asked.
    ///
    /// # Realtime
    /// Yes: one atomic swap.
    pub fn has_ended(&self) -> bool {
        self.ended.swap(false, Ordering::Relaxed)
    }

    /// How to listen: offline the output is written, whatever else is set. Bypass stays: it says
    /// that the plug-in is not there.
    ///
    /// # Realtime
    /// Yes.
    pub fn listening(&self, listen: ListenSettings) -> ListenSettings {
        if !self.is_offline() {
            return listen;
        }
        ListenSettings {
            bypass: listen.bypass,
            written: true,
            ..ListenSettings::default()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::process::Source;

    #[test]
    fn offline_the_output_is_heard_whatever_is_listened_to() {
        let listen = ListenSettings {
            source: Source::Residue,
            reference: true,
            side_chain: true,
            matched: true,
            solo: [true, false, false, false],
            bypass: true,
            written: false,
        };
        let rendering = Rendering::default();
        assert_eq!(rendering.listening(listen), listen);
        rendering.set_offline(true);
        let written = ListenSettings {
            source: Source::Output,
            reference: false,
            side_chain: false,
            matched: false,
            solo: [false; 4],
            bypass: true,
            written: true,
        };
        assert_eq!(rendering.listening(listen), written);
    }
}
