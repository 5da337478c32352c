//! Push: how much louder the mix is driven into what follows.

use crate::dsp::decibel::{db_from_gain, gain_from_db};
use crate::dsp::ramp::{Ramp, SWITCH_MS};
use crate::dsp::setting::Setting;

/// Settings of [`Push`].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PushSettings {
    /// Gain in dB, 0…18 (held to it). 0, the default, passes every sample bit for bit.
    pub push_db: f64,
}

impl PushSettings {
    /// dB.
    pub const PUSH_DB: Setting = Setting::new(0.0, 18.0, 0.0);
}

/// Changes of push from here on take the whole 20 ms, dB. Smaller ones take less, at 150 dB/s:
/// automation, which comes in small steps, is followed without a lag, and no step is steeper than
/// one of this size.
const WHOLE_DB: f64 = 3.0;

/// A smoothed gain: a change of 3 dB or more takes 20 ms, a smaller one proportionally less, in a
/// straight line of the linear gain. No latency.
#[derive(Clone, Debug)]
pub struct Push {
    gain: Ramp,
    /// What was asked for last, dB, and the gain that it stands for.
    asked_db: f64,
    asked: f64,
}

impl Push {
    /// A push whose first setting is taken at once.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            gain: Ramp::new(sample_rate_hz, SWITCH_MS),
            asked_db: 0.0,
            asked: 1.0,
        }
    }

    /// Forgets the past: the next setting is taken at once.
    pub fn reset(&mut self) {
        self.gain.reset();
    }

    /// Multiplies every channel, in place, by the gain. Finite samples stay finite.
    pub fn process(&mut self, channels: &mut [&mut [f32]], settings: &PushSettings) {
        if settings.push_db != self.asked_db {
            self.asked_db = settings.push_db;
            self.asked = gain_from_db(PushSettings::PUSH_DB.held(settings.push_db));
        }
        if self.asked != self.gain.target() {
            let share = db_from_gain(self.asked / self.gain.value())
                .map_or(1.0, |change_db| change_db.abs() / WHOLE_DB);
            self.gain.set_target_within(self.asked, share);
        }
        let start = self.gain;
        if start.is_settled() && start.target() == 1.0 {
            return;
        }
        let pushed = |sample: f32, gain: f64| (sample * gain as f32).clamp(-f32::MAX, f32::MAX);
        for channel in channels {
            if start.is_settled() {
                for sample in channel.iter_mut() {
                    *sample = pushed(*sample, start.target());
                }
            } else {
                self.gain = start;
                for sample in channel.iter_mut() {
                    *sample = pushed(*sample, self.gain.advance());
                }
            }
        }
    }
}
