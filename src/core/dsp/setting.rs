//! The range and the default of a setting, in one place for the stage, its parameter, the command's
//! option and the help.

use super::ramp::bounded;

/// Range and default of one setting, in its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setting {
    /// The least value.
    pub min: f64,
    /// The greatest value.
    pub max: f64,
    /// What a fresh instance has.
    pub default: f64,
}

impl Setting {
    /// A setting from `min` to `max`.
    pub const fn new(min: f64, max: f64, default: f64) -> Self {
        Self { min, max, default }
    }

    /// The value held to the range; what is not a number becomes the least value.
    ///
    /// # Realtime
    /// Yes.
    pub fn held(self, value: f64) -> f64 {
        bounded(value, self.min, self.max)
    }

    /// Whether the value lies in the range.
    pub fn holds(self, value: f64) -> bool {
        (self.min..=self.max).contains(&value)
    }
}

/// A share of 0 to 100 %.
pub const fn percent(default: f64) -> Setting {
    Setting::new(0.0, 100.0, default)
}
