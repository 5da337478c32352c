//! Parameters by their unit: how a value is laid out along a control, written and read.
//!
//! What is written can be read back and is written the same again, over the whole range: the unit
//! and the number of decimals are chosen after rounding.
//!
//! A number is read with its unit or without one. Without one it is in the unit of the range, but
//! for frequencies: below the least of the range it is in kHz where that lies in the range, so that
//! a host, which does not say what it shows, can be told `8` for 8 kHz. The editor knows what it
//! shows, and [`read`] takes a bare number in that unit. What lies past the range is refused.

use crestline_core::dsp::setting::Setting;
use nice_plug::prelude::*;
use std::fmt;
use std::ops::RangeInclusive;
use std::sync::Arc;

/// What a value is measured in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Unit {
    Decibels,
    Hertz,
    Milliseconds,
    Percent,
    Ratio,
}

/// How far past its end a range reaches for what is read: what rounding makes of an end is not past
/// it.
const ROUNDING: f64 = 1e-5;

impl Unit {
    /// The value in text, with its sign where the range goes both ways. Decibels and per cent have their units beside the text, as the framework
    /// knows them.
    fn write(self, value: f32, both_ways: bool) -> String {
        let value = f64::from(value);
        let to = |decimals: i32| {
            let scale = 10.0_f64.powi(decimals);
            // What rounds to zero has no sign.
            (value * scale).round() / scale + 0.0
        };
        match self {
            Self::Decibels if both_ways && to(1) > 0.0 => format!("{:+.1}", to(1)),
            Self::Decibels => format!("{:.1}", to(1)),
            Self::Hertz if to(0) < 1_000.0 => format!("{:.0} Hz", to(0)),
            Self::Hertz => format!("{:.2} kHz", value / 1_000.0),
            Self::Milliseconds if to(1) < 10.0 => format!("{:.1} ms", to(1)),
            Self::Milliseconds => format!("{:.0} ms", to(0)),
            Self::Percent => format!("{:.0}", to(0)),
            Self::Ratio => format!("{:.1} : 1", to(1)),
        }
    }

    /// What a unit's name stands for: how many of this unit; `None` for one that is not its own.
    fn scale(self, name: &str) -> Option<f64> {
        let name = name.to_ascii_lowercase().replace([' ', '\u{a0}'], "");
        let names: &[(&str, f64)] = match self {
            Self::Decibels => &[("db", 1.0), ("dbtp", 1.0), ("dbfs", 1.0)],
            Self::Hertz => &[("hz", 1.0), ("khz", 1_000.0), ("k", 1_000.0)],
            Self::Milliseconds => &[("ms", 1.0), ("s", 1_000.0)],
            Self::Percent => &[("%", 1.0)],
            Self::Ratio => &[(":1", 1.0)],
        };
        names.iter().find(|it| it.0 == name).map(|it| it.1)
    }

    /// The value in a text, in this unit: of a range, and with a bare number in units of `shown`
    /// if it is known what is shown.
    fn read(
        self,
        text: &str,
        range: &RangeInclusive<f64>,
        shown: Option<f64>,
    ) -> Result<f64, ReadError> {
        let (number, name) = number_and_unit(text).ok_or(ReadError::NotANumber)?;
        let within = |value: f64| {
            let (low, high) = (*range.start(), *range.end());
            let slack = ROUNDING * (high - low);
            (low - slack..=high + slack)
                .contains(&value)
                .then(|| value.clamp(low, high))
        };
        if !name.is_empty() {
            let value = number * self.scale(&name).ok_or(ReadError::OtherUnit)?;
            return within(value).ok_or(ReadError::PastRange(value));
        }
        let first = shown.unwrap_or(1.0);
        // Whatever else it may have been meant in, where that alone makes sense.
        let other = match self {
            Self::Hertz if first == 1.0 => 1_000.0,
            _ => 1.0,
        };
        within(number * first)
            .or_else(|| within(number * other))
            .ok_or(ReadError::PastRange(number * first))
    }
}

/// The number at the head of a text that a person typed, and what follows. A minus sign of either
/// kind, a decimal point of either kind.
fn number_and_unit(text: &str) -> Option<(f64, String)> {
    let text = text.trim().replace('\u{2212}', "-").replace(',', ".");
    let split = text.find(|c: char| !(c.is_ascii_digit() || "+-.".contains(c)));
    let (number, rest) = text.split_at(split.unwrap_or(text.len()));
    Some((number.parse().ok()?, rest.trim().to_owned()))
}

/// The number that a person typed, with `unit` behind it or without.
pub fn number_typed(text: &str, unit: &str) -> Option<f64> {
    let (number, name) = number_and_unit(text)?;
    (name.is_empty() || name.eq_ignore_ascii_case(unit)).then_some(number)
}

/// Why a text was not taken for a value.
#[derive(Clone, Copy, Debug, PartialEq)]
enum ReadError {
    NotANumber,
    OtherUnit,
    /// This value lies past the range.
    PastRange(f64),
}

/// A text that was not taken for a value of a parameter, in a sentence for whoever typed it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused(String);

impl fmt::Display for Refused {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.0)
    }
}

impl std::error::Error for Refused {}

/// The ends of the range, as the framework takes them.
fn ends(setting: Setting) -> (f32, f32) {
    (setting.min as f32, setting.max as f32)
}

fn param(name: &str, setting: Setting, range: FloatRange, unit: Unit) -> FloatParam {
    let held = f64::from(setting.min as f32)..=f64::from(setting.max as f32);
    let both_ways = setting.min < 0.0 && setting.max > 0.0;
    FloatParam::new(name, setting.default as f32, range)
        .with_value_to_string(Arc::new(move |value| unit.write(value, both_ways)))
        .with_string_to_value(Arc::new(move |text| {
            unit.read(text, &held, None).ok().map(|value| value as f32)
        }))
}

fn linear(setting: Setting) -> FloatRange {
    let (min, max) = ends(setting);
    FloatRange::Linear { min, max }
}

fn skewed(setting: Setting, skew: f32) -> FloatRange {
    let (min, max) = ends(setting);
    let factor = FloatRange::skew_factor(skew);
    FloatRange::Skewed { min, max, factor }
}

/// A level or gain, evenly spaced in decibels.
pub fn decibels(name: &str, setting: Setting) -> FloatParam {
    param(name, setting, linear(setting), Unit::Decibels).with_unit(" dB")
}

/// A frequency; each octave takes about as much room as the next.
pub fn hertz(name: &str, setting: Setting) -> FloatParam {
    param(name, setting, skewed(setting, -1.5), Unit::Hertz)
}

/// A time; short ones have the finer steps.
pub fn milliseconds(name: &str, setting: Setting) -> FloatParam {
    param(name, setting, skewed(setting, -2.0), Unit::Milliseconds)
}

/// A share, in per cent.
pub fn percent(name: &str, setting: Setting) -> FloatParam {
    param(name, setting, linear(setting), Unit::Percent).with_unit(" %")
}

/// A compression ratio; low ones have the finer steps.
pub fn ratio(name: &str, setting: Setting) -> FloatParam {
    param(name, setting, skewed(setting, -1.0), Unit::Ratio)
}

/// The value, normalised, that a person means who typed `text` over what the parameter shows.
///
/// # Errors
/// [`Refused`] for what is no number, has another unit, or lies past the range.
pub fn read(param: &FloatParam, text: &str) -> Result<f32, Refused> {
    let shown = param.normalized_value_to_string(param.unmodulated_normalized_value(), true);
    let name = number_and_unit(&shown).map_or(String::new(), |(_, name)| name);
    let units = [
        Unit::Decibels,
        Unit::Hertz,
        Unit::Milliseconds,
        Unit::Percent,
        Unit::Ratio,
    ];
    let found = units
        .iter()
        .find_map(|unit| Some((*unit, unit.scale(&name)?)));
    let (unit, scale) = found.unwrap_or((Unit::Ratio, 1.0));
    let [low, high] = [0.0, 1.0].map(|end| f64::from(param.preview_plain(end)));
    let typed = text.trim();
    unit.read(text, &(low..=high), Some(scale))
        .map(|value| param.preview_normalized(value as f32).clamp(0.0, 1.0))
        .map_err(|error| {
            let both_ways = low < 0.0 && high > 0.0;
            let written = |value: f64| unit.write(value as f32, both_ways) + param.unit();
            let range = format!("{} … {}", written(low), written(high)).replace('-', "\u{2212}");
            Refused(match error {
                ReadError::NotANumber => {
                    format!("“{typed}” is not a number; the range is {range}")
                }
                ReadError::OtherUnit => {
                    format!("“{typed}” has another unit; the range is {range}")
                }
                ReadError::PastRange(value) => {
                    let value = written(value).replace('-', "\u{2212}");
                    format!("{value} is past the range, {range}")
                }
            })
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::params::CrestlineParams;
    use crestline_core::process::{BandSettings, PushSettings, SaturatorSettings, ShelvesSettings};

    fn plain(param: &FloatParam, text: &str) -> Option<f32> {
        param
            .string_to_normalized_value(text)
            .map(|normalized| param.preview_plain(normalized))
    }

    #[track_caller]
    fn assert_reads(param: &FloatParam, text: &str, wanted: f32) {
        let value = plain(param, text).expect(text);
        assert!(
            (value - wanted).abs() <= 1e-4 * wanted.abs(),
            "{text}: {value}"
        );
    }

    #[test]
    fn typed_values_are_read_with_and_without_units() {
        let gain = decibels("gain", ShelvesSettings::GAIN_DB);
        assert_reads(&gain, "-3", -3.0);
        assert_reads(&gain, "\u{2212}3.5 dB", -3.5);
        assert_reads(&gain, "+2,5", 2.5);
        let corner = hertz("corner", ShelvesSettings::HIGH_HZ);
        assert_reads(&corner, "6 kHz", 6_000.0);
        assert_reads(&corner, "1.6k", 1_600.0);
        assert_reads(&corner, "1600 Hz", 1_600.0);
        assert_reads(&corner, "8", 8_000.0);
        let low = hertz("corner", ShelvesSettings::LOW_HZ);
        assert_reads(&low, "120", 120.0);
        assert_reads(&low, "0.1", 100.0);
        let release = milliseconds("release", BandSettings::RELEASE_MS);
        assert_reads(&release, "0.5 s", 500.0);
        assert_reads(&release, "35 ms", 35.0);
        assert_reads(&ratio("ratio", BandSettings::RATIO), "2,5 : 1", 2.5);
        assert_reads(&ratio("ratio", BandSettings::RATIO), "4:1", 4.0);
        assert_reads(
            &percent("lean", SaturatorSettings::LEAN_PERCENT),
            "40%",
            40.0,
        );
    }

    #[test]
    fn a_range_that_goes_both_ways_is_written_with_signs() {
        let written = |setting: Setting, value: f64| {
            let param = showing(decibels, setting, value);
            param.normalized_value_to_string(param.unmodulated_normalized_value(), true)
        };
        let [up, rest, down] = [2.0, 0.0, -2.0].map(|db| written(ShelvesSettings::GAIN_DB, db));
        assert_eq!([&*up, &rest, &down], ["+2.0 dB", "0.0 dB", "-2.0 dB"]);
        assert_eq!(written(PushSettings::PUSH_DB, 2.0), "2.0 dB");
    }

    #[test]
    fn what_cannot_be_meant_is_refused() {
        let gain = decibels("gain", ShelvesSettings::GAIN_DB);
        let low = hertz("corner", ShelvesSettings::LOW_HZ);
        for (param, text) in [
            (&gain, "loud"),
            (&gain, ""),
            (&gain, "9.1"),
            (&gain, "-100 dB"),
            (&gain, "3 kHz"),
            (&low, "8"),
            (&low, "8 kHz"),
            (&low, "3 dB"),
            (&low, "inf"),
            (&low, "NaN"),
        ] {
            assert_eq!(plain(param, text), None, "{text}");
        }
    }

    /// A parameter that shows this value.
    fn showing(make: fn(&str, Setting) -> FloatParam, setting: Setting, value: f64) -> FloatParam {
        let default = Setting::new(setting.min, setting.max, value);
        make("shown", default)
    }

    #[test]
    fn a_bare_number_takes_the_unit_that_is_shown() {
        let range = Setting::new(20.0, 20_000.0, 0.0);
        let read_hz = |shown: f64, text: &str| {
            let param = showing(hertz, range, shown);
            read(&param, text).map(|it| param.preview_plain(it).round())
        };
        assert_eq!(read_hz(6_000.0, "8"), Ok(8_000.0));
        assert_eq!(read_hz(6_000.0, "0.5"), Ok(500.0));
        assert_eq!(read_hz(600.0, "800"), Ok(800.0));
        // Not 800 kHz, of which there are none.
        assert_eq!(read_hz(6_000.0, "800"), Ok(800.0));
        assert_eq!(read_hz(600.0, "8"), Ok(8_000.0));
        assert_eq!(read_hz(6_000.0, "80 Hz"), Ok(80.0));
    }

    #[test]
    fn what_is_refused_is_said() {
        let words = |param: &FloatParam, text: &str| read(param, text).unwrap_err().to_string();
        let gain = showing(decibels, Setting::new(-6.0, 6.0, 0.0), 0.0);
        assert_eq!(
            words(&gain, "9"),
            "+9.0 dB is past the range, \u{2212}6.0 dB … +6.0 dB"
        );
        assert_eq!(
            words(&gain, "loud"),
            "“loud” is not a number; the range is \u{2212}6.0 dB … +6.0 dB"
        );
        let corner = showing(hertz, ShelvesSettings::HIGH_HZ, 6_000.0);
        assert_eq!(
            words(&corner, "30"),
            "30.00 kHz is past the range, 1.50 kHz … 12.00 kHz"
        );
        assert_eq!(
            words(&corner, "3 dB"),
            "“3 dB” has another unit; the range is 1.50 kHz … 12.00 kHz"
        );
    }

    /// Normalised values over the whole range: a grid, its ends, and where the unit or the number
    /// of decimals changes with the neighbours of that.
    fn values(param: &FloatParam) -> Vec<f32> {
        let mut values: Vec<f32> = (0..=20_000).map(|n| n as f32 / 20_000.0).collect();
        for change in [9.95_f32, 10.0, 999.5, 1_000.0] {
            let at = param.preview_normalized(change).clamp(0.0, 1.0);
            values.extend((0..64).map(|n| f32::from_bits(at.to_bits().saturating_sub(32) + n)));
        }
        values.retain(|value| (0.0..=1.0).contains(value));
        values
    }

    #[test]
    #[expect(
        unsafe_code,
        reason = "the framework hands parameters out as raw pointers"
    )]
    fn what_is_written_is_read_and_written_the_same_over_the_whole_range() {
        let params = CrestlineParams::default();
        for (id, param, _) in params.param_map() {
            let values = match param {
                // SAFETY: a pointer into `params`.
                ParamPtr::FloatParam(param) => values(unsafe { &*param }),
                // SAFETY: as above.
                _ => match unsafe { param.step_count() } {
                    Some(steps) => (0..=steps).map(|n| n as f32 / steps as f32).collect(),
                    None => vec![0.0, 1.0],
                },
            };
            for value in values {
                for with_unit in [true, false] {
                    // SAFETY: as above.
                    let (text, again) = unsafe {
                        let text = param.normalized_value_to_string(value, with_unit);
                        let read = param.string_to_normalized_value(&text);
                        let read = read.unwrap_or_else(|| panic!("{id} refuses {text}"));
                        (text, param.normalized_value_to_string(read, with_unit))
                    };
                    assert_eq!(text, again, "{id} at {value}");
                }
            }
        }
    }
}
