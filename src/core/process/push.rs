//! Push: how much louder the mix is driven into what follows.

use crate::dsp::decibel::gain_from_db;
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

/// A smoothed gain: a change takes 20 ms, in a straight line of the linear gain. No latency.
#[derive(Clone, Debug)]
pub struct Push {
    gain: Ramp,
}

impl Push {
    /// A push whose first setting is taken at once.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            gain: Ramp::new(sample_rate_hz, SWITCH_MS),
        }
    }

    /// Forgets the past: the next setting is taken at once.
    pub fn reset(&mut self) {
        self.gain.reset();
    }

    /// Multiplies every channel, in place, by the gain. Finite samples stay finite.
    #[expect(clippy::float_cmp, reason = "only a gain of exactly 1 changes nothing")]
    pub fn process(&mut self, channels: &mut [&mut [f32]], settings: &PushSettings) {
        self.gain
            .set_target(gain_from_db(PushSettings::PUSH_DB.held(settings.push_db)));
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
