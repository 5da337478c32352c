//! Parameters by their unit: how a value is laid out along a control, written and read.

use crestline_core::dsp::setting::Setting;
use nice_plug::prelude::*;
use std::sync::Arc;

/// The ends of the range, as the framework takes them.
fn ends(setting: Setting) -> (f32, f32) {
    (setting.min as f32, setting.max as f32)
}

/// A level or gain, evenly spaced in decibels.
pub fn decibels(name: &str, setting: Setting) -> FloatParam {
    let (min, max) = ends(setting);
    FloatParam::new(
        name,
        setting.default as f32,
        FloatRange::Linear { min, max },
    )
    .with_unit(" dB")
    .with_value_to_string(formatters::v2s_f32_rounded(1))
    .with_string_to_value(Arc::new(number_from_text))
}

/// A frequency; each octave takes about as much room as the next.
pub fn hertz(name: &str, setting: Setting) -> FloatParam {
    let (min, max) = ends(setting);
    let range = FloatRange::Skewed {
        min,
        max,
        factor: FloatRange::skew_factor(-1.5),
    };
    FloatParam::new(name, setting.default as f32, range)
        .with_value_to_string(Arc::new(|hz| {
            if hz < 1_000.0 {
                format!("{hz:.0} Hz")
            } else {
                format!("{:.2} kHz", hz / 1_000.0)
            }
        }))
        .with_string_to_value(Arc::new(number_from_text))
}

/// A time; short ones have the finer steps.
pub fn milliseconds(name: &str, setting: Setting) -> FloatParam {
    let (min, max) = ends(setting);
    let range = FloatRange::Skewed {
        min,
        max,
        factor: FloatRange::skew_factor(-2.0),
    };
    FloatParam::new(name, setting.default as f32, range)
        .with_value_to_string(Arc::new(|ms| {
            if ms < 10.0 {
                format!("{ms:.1} ms")
            } else {
                format!("{ms:.0} ms")
            }
        }))
        .with_string_to_value(Arc::new(number_from_text))
}

/// A share, in per cent.
pub fn percent(name: &str, setting: Setting) -> FloatParam {
    let (min, max) = ends(setting);
    FloatParam::new(
        name,
        setting.default as f32,
        FloatRange::Linear { min, max },
    )
    .with_unit(" %")
    .with_value_to_string(formatters::v2s_f32_rounded(0))
    .with_string_to_value(Arc::new(number_from_text))
}

/// A compression ratio; low ones have the finer steps.
pub fn ratio(name: &str, setting: Setting) -> FloatParam {
    let (min, max) = ends(setting);
    let range = FloatRange::Skewed {
        min,
        max,
        factor: FloatRange::skew_factor(-1.0),
    };
    FloatParam::new(name, setting.default as f32, range)
        .with_value_to_string(Arc::new(|ratio| format!("{ratio:.1} : 1")))
        .with_string_to_value(Arc::new(number_from_text))
}

/// The number at the head of a text that a person typed: a minus sign of either kind, a unit or
/// none, `k` for a thousand, `s` for seconds where milliseconds are meant.
fn number_from_text(text: &str) -> Option<f32> {
    let text = text.trim().replace('\u{2212}', "-").replace(',', ".");
    let split = text.find(|c: char| !(c.is_ascii_digit() || "+-.".contains(c)));
    let (number, rest) = text.split_at(split.unwrap_or(text.len()));
    let number: f32 = number.parse().ok()?;
    let rest = rest.trim_start();
    let thousands = rest.starts_with(['k', 'K']) || rest == "s";
    Some(if thousands { number * 1_000.0 } else { number })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::process::{BandSettings, SaturatorSettings, ShelvesSettings};

    #[test]
    fn typed_values_are_read_with_and_without_units() {
        let cases = [
            ("-3", -3.0),
            ("\u{2212}3.5 dB", -3.5),
            ("6 kHz", 6_000.0),
            ("1.2k", 1_200.0),
            ("120 Hz", 120.0),
            ("0.5 s", 500.0),
            ("35 ms", 35.0),
            ("2,5 : 1", 2.5),
        ];
        for (text, value) in cases {
            assert_eq!(number_from_text(text), Some(value), "{text}");
        }
        assert_eq!(number_from_text("loud"), None);
    }

    #[test]
    fn what_is_shown_can_be_typed_back() {
        for (param, value) in [
            (decibels("gain", ShelvesSettings::GAIN_DB), -3.5),
            (hertz("corner", ShelvesSettings::HIGH_HZ), 6_000.0),
            (milliseconds("release", BandSettings::RELEASE_MS), 250.0),
            (percent("share", SaturatorSettings::LEAN_PERCENT), 40.0),
            (ratio("ratio", BandSettings::RATIO), 4.0),
        ] {
            let normalized = param.preview_normalized(value);
            let text = param.normalized_value_to_string(normalized, true);
            let back = param
                .string_to_normalized_value(&text)
                .map(|n| param.preview_plain(n));
            assert!((back.unwrap() - value).abs() < 0.01 * value.abs(), "{text}");
        }
    }
}
