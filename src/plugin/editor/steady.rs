//! Whether all that has been measured was made by one set of settings.

use crestline_core::handover::Snapshot;
use crestline_core::process::{BandsSettings, ChainSettings, LimiterSettings, SaturatorSettings};

/// With less than this left there may be no difference between a restart that was taken back and one
/// that no longer can be, seconds.
const UNDOABLE_S: f32 = 0.5;

/// A measurement as of the last frame of the window: how much there is of it, the settings that made
/// the end of it, and how much there was when these last changed.
#[derive(Clone, Copy, Debug, Default)]
struct Measured {
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
    /// What was measured before a restart that can still be taken back, and for how long it can.
    aside: Option<Measured>,
    left_s: Option<f32>,
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
        let (frames, left_s) = (
            snapshot.output.readings.frames,
            snapshot.activity.undo_left_s,
        );
        let undoable = self.left_s.is_some_and(|left_s| left_s > UNDOABLE_S);
        if undoable
            && left_s.is_none()
            && let Some(before) = self.aside.take()
        {
            self.measured = before;
        } else if frames < self.measured.frames {
            // Restarts in a row are taken back together.
            self.aside = self
                .aside
                .or(Some(self.measured))
                .filter(|_| left_s.is_some());
            self.measured = Measured::default();
        }
        if left_s.is_none() {
            self.aside = None;
        }
        self.left_s = left_s;
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

    fn follow(steady: &mut Steady, push_db: f64, frames: u64, left_s: Option<f32>) -> Option<u64> {
        let mut snapshot = Snapshot::default();
        snapshot.output.readings.frames = frames;
        snapshot.activity.undo_left_s = left_s;
        steady.follow(&pushed(push_db), &snapshot);
        steady.measured.changed_at
    }

    #[test]
    fn a_change_counts_until_measuring_begins_anew() {
        let mut steady = Steady::default();
        // What is set before anything is measured, or in a pause, and put back, has made nothing.
        for (push_db, frames, changed_at) in [
            (0.0, 0, None),
            (3.0, 0, None),
            (3.0, 100, None),
            (4.0, 100, None),
            (3.0, 150, None),
            (4.0, 200, Some(150)),
            (4.0, 300, Some(150)),
            (5.0, 400, Some(300)),
            (5.0, 10, None),
            (5.0, 90, None),
            (6.0, 0, None),
            (6.0, 50, None),
        ] {
            let told = follow(&mut steady, push_db, frames, None);
            assert_eq!(told, changed_at, "{push_db} dB, {frames}");
        }
    }

    #[test]
    fn a_restart_taken_back_brings_back_when_settings_changed() {
        let mut steady = Steady::default();
        for (push_db, frames, left_s, changed_at) in [
            (0.0, 100, None, None),
            (3.0, 200, None, Some(100)),
            (3.0, 10, Some(10.0), None),
            (3.0, 20, Some(9.0), None),
            // Another, and both taken back.
            (3.0, 5, Some(10.0), None),
            (3.0, 210, None, Some(100)),
            // Set anew and taken back: what was measured before was measured otherwise.
            (4.0, 10, Some(10.0), None),
            (4.0, 220, None, Some(210)),
            // No longer to be taken back.
            (4.0, 10, Some(10.0), None),
            (4.0, 90, Some(0.1), None),
            (4.0, 100, None, None),
            (4.0, 300, None, None),
        ] {
            let told = follow(&mut steady, push_db, frames, left_s);
            assert_eq!(told, changed_at, "{push_db} dB, {frames}, {left_s:?}");
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
    }
}
