//! The lowest gain of the last seconds.

use crestline_core::handover::Snapshot;

/// Seconds that are remembered.
const SECONDS: usize = 10;

/// The lowest gain of each of the last ten seconds of audio, of those that were looked at: a closed
/// editor sees nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Lowest {
    by_second_db: [Option<f32>; SECONDS],
    second: u64,
    /// What is written, and the frames measured when it was.
    told_db: Option<f32>,
    told_at: u64,
}

impl Lowest {
    /// Takes in a gain of now, dB, 0 or less; what is written changes when `told` does. Time is
    /// that of the audio; a restart of the measurement clears it.
    pub fn follow(&mut self, now: &Snapshot, told: &Snapshot, gain_db: f32) {
        let frames = now.input.readings.frames as f64;
        #[expect(clippy::cast_sign_loss, reason = "time is not negative")]
        let second = (frames / now.sample_rate_hz.max(1.0)) as u64;
        if second < self.second {
            *self = Self::default();
        }
        let passed = (second - self.second).min(SECONDS as u64);
        for past in 0..passed {
            *self.at(second - past) = None;
        }
        self.second = second;
        let lowest = self.at(second);
        *lowest = Some(lowest.map_or(gain_db, |lowest| lowest.min(gain_db)));
        if self.told_at != told.input.readings.frames {
            self.told_at = told.input.readings.frames;
            self.told_db = self.lowest_db();
        }
    }

    /// That nothing was turned down is known only if every second was looked at.
    fn lowest_db(&self) -> Option<f32> {
        let seen = self.by_second_db.iter().flatten();
        let all = seen.clone().count() as u64 == (self.second + 1).min(SECONDS as u64);
        let lowest_db = seen.copied().fold(0.0, f32::min);
        (all || lowest_db < 0.0).then_some(lowest_db)
    }

    /// The lowest of the last 10 s, as it is to be written, dB; `None` where it is not known.
    pub fn told_db(&self) -> Option<f32> {
        self.told_db
    }

    fn at(&mut self, second: u64) -> &mut Option<f32> {
        &mut self.by_second_db[second as usize % SECONDS]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: f64) -> Snapshot {
        let mut snapshot = Snapshot {
            sample_rate_hz: 48_000.0,
            ..Snapshot::default()
        };
        #[expect(clippy::cast_sign_loss, reason = "time is not negative")]
        let frames = (second * 48_000.0) as u64;
        snapshot.input.readings.frames = frames;
        snapshot
    }

    #[test]
    fn a_gain_is_remembered_for_ten_seconds_of_audio() {
        let mut lowest = Lowest::default();
        for (second, gain_db, expected_db) in [
            (3.0, -2.0, Some(-2.0)),
            (3.1, -1.0, Some(-2.0)),
            (12.0, -0.5, Some(-2.0)),
            (13.0, 0.0, Some(-0.5)),
            // Nobody has looked meanwhile.
            (400.0, 0.0, None),
            (401.0, -3.0, Some(-3.0)),
            // A new measurement.
            (0.1, 0.0, Some(0.0)),
            (1.0, 0.0, Some(0.0)),
        ] {
            lowest.follow(&at(second), &at(second), gain_db);
            assert_eq!(lowest.told_db(), expected_db, "{second}");
        }
    }

    #[test]
    fn what_is_written_changes_along_with_the_rest() {
        let mut lowest = Lowest::default();
        lowest.follow(&at(3.0), &at(3.0), -1.0);
        lowest.follow(&at(3.1), &at(3.0), -2.0);
        assert_eq!(lowest.told_db(), Some(-1.0));
        lowest.follow(&at(3.2), &at(3.2), 0.0);
        assert_eq!(lowest.told_db(), Some(-2.0));
    }
}
