//! Whether all that has been measured was made by one set of settings.

use crestline_core::handover::Snapshot;
use crestline_core::process::{BandsSettings, ChainSettings, LimiterSettings, SaturatorSettings};

/// A measurement as of the last frame of the window: which one, how much there is of it, the settings
/// that made the end of it, and how much there was when these last changed.
#[derive(Clone, Copy, Debug, Default)]
struct Measured {
    number: u32,
    frames: u64,
    chain: Option<ChainSettings>,
    changed_at: Option<u64>,
}

impl Measured {
    /// What is set while nothing is measured made nothing of it.
    fn follow(&mut self, chain: &ChainSettings, frames: u64) {
        if frames <= self.frames {
            return;
        }
        if self.chain.is_some_and(|before| before != *chain) {
            self.changed_at = Some(self.frames);
        }
        (self.frames, self.chain) = (frames, Some(*chain));
    }
}

/// Follows what is measured, frame by frame of the window.
#[derive(Clone, Copy, Debug, Default)]
pub struct Steady {
    measured: Measured,
    /// The one before a restart that can still be taken back.
    aside: Option<Measured>,
}

impl Steady {
    /// Whether these settings made all of it, as far as is known.
    pub fn is_all_of(&self, chain: &ChainSettings) -> bool {
        let Measured {
            chain: made,
            changed_at,
            ..
        } = &self.measured;
        changed_at.is_none() && made.is_none_or(|made| made == heard(chain))
    }

    /// Takes the settings and what is measured as of this frame.
    pub fn follow(&mut self, chain: &ChainSettings, snapshot: &Snapshot) {
        let frames = snapshot.output.readings.frames;
        let number = snapshot.activity.measurement;
        let undoable = snapshot.activity.undo_left_s.is_some();
        if self.measured.number != number {
            // Restarts in a row are taken back together.
            let before = self.aside.take().or(Some(self.measured));
            (self.measured, self.aside) = match before {
                Some(before) if before.number == number => (before, None),
                before => (
                    Measured {
                        number,
                        ..Measured::default()
                    },
                    before,
                ),
            };
        }
        self.aside = self.aside.filter(|_| undoable);
        self.measured.follow(&heard(chain), frames);
    }

    /// When the settings of the chain last changed in what is being measured, seconds of it; `None`
    /// where they have not been seen to.
    pub fn changed_at_s(&self, sample_rate_hz: f64) -> Option<f64> {
        Some(self.measured.changed_at? as f64 / sample_rate_hz)
    }
}

/// The settings without those of what is off.
fn heard(chain: &ChainSettings) -> ChainSettings {
    let mut heard = *chain;
    if !heard.bands.on {
        heard.bands = BandsSettings::default();
    }
    if !heard.saturator.enabled {
        heard.saturator = SaturatorSettings::default();
    }
    if !heard.limiter.enabled {
        heard.limiter = LimiterSettings {
            enabled: false,
            ..LimiterSettings::default()
        };
        // The saturator's curve ends at the ceiling, too.
        if heard.saturator.enabled {
            heard.limiter.ceiling_dbtp = chain.limiter.ceiling_dbtp;
        }
    }
    heard
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::process::PushSettings;

    fn pushed(push_db: f64) -> ChainSettings {
        ChainSettings {
            push: PushSettings { push_db },
            ..ChainSettings::default()
        }
    }

    /// Follows measurement `number`, of which there are so many frames; `undoable`: another can be
    /// taken back. Tells when settings changed in it.
    fn follow(
        steady: &mut Steady,
        push_db: f64,
        (number, frames): (u32, u64),
        undoable: bool,
    ) -> Option<u64> {
        let mut snapshot = Snapshot::default();
        snapshot.output.readings.frames = frames;
        snapshot.activity.measurement = number;
        snapshot.activity.undo_left_s = undoable.then_some(1.0);
        steady.follow(&pushed(push_db), &snapshot);
        steady.measured.changed_at
    }

    #[test]
    fn a_change_counts_until_measuring_begins_anew() {
        let mut steady = Steady::default();
        // What is set before anything is measured, or in a pause, and put back, has made nothing.
        for (push_db, measured, changed_at) in [
            (0.0, (0, 0), None),
            (3.0, (0, 0), None),
            (3.0, (0, 100), None),
            (4.0, (0, 100), None),
            (3.0, (0, 150), None),
            (4.0, (0, 200), Some(150)),
            (4.0, (0, 300), Some(150)),
            (5.0, (0, 400), Some(300)),
            // However much has come before the window is looked at again.
            (5.0, (1, 900), None),
            (5.0, (1, 990), None),
            (6.0, (2, 0), None),
            (6.0, (2, 50), None),
        ] {
            let told = follow(&mut steady, push_db, measured, false);
            assert_eq!(told, changed_at, "{push_db} dB, {measured:?}");
        }
    }

    #[test]
    fn a_restart_taken_back_brings_back_when_settings_changed() {
        let mut steady = Steady::default();
        for (push_db, measured, undoable, changed_at) in [
            (0.0, (0, 100), false, None),
            (3.0, (0, 200), false, Some(100)),
            (3.0, (1, 10), true, None),
            (3.0, (1, 20), true, None),
            // Another, and both taken back.
            (3.0, (2, 5), true, None),
            (3.0, (0, 210), false, Some(100)),
            // Set anew and taken back: what was measured before was measured otherwise.
            (4.0, (3, 10), true, None),
            (4.0, (0, 220), false, Some(210)),
            // No longer to be taken back.
            (4.0, (4, 10), true, None),
            (4.0, (4, 90), true, None),
            (4.0, (4, 100), false, None),
            (4.0, (4, 300), false, None),
        ] {
            let told = follow(&mut steady, push_db, measured, undoable);
            assert_eq!(told, changed_at, "{push_db} dB, {measured:?}, {undoable}");
        }
    }

    #[test]
    fn what_is_off_may_be_set() {
        let mut off = pushed(0.0);
        off.limiter.enabled = false;
        let mut set = off;
        set.limiter.ceiling_dbtp = -3.0;
        set.bands.bands[0].ratio = 4.0;
        assert_eq!(heard(&off), heard(&set));
        let mut steady = Steady::default();
        let mut snapshot = Snapshot::default();
        snapshot.output.readings.frames = 100;
        steady.follow(&set, &snapshot);
        assert!(steady.is_all_of(&set) && steady.is_all_of(&off));
        set.limiter.enabled = true;
        assert_ne!(heard(&off), heard(&set));
        assert!(!steady.is_all_of(&set));
        // Without the limiter the saturator bends up to its ceiling.
        set.limiter.enabled = false;
        for chain in [&mut off, &mut set] {
            chain.saturator.enabled = true;
        }
        assert_ne!(heard(&off), heard(&set));
    }
}
