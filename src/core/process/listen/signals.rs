//! What there is to listen to.

use super::reference::REFERENCES;
use super::{CLEAN, INPUT, OUTPUT, REFERENCE};

/// The signals, all in step, one slice a channel.
#[derive(Clone, Copy, Debug)]
pub struct Signals<'a> {
    /// Output path.
    pub output: [&'a [f32]; 2],
    /// Clean path.
    pub clean: [&'a [f32]; 2],
    /// Input, delayed by the latency.
    pub input: [&'a [f32]; 2],
    /// The places of a reference; empty where none is heard.
    pub references: [[&'a [f32]; 2]; REFERENCES],
}

impl<'a> Signals<'a> {
    /// Any of them but the residue, which is none by itself.
    pub(super) fn of(&self, signal: usize) -> [&'a [f32]; 2] {
        match signal {
            OUTPUT => self.output,
            CLEAN => self.clean,
            INPUT => self.input,
            _ => {
                let place = signal.checked_sub(REFERENCE);
                let found = place.and_then(|place| self.references.get(place));
                found.copied().unwrap_or_default()
            }
        }
    }
}
