//! Two channels, and how tracks are laid into them.

/// Two channels of the same length at the mixing rate.
pub(super) struct Stereo {
    pub(super) channels: [Vec<f32>; 2],
}

impl Stereo {
    pub(super) fn silent(frames: usize) -> Self {
        Self {
            channels: [vec![0.0; frames], vec![0.0; frames]],
        }
    }

    /// Adds a mono track from frame `at`, placed by equal power: −1 left, 0 centre, 1 right.
    pub(super) fn add(&mut self, track: &[f32], at: usize, gain: f32, pan: f32) {
        let angle = (pan + 1.0) * std::f32::consts::FRAC_PI_4;
        let gains = [gain * angle.cos(), gain * angle.sin()];
        for (channel, gain) in self.channels.iter_mut().zip(gains) {
            for (out, sample) in channel.iter_mut().skip(at).zip(track) {
                *out += gain * sample;
            }
        }
    }

    /// Adds another stereo track, frame for frame.
    pub(super) fn add_stereo(&mut self, other: &Self, gain: f32) {
        for (channel, added) in self.channels.iter_mut().zip(&other.channels) {
            for (out, sample) in channel.iter_mut().zip(added) {
                *out += gain * sample;
            }
        }
    }

    pub(super) fn scale(&mut self, gain: f32) {
        for channel in &mut self.channels {
            for sample in channel {
                *sample *= gain;
            }
        }
    }

    /// Closes over `fade_s` and leaves the last `silent_s` silent, so that a tail never ends on a
    /// step.
    pub(super) fn fade_out(&mut self, fade_s: f64, silent_s: f64) {
        let (fade, silent) = (super::frames(fade_s), super::frames(silent_s));
        for channel in &mut self.channels {
            let from = channel.len().saturating_sub(fade + silent);
            for (frame, sample) in channel.iter_mut().skip(from).enumerate() {
                let left = (1.0 - (frame + 1) as f32 / fade as f32).max(0.0);
                *sample *= left * left;
            }
        }
    }
}
