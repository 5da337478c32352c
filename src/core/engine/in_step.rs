//! A change of settings as a whole.
//!
//! Bands that are switched on amid a signal, and the saturated path, listen before they are heard:
//! 60 and 50 ms. What else is changed with them would be heard without them meanwhile: a push that
//! goes with the bands, or no limiter where the saturator takes its place, up to 10 dB louder than
//! either side of the change. So the rest of it waits until they have come, but for a limiter that is
//! switched on and a ceiling that falls: these are promises.

use crate::process::ChainSettings;

/// Holds back what goes with a stage that is on its way.
#[derive(Debug, Default)]
pub(super) struct InStep {
    /// What the chain was last given; `None` before it is given anything.
    given: Option<ChainSettings>,
    waits: bool,
}

impl InStep {
    /// The chain has been cleared: it takes the next settings at once.
    pub fn reset(&mut self) {
        *self = Self::default();
    }

    /// Whether the chain limits.
    pub fn limits(&self) -> bool {
        self.given.is_some_and(|given| given.limiter.enabled)
    }

    /// What the chain is given for the frames to come, where this is asked for. `arrives`: a stage
    /// that it was switched on with is not heard yet. `ends`: a wait may end here.
    pub fn give(&mut self, asked: &ChainSettings, arrives: bool, ends: bool) -> ChainSettings {
        let given = match self.given {
            Some(given) => {
                let begins = begins_bands(asked, &given) || begins_saturating(asked, &given);
                self.waits = begins || self.waits && (arrives || !ends);
                if self.waits {
                    on_their_way(asked, &given)
                } else {
                    *asked
                }
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

fn begins_bands(asked: &ChainSettings, before: &ChainSettings) -> bool {
    asked.bands.on && !before.bands.on
}

fn begins_saturating(asked: &ChainSettings, before: &ChainSettings) -> bool {
    asked.saturator.enabled && !before.saturator.enabled
}
