//! Measuring anew, and taking that back.
//!
//! What was measured is set aside in a second set of meters, which is made beforehand, so that the
//! audio thread only has to exchange the two. The signals that the meters are in the midst of stay
//! with the set that is in use.

use super::matching::LONGEST_S;
use super::point::{POINTS, Points};
use super::{CHUNK, Engine, EngineSpec};
use crate::handover::{AudioEnd, Faults, Overs};
use crate::measure::Meter;
use crate::worker::{Scheduled, Worker};
use std::io;
use triple_buffer::TripleBuffer;

/// For so long a restart can be taken back, s.
pub const UNDO_S: f64 = 10.0;

/// For each measuring point a meter to exchange with, and when its balance is due.
pub(super) type Spares = ([Option<Box<Meter>>; POINTS], [u64; POINTS]);

/// What there is to take back.
#[derive(Debug, Default)]
pub(super) struct Undo {
    /// The meters have a second set.
    able: bool,
    /// That set, on its way from the worker.
    coming: Option<Coming>,
    /// Frames left to do it in; 0 for nothing to take back.
    left: u64,
    overs: Overs,
    /// Numbers of the measurement under way, of the one that is set aside, and of the newest.
    pub measurement: u32,
    aside: u32,
    newest: u32,
}

/// Spares that the worker makes.
#[derive(Debug)]
struct Coming {
    spares: triple_buffer::Output<Option<Spares>>,
    _task: Scheduled,
}

/// Allocates.
fn spares(spec: EngineSpec, turn: Option<u32>) -> Spares {
    Points::new(spec, turn).into_spares()
}

impl Engine {
    /// Does what the editor has asked for, in that order: measures anew, takes that back, forgets
    /// what has been noted. Measures anew after all that where `restart` says so.
    ///
    /// # Realtime
    /// Yes.
    pub fn obey(&mut self, audio_end: &mut AudioEnd, restart: bool) {
        let [asked, undo] = [audio_end.restart_requested(), audio_end.undo_requested()];
        let to_be_undone = asked && undo && audio_end.undo_came_last();
        if to_be_undone {
            self.restart_recorded(audio_end);
        }
        if undo {
            self.undo_restart(audio_end);
        }
        if restart || asked && !to_be_undone {
            self.restart_recorded(audio_end);
        }
        if audio_end.clear_overs_requested() {
            self.clear_overs();
        }
        if audio_end.clear_faults_requested() {
            self.clear_faults();
        }
    }

    /// The same engine, in which a restart can be taken back from the first frame on, without
    /// waiting for the worker: for tests, which count frames. Allocates 5 MiB.
    #[must_use]
    pub fn with_undo(mut self) -> Self {
        self.reduction.keep_spare();
        self.keep(spares(self.spec, self.points.turn()));
        self
    }

    /// The same engine, in which a restart can be taken back from a moment after `wanted` first
    /// returns true: the process's worker then makes room for it.
    ///
    /// # Errors
    /// The system does not give another thread; the engine is as it was.
    pub fn enable_undo_once(
        &mut self,
        wanted: impl Fn() -> bool + Send + 'static,
    ) -> io::Result<()> {
        let (mut tell, told) = TripleBuffer::default().split();
        let mut spec = Some(self.spec);
        let turn = self.points.turn();
        let make = move || {
            if let Some(spec) = spec.take_if(|_| wanted()) {
                tell.write(Some(spares(spec, turn)));
            }
            false
        };
        // Without spares a restart is final, and no undo is offered.
        let task = Worker::of_process().schedule(make, || ())?;
        self.reduction.keep_spare();
        self.undo.coming = Some(Coming {
            spares: told,
            _task: task,
        });
        Ok(())
    }

    /// What is measured from now on has this number.
    pub fn number_measurements_from(&mut self, number: u32) {
        (self.undo.measurement, self.undo.newest) = (number, number);
    }

    /// A number that no measurement of this engine has had.
    pub fn next_measurement(&self) -> u32 {
        self.undo.newest.wrapping_add(1)
    }

    /// Takes what the worker has made. At the end of a chunk.
    pub(super) fn follow_undo(&mut self) {
        self.undo.left = self.undo.left.saturating_sub(CHUNK as u64);
        self.refilled_in = self.refilled_in.saturating_sub(CHUNK as u64);
        if self.undo.able {
            return;
        }
        let coming = self.undo.coming.as_mut();
        let made = coming.and_then(|coming| {
            coming.spares.update();
            coming.spares.output_buffer_mut().take()
        });
        if let Some(spares) = made {
            self.keep(spares);
        }
    }

    fn keep(&mut self, spares: Spares) {
        self.points.keep_spares(spares);
        self.undo.able = true;
    }

    /// Forgets everything measured so far; what can be heard stays.
    ///
    /// # Realtime
    /// Yes.
    pub fn restart(&mut self) {
        self.measure();
        if self.undo.able {
            // Several restarts in a row are taken back as one: what is worth having is what was
            // measured before the first. Peaks over full scale are worth having from all.
            if self.undo.left == 0 {
                self.exchange();
                self.undo.overs = Overs::default();
                self.undo.aside = self.undo.measurement;
            }
            self.overs.restore(self.undo.overs);
            self.undo.overs = self.overs.noted();
            #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
            let frames = (UNDO_S * self.spec.sample_rate_hz) as u64;
            self.undo.left = frames;
        }
        self.undo.newest = self.undo.newest.wrapping_add(1);
        self.undo.measurement = self.undo.newest;
        self.points.restart();
        self.refill();
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
        self.undo.measurement = self.undo.aside;
        self.measure();
        self.exchange();
        self.overs.restore(self.undo.overs);
        self.refill();
        audio_end.take_history_back();
        true
    }

    /// Time left to take the last restart back, seconds; `None` if there is nothing to take back.
    pub fn undo_left_s(&self) -> Option<f32> {
        let left_s = self.undo.left as f64 / self.spec.sample_rate_hz;
        (self.undo.left > 0).then_some(left_s as f32)
    }

    fn refill(&mut self) {
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let frames = (LONGEST_S * self.spec.sample_rate_hz).ceil() as u64;
        self.refilled_in = frames;
    }

    fn exchange(&mut self) {
        self.points.exchange();
        self.reduction.exchange();
    }

    /// Forgets the peaks over full scale that have been noted.
    ///
    /// # Realtime
    /// Yes.
    pub fn clear_overs(&mut self) {
        self.overs.clear();
    }

    /// Forgets the samples that were no audio.
    ///
    /// # Realtime
    /// Yes.
    pub fn clear_faults(&mut self) {
        self.faults = Faults::default();
    }
}
