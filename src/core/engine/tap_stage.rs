//! The side-chain on its way to the worker that compares it with the input.

use super::{Stereo, TapSettings, playable, range_of, silent_stereo};
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
    pub(super) fn process(
        &mut self,
        input: &[&[f32]],
        side: &[&[f32]],
        settings: &TapSettings,
        corners_hz: [f64; 3],
    ) {
        match (self.on, settings.on) {
            (false, true) => self.writer.begin(),
            (true, false) => self.writer.end(),
            _ => {}
        }
        self.on = settings.on;
        // A side-chain that carries nothing is not captured as silence.
        let captured = self.writer.is_captured() && side.iter().any(|side| !side.is_empty());
        if !self.on && !captured {
            return;
        }
        let frames = input.first().map_or(0, |channel| channel.len());
        for (index, channel) in self.side_signal.iter_mut().enumerate() {
            let samples = side.get(index).copied().unwrap_or_default();
            for (frame, sample) in channel.iter_mut().take(frames).enumerate() {
                *sample = samples.get(frame).map_or(0.0, |sample| playable(*sample));
            }
        }
        let side = range_of(&self.side_signal, 0..frames);
        let side = &side[..input.len().min(2)];
        if captured {
            self.writer.capture(side);
        }
        if !self.on {
            return;
        }
        self.writer.set(settings.rest_gain, corners_hz);
        self.writer.write(side, input);
        self.told = self.writer.told();
    }

    /// Forgets what has been found.
    pub(super) fn restart(&mut self) {
        self.writer.restart();
    }

    pub(super) fn snapshot(&self) -> Tap {
        if self.on { self.told } else { Tap::default() }
    }
}
