//! How far a limiter has to be pushed for a loudness, and what is left of the sound there.

use crestline_core::measure::{ChannelRole, GainMemory, Meter, ReductionMeter, RestGain};

/// True peak of every sound that is compared, dBTP.
const TRUE_PEAK_DBTP: f64 = -1.0;
/// How near the loudness has to be, LU, within how many attempts, and how far a limiter is pushed.
const NEAR_LU: f64 = 0.01;
const ATTEMPTS: usize = 14;
const MOST_DB: f64 = 30.0;
const BLOCK: usize = 4096;

/// Two channels of equal length.
#[derive(Clone)]
pub struct Sound {
    pub rate_hz: u32,
    pub channels: [Vec<f32>; 2],
}

/// What a limiter made of a programme.
#[expect(clippy::struct_field_names, reason = "the unit of each")]
#[derive(Clone, Copy)]
pub struct Verdict {
    pub push_db: f64,
    pub distortion_db: f64,
    pub ldr_db: f64,
}

impl Verdict {
    /// The better of each figure.
    pub fn best_of(self, other: Self) -> Self {
        Self {
            push_db: self.push_db.min(other.push_db),
            distortion_db: self.distortion_db.min(other.distortion_db),
            ldr_db: self.ldr_db.max(other.ldr_db),
        }
    }
}

impl Sound {
    /// Turned up by so many dB.
    pub fn pushed(&self, by_db: f64) -> Self {
        let gain = 10.0_f64.powf(by_db / 20.0);
        Self {
            rate_hz: self.rate_hz,
            channels: self.channels.each_ref().map(|channel| {
                channel
                    .iter()
                    .map(|x| (f64::from(*x) * gain) as f32)
                    .collect()
            }),
        }
    }

    /// Brought to the true peak that everything is compared at; `None` for silence.
    pub fn at_true_peak(&self) -> Option<Self> {
        Some(self.pushed(TRUE_PEAK_DBTP - self.measured()?.true_peak_dbtp))
    }

    fn measured(&self) -> Option<Measured> {
        let mut meter = Meter::new(f64::from(self.rate_hz), &[ChannelRole::Front; 2], BLOCK);
        let [left, right] = &self.channels;
        for (left, right) in left.chunks(BLOCK).zip(right.chunks(BLOCK)) {
            meter.process(&[left, right]);
        }
        meter.finish();
        let readings = meter.readings();
        Some(Measured {
            loudness_lufs: readings.integrated_lufs?,
            true_peak_dbtp: readings.true_peak_dbtp?,
            ldr_db: readings.ldr_db?,
        })
    }

    /// Share of `after` that no gain of the bands of this one explains, dB.
    fn distortion_db(&self, after: &Self) -> Option<f64> {
        let mut meter = ReductionMeter::new(
            f64::from(self.rate_hz),
            2,
            1,
            GainMemory::Session,
            RestGain::Automatic,
        );
        let [before, after] = [self, after].map(|sound| {
            sound
                .channels
                .each_ref()
                .map(|channel| channel.chunks(BLOCK))
        });
        let ([left, right], [after_left, after_right]) = (before, after);
        for ((left, right), (after_left, after_right)) in
            left.zip(right).zip(after_left.zip(after_right))
        {
            meter.process(&[left, right], &[&[after_left, after_right]]);
        }
        meter.finish();
        meter.readings(0).distortion.mean_db.map(f64::from)
    }
}

struct Measured {
    loudness_lufs: f64,
    true_peak_dbtp: f64,
    ldr_db: f64,
}

/// What becomes of a sound that a limiter makes so many LU louder; `None` where it cannot.
///
/// `limited` pushes the sound into a fixed ceiling. A limiter's output scales with its ceiling, so
/// it is turned to the true peak afterwards, which is to have lowered the ceiling by as much.
pub fn verdict_at(
    sound: &Sound,
    louder_lu: f64,
    limited: impl Fn(f64) -> Option<Sound>,
) -> Option<Verdict> {
    let goal_lufs = sound.measured()?.loudness_lufs + louder_lu;
    let (mut low, mut high) = (0.0, MOST_DB);
    let mut drive_db = 1.2 * louder_lu;
    let mut last: Option<(f64, f64)> = None;
    for _ in 0..ATTEMPTS {
        let output = limited(drive_db)?;
        let measured = output.measured()?;
        let turn_db = TRUE_PEAK_DBTP - measured.true_peak_dbtp;
        let off_lu = measured.loudness_lufs + turn_db - goal_lufs;
        if off_lu.abs() < NEAR_LU {
            return Some(Verdict {
                push_db: drive_db + turn_db,
                distortion_db: sound.distortion_db(&output)?,
                ldr_db: measured.ldr_db,
            });
        }
        if off_lu > 0.0 {
            high = drive_db;
        } else if drive_db >= MOST_DB {
            return None;
        } else {
            low = drive_db;
        }
        let slope = last.map_or(0.8, |(drive, off)| (off_lu - off) / (drive_db - drive));
        last = Some((drive_db, off_lu));
        let next = drive_db - off_lu / slope.max(0.02);
        drive_db = if next <= low || (next >= high && high < MOST_DB) {
            f64::midpoint(low, high)
        } else {
            next.min(MOST_DB)
        };
    }
    None
}
