//! The audio thread: programme, automation, the engine as the plug-in has it, and in the last part
//! one beside it that is new.

use super::automation::Automation;
use super::drift::Drift;
use super::programme::{LONGEST_BLOCK, Programme, RATE_HZ};
use crestline_core::engine::{CHUNK, Engine, EngineSpec, Settings, TapSettings};
use crestline_core::handover::{
    AudioEnd, AuditionReceiver, RecentReader, Snapshot, TapComparison, handover, recent, tap,
};
use crestline_core::measure::RestGain;
use crestline_plugin::params::CrestlineParams;
use ebur128::{EbuR128, Mode};
use kit::chance::Chance;
use std::sync::Arc;

/// Lengths of blocks; one is kept for a minute.
const BLOCKS: [usize; 8] = [32, 64, 127, 256, 480, 512, 1_024, LONGEST_BLOCK];
const BLOCK_KEPT_FRAMES: u64 = 60 * RATE_HZ as u64;
/// The new engine runs for so long before both begin to measure anew: what lies in its filters and
/// envelopes is then what lies in the old one's.
const WARM_UP_FRAMES: u64 = 60 * RATE_HZ as u64;
/// Both are compared so often, once they have measured for a while.
const COMPARED_EVERY: u64 = RATE_HZ as u64;
const COMPARED_FROM: u64 = 20 * RATE_HZ as u64;

/// What is known at the end of a part.
pub struct Part {
    /// Frames played so far, and since the measurement began.
    pub played: u64,
    pub measured: u64,
    /// What was told last.
    pub told: Snapshot,
    /// Samples that came out and were none.
    pub non_finite: u64,
    /// Samples that went in and were none.
    pub faults: u64,
    /// Parameter values set.
    pub changes: u64,
    /// Times that the audio thread has been asked to clear the overs, and was aware of it.
    pub commands_seen: u64,
    /// Integrated loudness and range of the input by the library, LUFS and LU, since the beginning.
    pub library: [Option<f64>; 2],
}

/// Everything on the audio thread.
pub struct Player {
    params: Arc<CrestlineParams>,
    programme: Programme,
    automation: Automation,
    engine: Engine,
    _comparison: Option<TapComparison>,
    /// Towards the editor, and towards whoever watches what arrives.
    ends: [AudioEnd; 2],
    fresh: Option<Fresh>,
    library: EbuR128,
    chance: Chance,
    block: usize,
    played: u64,
    measured: u64,
    non_finite: u64,
    commands_seen: u64,
}

/// The engine that is new, and how far the two are apart.
struct Fresh {
    engine: Engine,
    end: AudioEnd,
    since: u64,
    drift: Drift,
}

fn spec() -> EngineSpec {
    EngineSpec {
        sample_rate_hz: RATE_HZ.into(),
        channels: 2,
    }
}

impl Player {
    /// `ends`: towards the editor and towards whoever watches. Returns what reads the music, too.
    pub fn new(
        params: &Arc<CrestlineParams>,
        seed: u64,
        ends: [AudioEnd; 2],
        references: AuditionReceiver,
    ) -> (Self, Option<RecentReader>) {
        let spec = spec();
        let mut engine = Engine::new(spec).with_undo().with_audition(references);
        let music = recent(spec.sample_rate_hz, spec.channels).map(|(writer, reader)| {
            engine.keep_input(writer);
            reader
        });
        let (engine, comparison) = match tap(spec.sample_rate_hz, spec.channels) {
            Ok((writer, comparison)) => (engine.with_tap(writer), Some(comparison)),
            Err(_) => (engine, None),
        };
        let mode = Mode::I | Mode::LRA | Mode::HISTOGRAM;
        let player = Self {
            params: Arc::clone(params),
            programme: Programme::new(seed),
            automation: Automation::new(Arc::clone(params), seed ^ 1),
            engine,
            _comparison: comparison,
            ends,
            fresh: None,
            library: EbuR128::new(2, RATE_HZ, mode).expect("a usual layout"),
            chance: Chance::new(seed ^ 2),
            block: BLOCKS[0],
            played: 0,
            measured: 0,
            non_finite: 0,
            commands_seen: 0,
        };
        (player, music)
    }

    /// What is played, to take a reference from.
    pub fn programme(&self) -> &Programme {
        &self.programme
    }

    /// How many parameters are automated.
    pub fn automated(&self) -> usize {
        self.automation.count()
    }

    /// From now on a new engine runs beside the old one.
    pub fn set_beside(&mut self) {
        self.fresh = Some(Fresh {
            // As the old one: beginning anew puts other meters in the place of those that are kept.
            engine: Engine::new(spec()).with_undo(),
            end: handover().0,
            since: 0,
            drift: Drift::default(),
        });
    }

    /// Plays so many frames.
    pub fn play(&mut self, frames: u64) -> Part {
        let end = self.played + frames;
        while self.played < end {
            if self.played % BLOCK_KEPT_FRAMES < LONGEST_BLOCK as u64 {
                self.block = *self.chance.one_of(&BLOCKS);
            }
            self.block(end);
        }
        let told = self.engine.snapshot();
        for audio in &mut self.ends {
            audio.publish(told);
        }
        Part {
            played: self.played,
            measured: self.measured,
            told,
            non_finite: self.non_finite,
            faults: self.programme.faults,
            changes: self.automation.changes,
            commands_seen: self.commands_seen,
            library: [
                self.library.loudness_global(),
                self.library.loudness_range(),
            ]
            .map(|told| told.ok().filter(|told| told.is_finite())),
        }
    }

    /// How far old and new are apart.
    pub fn drift(self) -> Option<Drift> {
        self.fresh.map(|fresh| fresh.drift)
    }

    fn block(&mut self, end: u64) {
        let mut frames = self.block.min((end - self.played) as usize);
        if let Some(fresh) = &self.fresh {
            // Both begin to measure anew where a chunk ends, and the old one's last began anywhere.
            let left = WARM_UP_FRAMES.saturating_sub(fresh.since);
            if left > 0 {
                frames = frames.min(left as usize);
            }
        }
        let mut planes = [[0.0; LONGEST_BLOCK]; 2];
        let [left, right] = &mut planes;
        let mut main = [&mut left[..frames], &mut right[..frames]];
        let [left, right] = &mut main;
        self.programme.fill([left, right]);
        let arrived = main.each_ref().map(|channel| channel.to_vec());
        self.automation.advance(frames);
        let settings = Settings {
            chain: self.params.chain_settings(),
            listen: self.params.listen_settings(),
            tap: TapSettings {
                on: self.params.tap.on.value(),
                rest_gain: RestGain::Automatic,
            },
            playing: true,
        };
        let position_s = Some(self.played as f64 / f64::from(RATE_HZ));
        let [editor, watcher] = &mut self.ends;
        if editor.clear_overs_requested() | watcher.clear_overs_requested() {
            self.engine.clear_overs();
            self.commands_seen += 1;
        }
        let side = arrived.each_ref().map(Vec::as_slice);
        self.engine
            .process_and_record(&mut main, &side, &settings, position_s, editor);
        let told = self.engine.snapshot();
        editor.publish(told);
        watcher.publish(told);
        let none = main.iter().flat_map(|channel| channel.iter());
        self.non_finite += none.filter(|sample| !sample.is_finite()).count() as u64;
        let sound = arrived.each_ref().map(|channel| {
            let samples = channel
                .iter()
                .map(|sample| if sample.is_finite() { *sample } else { 0.0 });
            samples.collect::<Vec<f32>>()
        });
        let sound = sound.each_ref().map(Vec::as_slice);
        self.library
            .add_frames_planar_f32(&sound)
            .expect("as many channels as it was made for");
        self.played += frames as u64;
        self.measured += frames as u64;
        self.beside(arrived, &settings, &told);
    }

    /// Has the new engine do the same, and compares.
    fn beside(&mut self, mut arrived: [Vec<f32>; 2], settings: &Settings, told: &Snapshot) {
        let Some(fresh) = &mut self.fresh else {
            return;
        };
        let frames = arrived[0].len();
        let [left, right] = &mut arrived;
        fresh
            .engine
            .process_and_record(&mut [left, right], &[], settings, None, &mut fresh.end);
        let before = fresh.since;
        fresh.since += frames as u64;
        if fresh.since == WARM_UP_FRAMES {
            self.engine.restart_recorded(&mut self.ends[0]);
            fresh.engine.restart_recorded(&mut fresh.end);
            self.measured = 0;
        } else if before >= WARM_UP_FRAMES + COMPARED_FROM
            && before / COMPARED_EVERY != fresh.since / COMPARED_EVERY
        {
            fresh.drift.compare(told, &fresh.engine.snapshot());
        }
    }
}

/// Frames of which the history knows: it takes note at the end of each whole chunk.
pub fn recorded(frames: u64) -> u64 {
    frames / CHUNK as u64 * CHUNK as u64
}
