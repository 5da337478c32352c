//! One block of audio: processing and measurement. No input or output, no locks, no allocation; the
//! plug-in and the command both run this.
//!
//! ```text
//! input ─┬─▶ measured                                      ┌▶ Output ┐
//!        ├─ push ─ shelves ─ bands ─┬─ saturator ─ limiter ┘ measured│
//!        │                          └─ delay ───── limiter ─▶ Clean  ├─ listen ─▶ out
//!        └─ delay (latency) ────────────────────────────────▶ Input  ┘
//! ```
//!
//! The latency is the saturator's and the limiter's together, a constant of the sample rate
//! whatever is switched on, in bypass too. With the saturator off the output path *is* the clean
//! path and is not computed twice.

mod audition;
mod in_step;
mod listening;
mod matching;
mod momentary;
mod overs;
mod point;
mod recent_bands;
mod residue_level;
mod restart;
mod snapshot;
mod stereo;
mod stretch;
mod tap_stage;

pub use self::restart::UNDO_S;

use self::audition::Audition;
use self::in_step::InStep;
use self::matching::Matching;
use self::momentary::Momentary;
use self::overs::OverLatch;
use self::point::Points;
use self::recent_bands::RecentBands;
use self::residue_level::ResidueLevel;
use self::restart::Undo;
use self::stereo::{Stereo, part_of, range_in, range_of, silent_stereo};
use self::stretch::{Reported, path_reduction};
use self::tap_stage::TapStage;
use crate::dsp::delay::DelayLine;
use crate::dsp::fault::{LARGEST_INPUT, silence_faults};
use crate::handover::{AudioEnd, AuditionReceiver, Faults, RecentWriter, TapWriter};
use crate::measure::{GainMemory, ReductionMeter, RestGain};
use crate::process::{Before, Chain, ChainSettings, Listen, ListenSettings, RecentLoudness};
use std::ops::Range;

/// What an engine is built for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EngineSpec {
    /// Hz, 8 to 768 kHz, need not be whole; measures keep to the standards up to 384 kHz.
    pub sample_rate_hz: f64,
    /// 1 or 2.
    pub channels: usize,
}

/// What the user has set, as one `Copy` value a block.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Settings {
    /// Settings of the stages.
    pub chain: ChainSettings,
    /// Which signal is heard, and how.
    pub listen: ListenSettings,
    /// What the side-chain carries.
    pub tap: TapSettings,
    /// The host's transport runs.
    pub playing: bool,
}

/// What the side-chain is taken for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TapSettings {
    /// It carries the signal from before what is in front of the plug-in.
    pub on: bool,
    /// Gain at rest of what is in front.
    pub rest_gain: RestGain,
}

/// Frames worked on at a time. Work is cut at multiples of this, counted from the start, so that
/// what is steered by measurements does not depend on the host's blocks.
pub const CHUNK: usize = 256;
/// Frames that are gathered before they are measured, unless the chunk ends or a reading may change
/// first: a host that hands over a frame at a time does not have each measured by itself, and the
/// readings are the same.
const GATHERED: usize = 64;
/// The clean path, as the [meter of what the paths pay](Engine::reduction) counts them.
pub const PAID_CLEAN: usize = 0;
/// The output path, as that meter counts them.
pub const PAID_OUTPUT: usize = 1;

/// The engine. See the module's head.
#[derive(Debug)]
pub struct Engine {
    spec: EngineSpec,
    in_step: InStep,
    chain: Chain,
    dry_delay: DelayLine,
    listen: Listen,
    points: Points,
    /// The clean and the output path against what they would be if nothing held them down.
    reduction: ReductionMeter,
    /// Which frames the points and the reduction are told of.
    reported: Reported,
    tap: Option<Box<TapStage>>,
    audition: Option<Box<Audition>>,
    recent: Option<RecentWriter>,
    /// Nobody listens: see [`without_listening`](Self::without_listening).
    unheard: bool,
    /// The chunk at hand: the input in step with the paths, the two paths, and what they are
    /// compared with.
    dry_signal: Stereo,
    clean_signal: Stereo,
    output_signal: Stereo,
    before_signal: Stereo,
    turned_down: Box<[[f32; 4]; CHUNK]>,
    /// Whether any band is turned down in what is not measured yet.
    turned: bool,
    /// Frames into the current chunk, how many of them have been measured, and where in it lies the
    /// last run of frames that was worked on.
    position: usize,
    measured: usize,
    at_hand: Range<usize>,
    loudness: RecentLoudness,
    listened: ListenSettings,
    matching: Matching,
    momentary: Momentary,
    residue: ResidueLevel,
    /// Highest true peak of the output in the last whole chunk, dBTP.
    output_peak_dbtp: Option<f64>,
    overs: OverLatch,
    faults: Faults,
    undo: Undo,
    /// Frames until all of the last 10 s has been measured since measuring anew.
    refilled_in: u64,
    /// Lowest gain of the clean and of the output path's limiter in the last whole chunk, dB.
    limiters_db: [f32; 2],
    /// What the bands did in the last whole chunks.
    bands: RecentBands,
    playing: bool,
}

impl Engine {
    /// An engine with everything it will ever need. Allocates.
    pub fn new(spec: EngineSpec) -> Self {
        Self::in_turn(spec, 0)
    }

    /// The same for one of several that hear their frames at the same time: of engines of different
    /// turns the spectra, which take longest, fall due in different blocks. Allocates.
    pub fn in_turn(spec: EngineSpec, turn: u32) -> Self {
        Self::with_balances(spec, Some(turn))
    }

    fn with_balances(spec: EngineSpec, turn: Option<u32>) -> Self {
        let spec = EngineSpec {
            channels: spec.channels.clamp(1, 2),
            ..spec
        };
        let chain = Chain::new(spec.sample_rate_hz, spec.channels);
        let latency_frames = chain.latency_frames();
        Self {
            spec,
            dry_delay: DelayLine::new(latency_frames, spec.channels),
            in_step: InStep::new(spec.sample_rate_hz),
            chain,
            listen: Listen::new(spec.sample_rate_hz),
            points: Points::new(spec, turn),
            reduction: path_reduction(spec, GainMemory::Nothing),
            reported: Reported::everything(),
            tap: None,
            audition: None,
            recent: None,
            unheard: false,
            dry_signal: silent_stereo(),
            clean_signal: silent_stereo(),
            output_signal: silent_stereo(),
            before_signal: silent_stereo(),
            turned_down: Box::new([[1.0; 4]; CHUNK]),
            turned: false,
            position: 0,
            measured: 0,
            at_hand: 0..0,
            loudness: RecentLoudness::default(),
            listened: ListenSettings::default(),
            matching: Matching::new(spec.sample_rate_hz, latency_frames),
            momentary: Momentary::new(spec.sample_rate_hz),
            residue: ResidueLevel::new(spec.sample_rate_hz),
            output_peak_dbtp: None,
            overs: OverLatch::new(spec.sample_rate_hz),
            faults: Faults::default(),
            undo: Undo::default(),
            refilled_in: 0,
            limiters_db: [0.0; 2],
            bands: RecentBands::new(spec.sample_rate_hz),
            playing: false,
        }
    }

    /// The same engine, able to compare the side-chain with the input; `writer` hands both to the
    /// worker that finds the delay. Allocates.
    #[must_use]
    pub fn with_tap(self, writer: TapWriter) -> Self {
        Self {
            tap: Some(Box::new(TapStage::new(writer))),
            ..self
        }
    }

    /// The same engine, able to play the reference that `receiver` gets, or that the side-chain
    /// carries. Allocates.
    #[must_use]
    pub fn with_audition(self, receiver: AuditionReceiver) -> Self {
        Self {
            audition: Some(Box::new(Audition::new(receiver, self.spec))),
            ..self
        }
    }

    /// Has the input written down by `writer` from now on.
    pub fn keep_input(&mut self, writer: RecentWriter) {
        self.recent = Some(writer);
    }

    /// What the engine was built for.
    pub fn spec(&self) -> EngineSpec {
        self.spec
    }

    /// Frames from input to output: a constant of the sample rate, whatever is switched on.
    pub fn latency_frames(&self) -> usize {
        self.chain.latency_frames()
    }

    /// Clears everything that can be heard; what has been measured stays.
    ///
    /// # Realtime
    /// Yes.
    pub fn reset(&mut self) {
        self.measure();
        self.in_step.reset();
        self.chain.reset();
        self.dry_delay.reset();
        self.listen.reset();
        self.matching.reset();
        self.residue.reset();
        self.bands.reset();
        if let Some(audition) = &mut self.audition {
            audition.reset();
        }
        if let Some(tap) = &mut self.tap {
            tap.reset();
        }
        self.points.cut();
        // What was heard of a chunk that breaks off is no part of the next.
        self.points.take_weighted_energies();
        // The stages begin to count frames anew, and so does what is in step with them.
        (self.position, self.measured, self.at_hand) = (0, 0, 0..0);
    }

    /// Processes one block in place: one slice a channel, all of one length, any length. `side` is
    /// the side-chain, whose channels may be missing or short: what is missing is silence. Samples
    /// that are not finite, or beyond +80 dBFS, count as silence and are [counted](Faults).
    ///
    /// # Realtime
    /// Yes.
    pub fn process(&mut self, main: &mut [&mut [f32]], side: &[&[f32]], settings: &Settings) {
        self.run(main, side, settings, |_, _| ());
    }

    /// As [`process`](Self::process), and enters what is measured into the history.
    /// `song_position_s` is where the song is at the first frame, seconds, if the host tells it.
    ///
    /// # Realtime
    /// Yes.
    pub fn process_and_record(
        &mut self,
        main: &mut [&mut [f32]],
        side: &[&[f32]],
        settings: &Settings,
        song_position_s: Option<f64>,
        audio_end: &mut AudioEnd,
    ) {
        self.run(main, side, settings, |engine, frames| {
            let elapsed_s = frames as f64 / engine.spec.sample_rate_hz;
            let passed_s = if settings.playing { elapsed_s } else { 0.0 };
            engine.record(song_position_s.map(|start_s| start_s + passed_s), audio_end);
        });
    }

    /// Works through a block; after each whole chunk calls `chunk_done` with the frames of the
    /// block so far.
    fn run(
        &mut self,
        main: &mut [&mut [f32]],
        side: &[&[f32]],
        settings: &Settings,
        mut chunk_done: impl FnMut(&mut Self, usize),
    ) {
        self.playing = settings.playing;
        let [left, right] = match main {
            [] => return,
            [left] => [&mut **left, &mut []],
            [left, right, ..] => [&mut **left, &mut **right],
        };
        let stereo = self.spec.channels == 2;
        let frames = if stereo {
            left.len().min(right.len())
        } else {
            left.len()
        };
        let mut start = 0;
        while start < frames {
            let end = frames.min(start + CHUNK - self.position);
            let right = if stereo {
                &mut right[start..end]
            } else {
                &mut [][..]
            };
            let mut chunk = [&mut left[start..end], right];
            let side = [0, 1].map(|index| part_of(side, index, start..end));
            self.chunk(
                &mut chunk[..self.spec.channels],
                &side,
                end - start,
                settings,
            );
            start = end;
            if self.position == CHUNK {
                (self.position, self.measured) = (0, 0);
                self.points.take_balances();
                let energies = self.points.take_weighted_energies();
                self.momentary.push(energies);
                let before = range_of(&self.before_signal, 0..CHUNK);
                let before = &before[..self.spec.channels];
                self.matching.heard(energies, before);
                self.residue.chunk_done(self.listen.residue_gain());
                if let Some(audition) = &mut self.audition {
                    audition.chunk_done(&self.listen);
                }
                self.output_peak_dbtp = self.points.take_output_peak_dbtp();
                let clean_peak_dbtp = self.points.take_clean_peak_dbtp();
                let peaks_dbtp = [self.output_peak_dbtp, clean_peak_dbtp];
                let limited = self.in_step.limits();
                self.overs.chunk_done(peaks_dbtp, &settings.listen, limited);
                self.follow_undo();
                self.limiters_db = self.chain.take_limiter_gains_db();
                self.bands.push(self.chain.take_bands_activity());
                chunk_done(self, end);
            }
        }
    }

    fn chunk(
        &mut self,
        main: &mut [&mut [f32]],
        side: &[&[f32]],
        frames: usize,
        settings: &Settings,
    ) {
        let begins = self.position == 0;
        let arrives = self.chain.is_arriving();
        let chain_settings = self.in_step.give(&settings.chain, arrives, begins);
        if begins {
            self.listening_begins(&chain_settings, arrives);
        } else {
            self.matching.enter_within(&chain_settings);
        }
        if std::mem::replace(&mut self.listened, settings.listen) != settings.listen {
            self.loudness.coming_lu = self.matching.coming_lu(&settings.chain);
        }
        let range = self.position..self.position + frames;
        let channels = main.len();
        for channel in main.iter_mut() {
            let silenced = silence_faults(channel, LARGEST_INPUT);
            self.faults.input = self.faults.input.saturating_add(silenced);
        }
        let corners_hz = chain_settings.bands.crossovers_hz;
        let input: [&[f32]; 2] = [
            main.first().map_or(&[], |left| left),
            main.get(1).map_or(&[], |right| right),
        ];
        if let Some(recent) = &mut self.recent {
            recent.write(&input[..channels]);
        }
        let mut silenced = self.tap.as_mut().map_or(0, |tap| {
            let written = settings.listen.written;
            tap.process(&input[..channels], side, &settings.tap, corners_hz, written)
        });
        if corners_hz != self.reduction.corners_hz() {
            self.measure();
            self.reduction.set_corners(corners_hz);
        }
        let mut dry = range_in(&mut self.dry_signal, range.clone());
        let mut clean = range_in(&mut self.clean_signal, range.clone());
        let mut output = range_in(&mut self.output_signal, range.clone());
        let mut before = range_in(&mut self.before_signal, range.clone());
        let turned_down = self.turned_down.get_mut(range.clone()).unwrap_or_default();
        for (main, (dry, clean)) in main.iter().zip(dry.iter_mut().zip(&mut clean)) {
            dry.copy_from_slice(main);
            clean.copy_from_slice(main);
        }
        if !self.unheard {
            self.dry_delay.process(&mut dry[..channels]);
        }
        let turned = self.chain.process(
            &mut clean[..channels],
            &mut output[..channels],
            &mut Before {
                signal: &mut before[..channels],
                turned_down,
            },
            &chain_settings,
        );
        self.turned |= turned;
        if !turned {
            turned_down.fill([1.0; 4]);
        }
        if !self.unheard {
            // Tap and reference look at the same samples: those that are no audio count once.
            silenced = silenced.max(self.hear(main, side, &range, settings.listen, corners_hz));
        }
        self.faults.side_chain = self.faults.side_chain.saturating_add(silenced);
        (self.position, self.at_hand) = (range.end, range);
        let gathered = self.position - self.measured;
        let may_change = self.points.remaining().min(self.reduction.remaining());
        if gathered >= GATHERED.min(may_change) || self.position == CHUNK {
            self.measure();
        }
    }

    /// Measures what has been gathered.
    fn measure(&mut self) {
        let range = self.measured..self.position;
        if range.is_empty() {
            return;
        }
        self.measured = range.end;
        let range = self.reported.take(range);
        let channels = self.spec.channels;
        let [output, clean, dry, before] = [
            &self.output_signal,
            &self.clean_signal,
            &self.dry_signal,
            &self.before_signal,
        ]
        .map(|signal| range_of(signal, range.clone()));
        // In step with the paths, so that equal signals read equal at any moment.
        let points = [&output[..channels], &clean[..channels], &dry[..channels]];
        let measured = if self.unheard { 2 } else { 3 };
        self.points.process(&points[..measured]);
        let turned_down = if std::mem::take(&mut self.turned) {
            self.turned_down.get(range).unwrap_or_default()
        } else {
            &[]
        };
        self.reduction.process_turned_down(
            &before[..channels],
            turned_down,
            &[&clean[..channels], &output[..channels]],
        );
    }
}
