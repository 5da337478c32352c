//! Peaks over full scale that nothing held.

use super::CHUNK;
use crate::dsp::ramp::SWITCH_MS;
use crate::handover::Overs;
use crate::process::{ListenSettings, Source};

/// Full scale, dBTP: what a converter clips (ITU-R BS.1770-5, Annex 2).
const FULL_SCALE_DBTP: f64 = 0.0;

/// A peak that follows on another within this time belongs to it, s: two of the slots after which a
/// true peak is told.
const TOGETHER_S: f64 = 0.02;

/// A limiter that was switched on so long ago holds what a peak is told of now, s: it fades in, and
/// then comes the slot.
const HOLDS_S: f64 = SWITCH_MS / 1_000.0 + 0.01;

/// Notes them until they are cleared.
#[derive(Clone, Copy, Debug)]
pub(super) struct OverLatch {
    noted: Overs,
    /// Chunks after which a limiter holds, and for how many it has been on.
    holding: u32,
    limited: u32,
    /// Chunks without a peak that part one from the next, and how many there have been.
    parting: u32,
    without: u32,
}

impl OverLatch {
    pub fn new(sample_rate_hz: f64) -> Self {
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let chunks = |seconds: f64| (seconds * sample_rate_hz / CHUNK as f64).ceil() as u32;
        let (parting, holding) = (chunks(TOGETHER_S), chunks(HOLDS_S));
        Self {
            noted: Overs::default(),
            holding,
            // What it begins with is there at once.
            limited: holding,
            parting,
            without: parting,
        }
    }

    /// Takes the true peaks of the output and of the clean path in a chunk: one counts while nothing
    /// holds it, `limited`, that of the clean path while it is the one that is heard.
    pub fn chunk_done(
        &mut self,
        [output, clean]: [Option<f64>; 2],
        listen: &ListenSettings,
        limited: bool,
    ) {
        self.limited = if limited {
            self.limited.saturating_add(1)
        } else {
            0
        };
        let held = self.limited > self.holding;
        let heard = listen.source == Source::Clean && !listen.bypass;
        let highest = output
            .into_iter()
            .chain(clean.filter(|_| heard))
            .reduce(f64::max);
        let over = highest.filter(|dbtp| *dbtp > FULL_SCALE_DBTP && !held);
        let Some(dbtp) = over else {
            self.without = self.without.saturating_add(1);
            return;
        };
        let parted = std::mem::take(&mut self.without) >= self.parting;
        let noted = &mut self.noted;
        noted.count = noted.count.saturating_add(u32::from(parted));
        let dbtp = dbtp as f32;
        noted.highest_dbtp = Some(noted.highest_dbtp.map_or(dbtp, |other| other.max(dbtp)));
    }

    /// What was noted.
    pub fn noted(&self) -> Overs {
        self.noted
    }

    /// Forgets what was noted.
    pub fn clear(&mut self) {
        self.noted = Overs::default();
        // One that is under way counts anew.
        self.without = self.parting;
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

    fn heard(source: Source) -> ListenSettings {
        ListenSettings {
            source,
            ..ListenSettings::default()
        }
    }

    #[test]
    fn peaks_are_counted_once_each_and_the_highest_is_kept() {
        let mut latch = OverLatch::new(48_000.0);
        // A tone that is told of in every other chunk is one peak; 20 ms are four chunks.
        let silence = [None; 4];
        let tone = [Some(0.5), None, Some(2.0), None, Some(1.0), Some(0.0)];
        for dbtp in [Some(-1.0)]
            .iter()
            .chain(&tone)
            .chain(&silence)
            .chain(&[Some(0.1)])
        {
            latch.chunk_done([*dbtp, Some(20.0)], &heard(Source::Output), false);
        }
        let noted = Overs {
            count: 2,
            highest_dbtp: Some(2.0),
        };
        assert_eq!(latch.noted(), noted);
        // 30 ms are six chunks.
        for chunk in 0..20 {
            let late = (chunk >= 6).then_some(9.0);
            latch.chunk_done([late; 2], &heard(Source::Clean), true);
        }
        latch.chunk_done([None, Some(9.0)], &heard(Source::Input), false);
        assert_eq!(latch.noted(), noted);
        // What the clean path holds counts while that is what goes out.
        latch.chunk_done([Some(-1.0), Some(9.0)], &heard(Source::Clean), false);
        assert_eq!(latch.noted().highest_dbtp, Some(9.0));
        latch.clear();
        assert_eq!(latch.noted(), Overs::default());
        // A limiter that is switched on after a peak does not undo it.
        latch.chunk_done([Some(3.0), None], &heard(Source::Output), true);
        assert_eq!(latch.noted().highest_dbtp, Some(3.0));
    }
}
