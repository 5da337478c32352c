//! Silence at the input, and what comes after it.

use crestline_core::process::ChainSettings;
use nice_plug::prelude::ProcessStatus;

/// What is said to ring on behind the latency, seconds: shelves do for 0.3, the offset that a lean
/// saturator leaves for 1.6. And after how long nothing is waited for any more.
const RINGS_S: [usize; 2] = [2, 10];
/// After silence of this length every reading of the last seconds has settled, seconds.
const STILL_S: usize = 12;

/// How long it has lasted.
#[derive(Debug, Default)]
pub(super) struct Silence {
    frames: usize,
}

impl Silence {
    /// Forgets what came in before.
    pub fn reset(&mut self) {
        self.frames = 0;
    }

    /// A block comes in.
    pub fn hear(&mut self, input: &[&mut [f32]], frames: usize) {
        self.frames = if is_silent(input) {
            self.frames.saturating_add(frames)
        } else {
            0
        };
    }

    /// Whether only the clock and the history move on, and the block at hand, of so many frames, ends
    /// no second of that.
    pub fn is_still(&self, frames: usize, second: usize) -> bool {
        self.frames / second >= STILL_S && self.frames % second >= frames
    }

    /// What the host is told: it may stop calling once nothing rings on. The latency must have
    /// drained before, and the filters behind it. `second`: frames in one.
    pub fn status(
        &self,
        output: &[&mut [f32]],
        chain: &ChainSettings,
        latency: usize,
        second: usize,
    ) -> ProcessStatus {
        let rings = self.frames <= latency + RINGS_S[1] * second && !is_silent(output);
        if self.frames > latency && !rings {
            ProcessStatus::Normal
        } else if rings_on(chain) {
            ProcessStatus::Tail((latency + RINGS_S[0] * second) as u32)
        } else {
            ProcessStatus::Tail(latency as u32)
        }
    }
}

fn is_silent(channels: &[&mut [f32]]) -> bool {
    let mut channels = channels.iter();
    channels.all(|channel| channel.iter().all(|sample| *sample == 0.0))
}

/// Whether what has been heard goes on sounding in the chain's filters.
fn rings_on(chain: &ChainSettings) -> bool {
    let shelves = &chain.shelves;
    let shelved = shelves.low_gain_db != 0.0 || shelves.high_gain_db != 0.0;
    shelved || chain.bands.on || chain.saturator.enabled
}
