//! Measuring anew, and taking that back.
//!
//! What was measured is set aside in a second set of meters, which is there from the beginning, so
//! that the audio thread only has to exchange the two. The signals that the meters are in the midst
//! of stay with the set that is in use.

use super::{CHUNK, Engine};
use crate::handover::{AudioEnd, Overs};
use crate::process::RecentLoudness;

/// For so long a restart can be taken back, s.
pub const UNDO_S: f64 = 10.0;

/// What there is to take back.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Undo {
    /// The meters have a second set.
    able: bool,
    /// Frames left to do it in; 0 for nothing to take back.
    left: u64,
    overs: Overs,
}

impl Undo {
    pub fn chunk_done(&mut self) {
        self.left = self.left.saturating_sub(CHUNK as u64);
    }
}

impl Engine {
    /// The same engine, in which a restart can be taken back. Allocates.
    #[must_use]
    pub fn with_undo(mut self) -> Self {
        let other = Self::new(self.spec);
        for (point, spare) in [
            (&mut self.input, other.input),
            (&mut self.clean, other.clean),
            (&mut self.output, other.output),
        ] {
            point.keep_spare(spare);
        }
        self.reduction.keep_spare();
        self.undo.able = true;
        self
    }

    /// Forgets everything measured so far; what can be heard stays.
    ///
    /// # Realtime
    /// Yes.
    pub fn restart(&mut self) {
        // Several restarts in a row are taken back as one: what is worth having is what was
        // measured before the first.
        if self.undo.able && self.undo.left == 0 {
            self.exchange();
            self.undo.overs = self.overs.noted();
        }
        if self.undo.able {
            #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
            let frames = (UNDO_S * self.spec.sample_rate_hz) as u64;
            self.undo.left = frames;
        }
        for point in [&mut self.input, &mut self.clean, &mut self.output] {
            point.restart();
        }
        self.loudness = RecentLoudness::default();
        self.reduction.restart();
        self.overs.clear();
        if let Some(tap) = &mut self.tap {
            tap.restart();
        }
    }

    /// As [`restart`](Self::restart), and empties the history.
    ///
    /// # Realtime
    /// Yes.
    pub fn restart_recorded(&mut self, audio_end: &mut AudioEnd) {
        let again = self.undo_left_s().is_some();
        self.restart();
        if self.undo.able {
            audio_end.set_history_aside(again);
        } else {
            audio_end.clear_history();
        }
    }

    /// Takes the last restart back, within [`UNDO_S`] of it: meters and history go on from where
    /// they were, the history with what has been recorded since. The comparison with a tap stays
    /// as it is. False if there is nothing to take back.
    ///
    /// # Realtime
    /// Yes.
    pub fn undo_restart(&mut self, audio_end: &mut AudioEnd) -> bool {
        if self.undo.left == 0 {
            return false;
        }
        self.undo.left = 0;
        self.exchange();
        self.overs.restore(self.undo.overs);
        audio_end.take_history_back();
        true
    }

    /// Time left to take the last restart back, seconds; `None` if there is nothing to take back.
    pub fn undo_left_s(&self) -> Option<f32> {
        let left_s = self.undo.left as f64 / self.spec.sample_rate_hz;
        (self.undo.left > 0).then_some(left_s as f32)
    }

    fn exchange(&mut self) {
        for point in [&mut self.input, &mut self.clean, &mut self.output] {
            point.exchange();
        }
        self.reduction.exchange();
    }

    /// Forgets the peaks over full scale that have been noted.
    ///
    /// # Realtime
    /// Yes.
    pub fn clear_overs(&mut self) {
        self.overs.clear();
    }
}
