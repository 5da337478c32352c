//! Whether the host writes a file, and what stands aside then.

use crestline_core::process::{ChainSettings, ListenSettings};
use std::sync::atomic::{AtomicBool, Ordering};

/// What the host renders for, as it has last said.
#[derive(Debug, Default)]
pub struct Rendering {
    offline: AtomicBool,
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

    /// The settings by which to play: offline, what only serves listening stands aside, and the
    /// output is written. Bypass stays: it says that the plug-in is not there.
    ///
    /// # Realtime
    /// Yes.
    pub fn settings(
        &self,
        mut chain: ChainSettings,
        mut listen: ListenSettings,
    ) -> (ChainSettings, ListenSettings) {
        if self.is_offline() {
            listen = ListenSettings {
                bypass: listen.bypass,
                ..ListenSettings::default()
            };
            chain = chain.without_solo();
        }
        (chain, listen)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::process::Source;

    #[test]
    fn offline_only_what_serves_listening_stands_aside() {
        let mut chain = ChainSettings::default();
        chain.push.push_db = 6.0;
        let unsoloed = chain;
        chain.bands.bands[0].solo = true;
        let listen = ListenSettings {
            source: Source::Residue,
            reference: true,
            side_chain: true,
            matched: true,
            bypass: true,
        };
        let rendering = Rendering::default();
        assert_eq!(rendering.settings(chain, listen), (chain, listen));
        rendering.set_offline(true);
        let written = ListenSettings {
            source: Source::Output,
            reference: false,
            side_chain: false,
            matched: false,
            bypass: true,
        };
        assert_eq!(rendering.settings(chain, listen), (unsoloed, written));
    }
}
