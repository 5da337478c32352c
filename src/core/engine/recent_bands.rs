//! What the bands did lately, held long enough to be seen on a screen.

use super::CHUNK;
use crate::process::BandsActivity;

/// Whatever happened can be seen for at least this long, s: two frames of a screen at 60 Hz.
const SEEN_FOR_S: f64 = 1.0 / 30.0;

/// Lowest gains and highest levels of the last thirtieth of a second and what came after it.
#[derive(Debug)]
pub(super) struct RecentBands {
    chunks_per_span: u32,
    chunks: u32,
    last: BandsActivity,
    current: BandsActivity,
}

impl RecentBands {
    pub fn new(sample_rate_hz: f64) -> Self {
        let chunks = (SEEN_FOR_S * sample_rate_hz / CHUNK as f64).ceil();
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let chunks_per_span = chunks as u32;
        Self {
            chunks_per_span,
            chunks: 0,
            last: BandsActivity::default(),
            current: BandsActivity::default(),
        }
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        self.chunks = 0;
        (self.last, self.current) = (BandsActivity::default(), BandsActivity::default());
    }

    /// Takes what happened in a chunk.
    pub fn push(&mut self, chunk: BandsActivity) {
        if self.chunks >= self.chunks_per_span {
            self.chunks = 0;
            self.last = std::mem::take(&mut self.current);
        }
        self.chunks += 1;
        self.current = both(self.current, chunk);
    }

    /// Lowest gains and highest levels of that time.
    pub fn told(&self) -> BandsActivity {
        both(self.last, self.current)
    }
}

fn both(a: BandsActivity, b: BandsActivity) -> BandsActivity {
    let lower = |band: usize| a.gain_db[band].min(b.gain_db[band]);
    let louder = |band: usize| match (a.level_db[band], b.level_db[band]) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    };
    BandsActivity {
        gain_db: [0, 1, 2, 3].map(lower),
        level_db: [0, 1, 2, 3].map(louder),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whatever_happens_is_told_for_a_thirtieth_of_a_second_and_then_forgotten() {
        for rate_hz in [8_000.0, 48_000.0, 384_000.0] {
            let mut recent = RecentBands::new(rate_hz);
            let event = BandsActivity {
                gain_db: [-7.0, 0.0, 0.0, 0.0],
                level_db: [Some(-3.0), None, None, None],
            };
            for before in 0..50 {
                recent.reset();
                for _ in 0..before {
                    recent.push(BandsActivity::default());
                }
                recent.push(event);
                let mut seen_s = 0.0;
                while recent.told() == event && seen_s < 1.0 {
                    recent.push(BandsActivity::default());
                    seen_s += CHUNK as f64 / rate_hz;
                }
                let most_s = 2.0 * (SEEN_FOR_S + CHUNK as f64 / rate_hz);
                assert!(
                    (SEEN_FOR_S..most_s).contains(&seen_s),
                    "{rate_hz}, {before}: {seen_s}"
                );
            }
        }
    }
}
