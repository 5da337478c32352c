//! The chain: push, shelves, bands, then two paths in step, one clean and one saturated, behind
//! identical limiters.

use super::bands::{Bands, BandsActivity, BandsSettings};
use super::limiter::{Limiter, LimiterSettings};
use super::push::{Push, PushSettings};
use super::saturator::{Saturator, SaturatorSettings};
use super::shelves::{Shelves, ShelvesSettings};
use crate::dsp::delay::DelayLine;
use crate::dsp::level_histogram::{LevelCounter, LevelHistogram};
use crate::dsp::quantum::QUANTUM;
use crate::dsp::ramp::{SWITCH_MS, Switch, frames_from_ms};

/// Once switched on, the saturated path runs unheard for this long (beyond its latency), so that
/// its limiter has found its gain. It begins with the sound and the gain of the clean path: what the
/// gain follows from goes back further.
const WARM_UP_MS: f64 = 50.0;

/// Settings of every stage; the default of each changes nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChainSettings {
    /// Gain into the chain.
    pub push: PushSettings,
    /// Two gentle shelves.
    pub shelves: ShelvesSettings,
    /// Four-band compressor.
    pub bands: BandsSettings,
    /// Soft saturation of the top few decibels below the limiter's ceiling.
    pub saturator: SaturatorSettings,
    /// Limiter of both paths.
    pub limiter: LimiterSettings,
}

impl Default for ChainSettings {
    fn default() -> Self {
        Self {
            push: PushSettings::default(),
            shelves: ShelvesSettings::default(),
            bands: BandsSettings::default(),
            saturator: SaturatorSettings::default(),
            limiter: LimiterSettings {
                enabled: false,
                ..LimiterSettings::default()
            },
        }
    }
}

/// The stages and their state, for one or two channels.
#[derive(Clone, Debug)]
pub struct Chain {
    push: Push,
    shelves: Shelves,
    bands: Box<Bands>,
    /// Counts what enters the saturator.
    driven: LevelCounter,
    saturator: Saturator,
    saturated_limiter: Limiter,
    clean_delay: DelayLine,
    clean_limiter: Limiter,
    /// Frames that the saturated path still has to run before it may be heard.
    warming: u32,
    warm_up: u32,
    /// Frames for which the saturated path is heard on once it is switched off, and how many of
    /// those are left: what is on its way came in with it on, and perhaps with a push that goes
    /// with it.
    stays: u32,
    staying: u32,
    saturated_runs: bool,
    heard: Switch,
    /// Nothing has been played yet.
    fresh: bool,
    /// Frames so far, within a quantum: all stages work on the same grid, whenever they are switched
    /// on.
    phase: usize,
    /// Scratch: what the saturator is a moment late.
    missed: Vec<Vec<f32>>,
    before_delay: DelayLine,
    /// Frames from input to either output.
    latency: usize,
}

/// Room for what the paths are to be compared with: the input after push and shelves and with the
/// bands' make-up, in step with the paths.
///
/// While the bands work it has their gains too, averaged, so that it is turned in phase as the
/// paths are; by what factor each band of each frame was turned down in that is told beside it, and
/// is to be taken back out of its bands.
#[derive(Debug)]
pub struct Before<'a, 'b> {
    /// One slice a channel, as long as the paths.
    pub signal: &'a mut [&'b mut [f32]],
    /// As long as a channel.
    pub turned_down: &'a mut [[f32; 4]],
}

impl Chain {
    /// A chain for `channels` (1 or 2) channels of blocks of any length. Allocates.
    pub fn new(sample_rate_hz: f64, channels: usize) -> Self {
        let saturator = Saturator::new(sample_rate_hz, channels);
        let limiter = Limiter::new(sample_rate_hz, channels);
        let latency = saturator.latency_frames() + limiter.latency_frames();
        Self {
            push: Push::new(sample_rate_hz),
            shelves: Shelves::new(sample_rate_hz),
            bands: Box::new(Bands::new(sample_rate_hz).with_beside_late(latency)),
            driven: LevelCounter::new(sample_rate_hz),
            clean_delay: DelayLine::new(saturator.latency_frames(), channels),
            missed: vec![vec![0.0; saturator.latency_frames()]; channels],
            saturator,
            saturated_limiter: limiter.clone(),
            clean_limiter: limiter,
            warming: 0,
            warm_up: latency as u32 + frames_from_ms(sample_rate_hz, WARM_UP_MS),
            stays: latency as u32 + frames_from_ms(sample_rate_hz, SWITCH_MS),
            staying: 0,
            saturated_runs: false,
            heard: Switch::new(sample_rate_hz),
            fresh: true,
            phase: 0,
            before_delay: DelayLine::new(latency, channels),
            latency,
        }
    }

    /// Frames from input to either output: a constant of the sample rate, whatever is switched on.
    pub fn latency_frames(&self) -> usize {
        self.latency
    }

    /// Clears all sound; the next settings are taken at once.
    ///
    /// # Realtime
    /// Yes.
    pub fn reset(&mut self) {
        self.push.reset();
        self.shelves.reset();
        self.bands.reset();
        self.driven.reset();
        self.saturator.reset();
        self.saturated_limiter.reset();
        self.clean_delay.reset();
        self.clean_limiter.reset();
        (self.warming, self.staying) = (0, 0);
        self.saturated_runs = false;
        self.heard.reset();
        self.fresh = true;
        self.phase = 0;
        self.before_delay.reset();
    }

    /// Takes the input in `clean`, leaves the clean path there and the output path in `output`, and
    /// fills `before`; all slices of one length. Returns false where nothing was turned down in
    /// `before`, every factor being 1: these are then left alone.
    ///
    /// # Realtime
    /// Yes.
    pub fn process(
        &mut self,
        clean: &mut [&mut [f32]],
        output: &mut [&mut [f32]],
        before: &mut Before<'_, '_>,
        settings: &ChainSettings,
    ) -> bool {
        self.push.process(clean, &settings.push);
        self.shelves.process(clean, &settings.shelves);
        for (before, driven) in before.signal.iter_mut().zip(clean.iter()) {
            before.copy_from_slice(driven);
        }
        self.before_delay.process(before.signal);
        let turned = self
            .bands
            .process(clean, before.signal, before.turned_down, &settings.bands);
        self.driven.count(clean);
        for (output, driven) in output.iter_mut().zip(clean.iter()) {
            output.copy_from_slice(driven);
        }
        self.start_saturating(settings);
        let frames = clean.first().map_or(0, |channel| channel.len());
        self.phase = (self.phase + frames) % QUANTUM;
        self.clean_delay.process(clean);
        self.clean_limiter.process(clean, &settings.limiter);
        self.saturated_path(clean, output, settings);
        turned
    }

    /// Whether bands or saturator are switched on and what comes in now will not be heard with
    /// them yet.
    pub fn is_arriving(&self) -> bool {
        self.bands.is_arriving() || self.warming > self.latency_frames() as u32
    }

    /// What the bands did since this was last asked: the same wherever blocks end, if it is asked
    /// at the same frames.
    pub(crate) fn take_bands_activity(&mut self) -> BandsActivity {
        self.bands.take_activity()
    }

    /// Wakes the saturated path where it is asked for, before the clean one has heard the frames at
    /// hand.
    fn start_saturating(&mut self, settings: &ChainSettings) {
        if settings.saturator.enabled && !self.saturated_runs {
            // It begins with what is on its way in the clean path, which came in before.
            let before = self.saturator.latency_frames() % QUANTUM;
            self.saturator.reset_at(self.phase + QUANTUM - before);
            for (missed, held) in self.missed.iter_mut().zip(self.clean_delay.held()) {
                for (missed, held) in missed.iter_mut().zip(held) {
                    *missed = held;
                }
            }
            if let [first, rest @ ..] = &mut self.missed[..] {
                let ceiling_dbtp = settings.limiter.ceiling_dbtp;
                let settings = saturating(settings);
                let mut process = |missed: &mut [&mut [f32]]| {
                    self.saturator.process(missed, &settings, ceiling_dbtp);
                };
                match rest.first_mut() {
                    Some(second) => process(&mut [first, second]),
                    None => process(&mut [first]),
                }
            }
            self.saturated_limiter.copy_from(&self.clean_limiter);
            self.saturated_runs = true;
            // Where no other sound came before, both paths start from silence and there is nothing
            // to wait for.
            self.warming = if self.fresh { 0 } else { self.warm_up };
        }
        self.fresh = false;
    }

    /// Takes the driven signal in `output` and leaves the output path there: the saturated path
    /// where it runs, else the clean one.
    fn saturated_path(
        &mut self,
        clean: &[&mut [f32]],
        output: &mut [&mut [f32]],
        settings: &ChainSettings,
    ) {
        let frames = output.first().map_or(0, |channel| channel.len()) as u32;
        if !self.saturated_runs {
            self.heard.set(false);
            copy(clean, output);
            return;
        }
        let ceiling_dbtp = settings.limiter.ceiling_dbtp;
        self.saturator
            .process(output, &saturating(settings), ceiling_dbtp);
        self.saturated_limiter.process(output, &settings.limiter);
        let enabled = settings.saturator.enabled;
        let waiting = if enabled {
            &mut self.warming
        } else {
            self.warming = 0;
            &mut self.staying
        };
        let as_before = frames.min(*waiting);
        *waiting -= as_before;
        if as_before > 0 {
            self.heard.set(!enabled);
            self.crossfade(clean, output, 0..as_before as usize);
        }
        if as_before < frames {
            self.heard.set(enabled);
            self.crossfade(clean, output, as_before as usize..frames as usize);
        }
        if enabled {
            self.staying = if self.warming == 0 { self.stays } else { 0 };
        } else if self.heard.is_off() {
            self.saturated_runs = false;
        }
    }

    fn crossfade(
        &mut self,
        clean: &[&mut [f32]],
        output: &mut [&mut [f32]],
        range: std::ops::Range<usize>,
    ) {
        if self.heard.is_on() || range.is_empty() {
            return;
        }
        let start = self.heard;
        for (clean, output) in clean.iter().zip(output.iter_mut()) {
            self.heard = start;
            for (clean, output) in clean[range.clone()].iter().zip(&mut output[range.clone()]) {
                let share = self.heard.advance() as f32;
                // Either path is heard to the last bit, wherever in a block that is.
                if share == 0.0 {
                    *output = *clean;
                } else if share < 1.0 {
                    *output = clean + share * (*output - clean);
                }
            }
        }
    }

    /// Lowest gain of the clean and of the output path's limiter since this was last asked, dB, 0
    /// or less: the same wherever blocks end, if it is asked at the same frames. Until the
    /// saturated path is heard its limiter does not count.
    pub(crate) fn take_limiter_gains_db(&mut self) -> [f32; 2] {
        let [clean, saturated] = [&mut self.clean_limiter, &mut self.saturated_limiter]
            .map(|limiter| limiter.take_lowest_gain_db() as f32);
        [
            clean,
            if self.heard.is_off() {
                clean
            } else {
                saturated
            },
        ]
    }

    /// How often what enters the saturator stands at which level, whether it is on or not: the last
    /// seconds.
    pub fn driven_levels(&self) -> LevelHistogram {
        self.driven.levels()
    }
}

/// It goes on saturating while it fades out, whatever the switch says.
fn saturating(settings: &ChainSettings) -> SaturatorSettings {
    SaturatorSettings {
        enabled: true,
        ..settings.saturator
    }
}

fn copy(from: &[&mut [f32]], to: &mut [&mut [f32]]) {
    for (from, to) in from.iter().zip(to) {
        to.copy_from_slice(from);
    }
}
