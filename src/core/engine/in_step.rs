//! A change of settings as a whole.
//!
//! Bands that are switched on amid a signal, and the saturated path, listen before they are heard:
//! 60 and 50 ms. What else is changed with them would be heard without them meanwhile: a push that
//! goes with the bands, or no limiter where the saturator takes its place, up to 10 dB louder than
//! either side of the change. So the rest of it waits until they have come, but for a limiter that is
//! switched on and a ceiling that falls: these are promises.
//!
//! Push and ceiling rise, and bands go, only once the stage has faded in. Where push or ceiling falls
//! and something else rises, what falls goes first: half way along both it would be up to 3 dB
//! louder than on either side.

use super::CHUNK;
use crate::dsp::ramp::{SWITCH_MS, frames_from_ms};
use crate::process::ChainSettings;

/// Push or ceiling falls by a jump from here on, dB: less is over before it is heard.
const JUMP_DB: f64 = 1.0;

/// Holds back what goes with a stage that is on its way, and what rises beside what falls.
#[derive(Debug)]
pub(super) struct InStep {
    /// What the chain was last given; `None` before it is given anything.
    given: Option<ChainSettings>,
    waits: bool,
    /// Chunks that begin while push or ceiling falls, or a stage fades in, and how many are left.
    fall: usize,
    falling: usize,
}

impl InStep {
    /// For a chain that is given nothing yet.
    pub fn new(sample_rate_hz: f64) -> Self {
        let frames = frames_from_ms(sample_rate_hz, SWITCH_MS) as usize;
        Self {
            given: None,
            waits: false,
            // The first of them may begin right behind the change.
            fall: frames.div_ceil(CHUNK) + 1,
            falling: 0,
        }
    }

    /// The chain has been cleared: it takes the next settings at once.
    pub fn reset(&mut self) {
        (self.given, self.waits, self.falling) = (None, false, 0);
    }

    /// Whether the chain limits.
    pub fn limits(&self) -> bool {
        self.given.is_some_and(|given| given.limiter.enabled)
    }

    /// What the chain is given for the frames to come, where this is asked for. `arrives`: a stage
    /// that it was switched on with is not heard yet. `ends`: a chunk begins, and a wait may end here.
    pub fn give(&mut self, asked: &ChainSettings, arrives: bool, ends: bool) -> ChainSettings {
        let given = match self.given {
            Some(given) => {
                let begins = begins_bands(asked, &given) || begins_saturating(asked, &given);
                let waited = self.waits;
                self.waits = begins || waited && (arrives || !ends);
                let fades_in = waited && !self.waits;
                self.falling = if fades_in || crosses(asked, &given) {
                    self.fall
                } else {
                    self.falling.saturating_sub(usize::from(ends))
                };
                let mut next = if self.waits {
                    on_their_way(asked, &given)
                } else {
                    *asked
                };
                if self.falling > 0 {
                    if given.bands.on && !asked.bands.on {
                        next.bands = given.bands;
                    }
                    let push_db = &mut next.push.push_db;
                    *push_db = push_db.min(given.push.push_db);
                    let ceiling_dbtp = &mut next.limiter.ceiling_dbtp;
                    *ceiling_dbtp = ceiling_dbtp.min(given.limiter.ceiling_dbtp);
                }
                next
            }
            None => *asked,
        };
        self.given = Some(given);
        given
    }
}

/// As before, but with what is switched on.
fn on_their_way(asked: &ChainSettings, before: &ChainSettings) -> ChainSettings {
    let mut given = *before;
    if begins_bands(asked, before) {
        given.bands = asked.bands;
    }
    if begins_saturating(asked, before) {
        given.saturator = asked.saturator;
    }
    if asked.limiter.enabled && !before.limiter.enabled {
        given.limiter = asked.limiter;
    }
    let [asked, before] = [asked, before].map(|chain| chain.limiter.ceiling_dbtp);
    given.limiter.ceiling_dbtp = asked.min(before);
    given
}

/// Whether push or ceiling falls by a jump while the other rises, or bands go.
fn crosses(asked: &ChainSettings, before: &ChainSettings) -> bool {
    let push_db = asked.push.push_db - before.push.push_db;
    let ceiling_db = asked.limiter.ceiling_dbtp - before.limiter.ceiling_dbtp;
    let rises = push_db.max(ceiling_db) > 0.0 || before.bands.on && !asked.bands.on;
    push_db.min(ceiling_db) < -JUMP_DB && rises
}

fn begins_bands(asked: &ChainSettings, before: &ChainSettings) -> bool {
    asked.bands.on && !before.bands.on
}

fn begins_saturating(asked: &ChainSettings, before: &ChainSettings) -> bool {
    asked.saturator.enabled && !before.saturator.enabled
}
