//! What the engine reports between two blocks: the snapshot, a moment of the history, its signals.

use super::stereo::range_of;
use super::{CHUNK, Engine, PAID_CLEAN, PAID_OUTPUT, point};
use crate::handover::{Activity, AudioEnd, Moment, Snapshot, Tap};
use crate::measure::{Readings, ReductionMeter};
use crate::process::Signals;

impl Engine {
    /// What was last told of output, clean path and input.
    pub(crate) fn readings(&self) -> [&Readings; 3] {
        [point::OUTPUT, point::CLEAN, point::INPUT].map(|index| &self.points.told(index).readings)
    }

    /// Gated loudness of the last 10 s of output path, clean path and input, LUFS. `None` while it
    /// is of less, or of another time, because what was measured has been forgotten or taken back:
    /// what is heard goes on, and must not move with it.
    pub(super) fn gated_10s_lufs(&self) -> [Option<f64>; 3] {
        let known = self.refilled_in == 0;
        self.readings()
            .map(|readings| readings.gated_10s_lufs.filter(|_| known))
    }

    /// Enters the chunk just finished into the history; `song_position_s` is that of what came in.
    pub(super) fn record(&mut self, song_position_s: Option<f64>, audio_end: &mut AudioEnd) {
        let [output, clean, input] = self.readings();
        let [clean_limiter_db, output_limiter_db] = self.limiters_db;
        let reduction = self.reduction.readings(PAID_OUTPUT);
        // What is measured came in so long ago.
        let late_s = if self.playing {
            self.latency_frames() as f64 / self.spec.sample_rate_hz
        } else {
            0.0
        };
        let of_output = |at_s: f64| (at_s - late_s).max(at_s.min(0.0));
        let moment = Moment {
            input,
            clean,
            output,
            true_peak_dbtp: self.output_peak_dbtp,
            clean_limiter_db,
            output_limiter_db,
            band_reduction_db: reduction.bands.map(|band| band.reduction.now_db),
            distortion_db: reduction.distortion.now_db,
            song_position_s: song_position_s.map(of_output),
            playing: self.playing,
        };
        audio_end.record(&moment, CHUNK, self.spec.sample_rate_hz);
    }

    /// The input (delayed by the latency), the clean path and the output path, all in step, of the
    /// last stretch worked on: the whole block, if it was one of [`CHUNK`] frames and
    /// so were all before it.
    pub fn signals(&self) -> Signals<'_> {
        let of = |stereo| range_of(stereo, self.at_hand.clone());
        Signals {
            output: of(&self.output_signal),
            clean: of(&self.clean_signal),
            input: of(&self.dry_signal),
            references: Default::default(),
        }
    }

    /// What the [clean](PAID_CLEAN) and the [output path](PAID_OUTPUT) pay, counted from the input
    /// with its push and shelves.
    pub fn reduction(&self) -> &ReductionMeter {
        &self.reduction
    }

    /// What has been measured, for the editor.
    ///
    /// # Realtime
    /// Yes: a copy.
    pub fn snapshot(&self) -> Snapshot {
        let bands = self.bands.told();
        let mut snapshot = Snapshot {
            sample_rate_hz: self.spec.sample_rate_hz,
            channels: self.spec.channels as u32,
            playing: self.playing,
            input: *self.points.told(point::INPUT),
            clean: *self.points.told(point::CLEAN),
            output: *self.points.told(point::OUTPUT),
            activity: Activity {
                band_gain_db: bands.gain_db,
                band_level_db: bands.level_db,
                driven_levels: self.chain.driven_levels(),
                listen_gain_db: self.listen.gain_db() as f32,
                output_over_input_lu: self.matching.output_over_input_lu(),
                paths_over_input_lu: self.matching.over_input_lu(),
                match_db: self.listen.match_db().map(|db| db as f32),
                reference: self
                    .audition
                    .as_ref()
                    .and_then(|audition| audition.told(&self.listen)),
                rising_db: self.listen.rising_db() as f32,
                overs: self.overs.noted(),
                faults: self.faults,
                undo_left_s: self.undo_left_s(),
                measurement: self.undo.measurement,
            },
            clean_reduction: self.reduction.readings(PAID_CLEAN),
            output_reduction: self.reduction.readings(PAID_OUTPUT),
            tap: self
                .tap
                .as_ref()
                .map_or_else(Tap::default, |tap| tap.snapshot()),
        };
        // What is gathered changes nothing yet but their number.
        let gathered = (self.position - self.measured) as u64;
        snapshot.clean.readings.frames += gathered;
        snapshot.output.readings.frames += gathered;
        if !self.unheard {
            snapshot.input.readings.frames += gathered;
        }
        snapshot
    }
}
