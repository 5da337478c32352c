//! Running a meter over whole signals, and judging what it reads.

use crestline_core::measure::{ChannelRole, Meter, Readings};

/// Two front channels.
pub const STEREO: [ChannelRole; 2] = [ChannelRole::Front; 2];

/// Largest block handed to a meter here.
const BLOCK: usize = 4_096;

/// A meter for whole signals.
pub fn meter(rate_hz: f64, roles: &[ChannelRole]) -> Meter {
    Meter::new(rate_hz, roles, BLOCK)
}

/// Hands over a stretch of a signal, in blocks.
pub fn feed(meter: &mut Meter, channels: &[&[f32]]) {
    let frames = channels[0].len();
    for start in (0..frames).step_by(BLOCK) {
        let end = frames.min(start + BLOCK);
        let block: Vec<&[f32]> = channels
            .iter()
            .map(|channel| &channel[start..end])
            .collect();
        meter.process(&block);
    }
}

/// What a meter reads of a whole file.
pub fn readings_of(rate_hz: f64, roles: &[ChannelRole], channels: &[&[f32]]) -> Readings {
    let mut meter = meter(rate_hz, roles);
    feed(&mut meter, channels);
    meter.finish();
    meter.readings()
}

/// As [`readings_of`], with the same signal in both of two front channels.
pub fn stereo_readings_of(rate_hz: f64, signal: &[f32]) -> Readings {
    readings_of(rate_hz, &STEREO, &[signal, signal])
}

/// Hands over a signal in steps of `step_s` and shows the readings after each, with the time.
pub fn watch(
    rate_hz: f64,
    roles: &[ChannelRole],
    channels: &[&[f32]],
    step_s: f64,
    mut see: impl FnMut(f64, &Readings),
) {
    let mut meter = meter(rate_hz, roles);
    let frames = channels[0].len();
    let mut done = 0;
    for step in 1.. {
        let time_s = f64::from(step) * step_s;
        #[expect(clippy::cast_sign_loss, reason = "time runs forwards")]
        let end = (time_s * rate_hz).round() as usize;
        if end > frames {
            return;
        }
        let block: Vec<&[f32]> = channels.iter().map(|channel| &channel[done..end]).collect();
        feed(&mut meter, &block);
        done = end;
        see(time_s, &meter.readings());
    }
}

/// A group of checks against one tolerance. Says at its end how far the worst of them was off.
pub struct Group {
    name: &'static str,
    below: f64,
    above: f64,
    unit: &'static str,
    worst: f64,
    worst_share: f64,
    checks: usize,
}

impl Group {
    /// Readings may lie off by `tolerance` either way.
    pub fn new(name: &'static str, tolerance: f64, unit: &'static str) -> Self {
        Self::lopsided(name, tolerance, tolerance, unit)
    }

    /// Readings may lie low by `below`, high by `above`.
    pub fn lopsided(name: &'static str, below: f64, above: f64, unit: &'static str) -> Self {
        Self {
            name,
            below,
            above,
            unit,
            worst: 0.0,
            worst_share: 0.0,
            checks: 0,
        }
    }

    /// Checks one reading.
    pub fn check(
        &mut self,
        what: impl std::fmt::Display,
        reading: impl Into<Option<f64>>,
        expected: f64,
    ) {
        let Some(reading) = reading.into() else {
            panic!("{}: {what}: no reading, {expected} expected", self.name);
        };
        let deviation = reading - expected;
        let share = deviation
            / if deviation < 0.0 {
                -self.below
            } else {
                self.above
            };
        assert!(share.is_finite(), "{}: {what}: {reading}", self.name);
        self.checks += 1;
        if share >= self.worst_share {
            (self.worst, self.worst_share) = (deviation, share);
        }
        assert!(
            share <= 1.0,
            "{}: {what}: {reading:.4} where {expected:.4} is expected",
            self.name
        );
    }
}

impl Drop for Group {
    fn drop(&mut self) {
        let Self {
            name,
            below,
            above,
            unit,
            worst,
            checks,
            ..
        } = self;
        let allowed = if (*below - *above).abs() < f64::EPSILON {
            format!("±{above}")
        } else {
            format!("−{below}/+{above}")
        };
        println!(
            "measure: {name}: worst deviation {worst:+.4} {unit} of {allowed} allowed, {checks} checks"
        );
    }
}
