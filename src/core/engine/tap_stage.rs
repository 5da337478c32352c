//! The side-chain on its way to the worker that compares it with the input.

use super::{Stereo, TapSettings, range_of, silent_stereo};
use crate::dsp::fault::{LARGEST_INPUT, silence_faults};
use crate::handover::{Tap, TapWriter};

/// The comparison of the side-chain with the input.
#[derive(Debug)]
pub(super) struct TapStage {
    writer: TapWriter,
    /// What the worker told last.
    told: Tap,
    on: bool,
    side_signal: Stereo,
}

impl TapStage {
    /// Allocates.
    pub(super) fn new(writer: TapWriter) -> Self {
        Self {
            writer,
            told: Tap::default(),
            on: false,
            side_signal: silent_stereo(),
        }
    }

    /// `side` may have fewer channels and fewer frames than the input; what is missing is silence.
    /// What comes in while a file is `written` belongs to that, and is not captured. Returns how many
    /// of its samples were no audio, of those that are looked at.
    pub(super) fn process(
        &mut self,
        input: &[&[f32]],
        side: &[&[f32]],
        settings: &TapSettings,
        corners_hz: [f64; 3],
        written: bool,
    ) -> u32 {
        match (self.on, settings.on) {
            (false, true) => self.writer.begin(),
            (true, false) => self.writer.end(),
            _ => {}
        }
        self.on = settings.on;
        // A side-chain that carries nothing is not captured as silence.
        let comes_in = !written && side.iter().any(|side| !side.is_empty());
        let captured = comes_in && self.writer.is_captured();
        if !self.on && !captured {
            return 0;
        }
        let frames = input.first().map_or(0, |channel| channel.len());
        let mut faults = 0;
        for (index, channel) in self.side_signal.iter_mut().enumerate() {
            let samples = side.get(index).copied().unwrap_or_default();
            let channel = channel.get_mut(..frames).unwrap_or_default();
            for (frame, sample) in channel.iter_mut().enumerate() {
                *sample = samples.get(frame).copied().unwrap_or_default();
            }
            faults += silence_faults(channel, LARGEST_INPUT);
        }
        let side = range_of(&self.side_signal, 0..frames);
        let side = &side[..input.len().min(2)];
        if captured {
            self.writer.capture(side);
        }
        if self.on {
            self.writer.set(settings.rest_gain, corners_hz);
            self.writer.write(side, input);
            self.told = self.writer.told();
        }
        faults
    }

    /// Clears what is under way.
    pub(super) fn reset(&mut self) {
        self.writer.cut();
    }

    /// Forgets what has been found.
    pub(super) fn restart(&mut self) {
        self.writer.restart();
    }

    pub(super) fn snapshot(&self) -> Tap {
        if self.on { self.told } else { Tap::default() }
    }
}
