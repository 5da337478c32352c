//! The lowest gain of the last seconds.

use crestline_core::handover::Snapshot;

/// Seconds that are remembered.
const SECONDS: usize = 10;

/// The lowest gain of each of the last ten seconds of audio.
#[derive(Clone, Copy, Debug, Default)]
pub struct Lowest {
    by_second_db: [f32; SECONDS],
    second: u64,
}

impl Lowest {
    /// Takes in a gain of now, dB, 0 or less, and returns the lowest of the last 10 s. Time is that
    /// of the audio; a new measurement begins anew.
    pub fn follow(&mut self, snapshot: &Snapshot, gain_db: f32) -> f32 {
        let frames = snapshot.input.readings.frames as f64;
        #[expect(clippy::cast_sign_loss, reason = "time is not negative")]
        let second = (frames / snapshot.sample_rate_hz.max(1.0)) as u64;
        if second < self.second {
            *self = Self::default();
        }
        let passed = (second - self.second).min(SECONDS as u64);
        for past in 0..passed {
            *self.at(second - past) = 0.0;
        }
        self.second = second;
        let now = self.at(second);
        *now = now.min(gain_db);
        self.by_second_db.into_iter().fold(0.0, f32::min)
    }

    fn at(&mut self, second: u64) -> &mut f32 {
        &mut self.by_second_db[second as usize % SECONDS]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gain_is_remembered_for_ten_seconds_of_audio() {
        let mut lowest = Lowest::default();
        let mut at = |second: u64, gain_db| {
            let mut snapshot = Snapshot {
                sample_rate_hz: 48_000.0,
                ..Snapshot::default()
            };
            snapshot.input.readings.frames = second * 48_000;
            lowest.follow(&snapshot, gain_db)
        };
        assert_eq!(at(3, -2.0), -2.0);
        assert_eq!(at(3, -1.0), -2.0);
        assert_eq!(at(12, -0.5), -2.0);
        assert_eq!(at(13, 0.0), -0.5);
        assert_eq!(at(400, 0.0), 0.0);
        assert_eq!(at(401, -3.0), -3.0);
        assert_eq!(at(1, 0.0), 0.0, "a new measurement");
    }
}
