//! Peaks over full scale that nothing held.

use crate::handover::Overs;

/// Full scale, dBTP: what a converter clips (ITU-R BS.1770-5, Annex 2).
const FULL_SCALE_DBTP: f64 = 0.0;

/// Chunks within which peaks are one: some 20 ms. A meter tells every 10 ms, not in every chunk.
const SAME_PEAK: u8 = 4;

/// Notes them until they are cleared.
#[derive(Clone, Copy, Debug)]
pub(super) struct OverLatch {
    noted: Overs,
    /// Chunks since the last that was over: what follows soon is the same peak.
    since: u8,
}

impl Default for OverLatch {
    fn default() -> Self {
        Self {
            noted: Overs::default(),
            since: u8::MAX,
        }
    }
}

impl OverLatch {
    /// Takes the output's true peak in a chunk, and whether the limiter is on, which holds peaks by
    /// itself.
    pub fn chunk_done(&mut self, peak_dbtp: Option<f64>, limited: bool) {
        self.since = self.since.saturating_add(1);
        let over = peak_dbtp.filter(|dbtp| *dbtp > FULL_SCALE_DBTP && !limited);
        if let Some(dbtp) = over {
            let noted = &mut self.noted;
            let another = u32::from(self.since > SAME_PEAK);
            noted.count = noted.count.saturating_add(another);
            let dbtp = dbtp as f32;
            noted.highest_dbtp = Some(noted.highest_dbtp.map_or(dbtp, |other| other.max(dbtp)));
            self.since = 0;
        }
    }

    /// What was noted.
    pub fn noted(&self) -> Overs {
        self.noted
    }

    /// Forgets what was noted.
    pub fn clear(&mut self) {
        self.noted = Overs::default();
    }

    /// Adds what was noted before.
    pub fn restore(&mut self, before: Overs) {
        let noted = &mut self.noted;
        noted.count = noted.count.saturating_add(before.count);
        noted.highest_dbtp = match (noted.highest_dbtp, before.highest_dbtp) {
            (Some(one), Some(other)) => Some(one.max(other)),
            (one, other) => one.or(other),
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn peaks_are_counted_once_each_and_the_highest_is_kept() {
        let mut latch = OverLatch::default();
        for dbtp in [-1.0, 0.5, 2.0, -1.0, 1.0, 0.0, -9.0, -9.0, -9.0, 0.1, -3.0] {
            latch.chunk_done(Some(dbtp), false);
        }
        let noted = Overs {
            count: 2,
            highest_dbtp: Some(2.0),
        };
        assert_eq!(latch.noted(), noted);
        latch.chunk_done(Some(9.0), true);
        latch.chunk_done(None, false);
        assert_eq!(latch.noted(), noted);
        latch.clear();
        assert_eq!(latch.noted(), Overs::default());
    }
}
