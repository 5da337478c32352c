//! What is measured of the output, as parameters that can be read and not set: any host or control
//! surface can show them, and speak them.
//!
//! The framework has no way for a plug-in to set a parameter. The values lie beside the parameters,
//! and the guard around the framework gives them to the host. A text follows from the value alone,
//! as hosts expect, and both change at most five times a second, in steps of what is written.

use crestline_core::measure::Readings;
use crestline_core::session::{Judgement, TargetWindow};
use nice_plug::prelude::*;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// How many there are.
pub const READING_COUNT: usize = 6;

/// Time between two readings, s.
pub const READING_INTERVAL_S: f64 = 0.2;

/// Stands for what cannot be measured, or not yet.
const NONE: &str = "—";

/// Decibels between two values that are told apart.
const STEP_DB: f32 = 0.1;

/// The readings, in the order of [`Shown`].
#[derive(Params)]
pub struct ReadingParams {
    /// Loudness of the last 3 s.
    #[id = "rdshrt"]
    pub short_term: FloatParam,
    /// Gated loudness since the last restart.
    #[id = "rdintg"]
    pub integrated: FloatParam,
    /// Peak-to-loudness ratio since the last restart.
    #[id = "rdplr"]
    pub plr: FloatParam,
    /// Highest true peak since the last restart.
    #[id = "rdpeak"]
    pub true_peak: FloatParam,
    /// Microdynamics since the last restart.
    #[id = "rdldr"]
    pub microdynamics: FloatParam,
    /// What the target window says to all that.
    #[id = "rdtrgt"]
    pub target: IntParam,
    /// The values.
    pub shown: Shown,
}

/// The values as the host has them, normalised, 0…1; 0 is what cannot be measured. Each is whole by
/// itself; that they belong to the same moment does not matter to a reader.
#[derive(Debug, Default)]
pub struct Shown([AtomicU32; READING_COUNT]);

/// Lowest and highest value of each level, and its unit. The lowest stands for none.
const SHORT_TERM: Scale = Scale::new(-70.1, 10.0, "LUFS");
const INTEGRATED: Scale = Scale::new(-70.1, 10.0, "LUFS");
const PLR: Scale = Scale::new(-10.1, 60.0, "dB");
const TRUE_PEAK: Scale = Scale::new(-100.1, 20.0, "dBTP");
const MICRODYNAMICS: Scale = Scale::new(-0.1, 30.0, "dB");

/// A level in tenths.
#[derive(Clone, Copy)]
struct Scale {
    none: f32,
    max: f32,
    unit: &'static str,
}

impl Scale {
    const fn new(none: f32, max: f32, unit: &'static str) -> Self {
        Self { none, max, unit }
    }

    fn param(self, name: &str) -> FloatParam {
        let range = FloatRange::Linear {
            min: self.none,
            max: self.max,
        };
        FloatParam::new(name, self.none, range)
            .with_value_to_string(Arc::new(move |value| self.text(value)))
            .with_string_to_value(Arc::new(move |text| self.read(text)))
            .hide()
            .non_automatable()
    }

    fn text(self, value: f32) -> String {
        if value < self.none + STEP_DB / 2.0 {
            return NONE.to_owned();
        }
        // What rounds to zero has no sign.
        let value = (value * 10.0).round() / 10.0 + 0.0;
        format!("{value:.1} {}", self.unit)
    }

    /// The value of a text that [`text`](Self::text) wrote.
    fn read(self, text: &str) -> Option<f32> {
        if text == NONE {
            return Some(self.none);
        }
        text.strip_suffix(self.unit)?.trim_end().parse().ok()
    }

    fn normalized(self, value: Option<f64>) -> f32 {
        let Some(value) = value.filter(|value| value.is_finite()) else {
            return 0.0;
        };
        let value = (value as f32 * 10.0).round() / 10.0;
        let value = value.clamp(self.none + STEP_DB, self.max);
        (value - self.none) / (self.max - self.none)
    }
}

/// Verdicts: none, then loudness (in, below, above) by PLR (in, below, above) by true peak (in,
/// above) by highest short-term loudness (in, above).
const VERDICTS: i32 = 3 * 3 * 2 * 2;

fn verdict_text(verdict: i32) -> String {
    if !(1..=VERDICTS).contains(&verdict) {
        return NONE.to_owned();
    }
    let word = |what: &'static str, place: i32| match place {
        1 => Some(format!("{what} below")),
        2 => Some(format!("{what} above")),
        _ => None,
    };
    let code = verdict - 1;
    let off: Vec<String> = [
        word("loudness", code / 12),
        word("PLR", code / 4 % 3),
        word("true peak", code / 2 % 2 * 2),
        word("short-term loudness", code % 2 * 2),
    ]
    .into_iter()
    .flatten()
    .collect();
    if off.is_empty() {
        "in the window".to_owned()
    } else {
        off.join(", ")
    }
}

/// The verdict on what has been measured, 0 while there is nothing to judge.
fn verdict(window: &TargetWindow, readings: &Readings) -> i32 {
    if readings.integrated_lufs.is_none() {
        return 0;
    }
    let verdict = window.judge(readings);
    let place = |judgement| match judgement {
        Judgement::Below => 1,
        Judgement::Above => 2,
        Judgement::In | Judgement::Unknown => 0,
    };
    1 + place(verdict.loudness) * 12
        + place(verdict.plr) * 4
        + place(verdict.true_peak) / 2 * 2
        + place(verdict.short_term_max) / 2
}

impl Default for ReadingParams {
    fn default() -> Self {
        let range = IntRange::Linear {
            min: 0,
            max: VERDICTS,
        };
        Self {
            short_term: SHORT_TERM.param("Short-term loudness"),
            integrated: INTEGRATED.param("Integrated loudness"),
            plr: PLR.param("PLR"),
            true_peak: TRUE_PEAK.param("True peak"),
            microdynamics: MICRODYNAMICS.param("Microdynamics"),
            target: IntParam::new("Target", 0, range)
                .with_value_to_string(Arc::new(verdict_text))
                .with_string_to_value(Arc::new(|text| {
                    (0..=VERDICTS).find(|verdict| verdict_text(*verdict) == text)
                }))
                .hide()
                .non_automatable(),
            shown: Shown::default(),
        }
    }
}

impl Shown {
    /// Takes new readings, of the output, and the verdict of `window` on them.
    ///
    /// # Realtime
    /// Yes: a few atomic stores.
    pub fn update(&self, readings: &Readings, window: &TargetWindow) {
        let values = [
            SHORT_TERM.normalized(readings.short_term_lufs),
            INTEGRATED.normalized(readings.integrated_lufs),
            PLR.normalized(readings.plr_db),
            TRUE_PEAK.normalized(readings.true_peak_dbtp),
            MICRODYNAMICS.normalized(readings.ldr_db),
            verdict(window, readings) as f32 / VERDICTS as f32,
        ];
        for (cell, value) in self.0.iter().zip(values) {
            // Relaxed: the values order nothing but themselves.
            cell.store(value.to_bits(), Ordering::Relaxed);
        }
    }

    /// The values, normalised.
    ///
    /// # Realtime
    /// Yes: a few atomic loads.
    pub fn values(&self) -> [f32; READING_COUNT] {
        // The bits of 0 are those of 0.0.
        std::array::from_fn(|reading| {
            let bits = self
                .0
                .get(reading)
                .map_or(0, |it| it.load(Ordering::Relaxed));
            f32::from_bits(bits)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::session::Limits;

    fn texts(readings: &Readings, window: &TargetWindow) -> Vec<String> {
        let params = ReadingParams::default();
        params.shown.update(readings, window);
        let values = params.shown.values();
        let levels = [
            &params.short_term,
            &params.integrated,
            &params.plr,
            &params.true_peak,
            &params.microdynamics,
        ];
        let mut texts: Vec<_> = levels
            .iter()
            .zip(values)
            .map(|(param, value)| param.normalized_value_to_string(value, true))
            .collect();
        texts.push(params.target.normalized_value_to_string(values[5], true));
        texts
    }

    fn measured() -> Readings {
        Readings {
            short_term_lufs: Some(-9.96),
            integrated_lufs: Some(-14.04),
            plr_db: Some(13.02),
            true_peak_dbtp: Some(-0.04),
            ldr_db: Some(0.0),
            ..Readings::default()
        }
    }

    #[test]
    fn what_cannot_be_measured_is_a_dash() {
        let texts = texts(&Readings::default(), &TargetWindow::default());
        assert_eq!(texts, ["—"; READING_COUNT]);
        let silence = Readings {
            short_term_lufs: Some(f64::NEG_INFINITY),
            ..Readings::default()
        };
        assert_eq!(self::texts(&silence, &TargetWindow::default())[0], "—");
    }

    #[test]
    fn what_is_measured_is_told_in_tenths_with_its_unit() {
        let texts = texts(&measured(), &TargetWindow::default());
        let expected = [
            "-10.0 LUFS",
            "-14.0 LUFS",
            "13.0 dB",
            "0.0 dBTP",
            "0.0 dB",
            "in the window",
        ];
        assert_eq!(texts, expected);
    }

    #[test]
    fn the_verdict_names_everything_that_is_off() {
        let window = TargetWindow {
            loudness_lufs: Limits::between(-11.0, -9.0),
            plr_db: Limits::at_most(11.0),
            ceiling_dbtp: Some(-1.0),
            ..TargetWindow::default()
        };
        let texts = texts(&measured(), &window);
        assert_eq!(texts[5], "loudness below, PLR above, true peak above");
        let all: std::collections::BTreeSet<_> = (0..=VERDICTS).map(verdict_text).collect();
        assert_eq!(all.len(), VERDICTS as usize + 1);
    }

    // Tenths over the whole of each range: no two of them share a value, and each reads as itself.
    #[test]
    fn every_tenth_reads_as_itself() {
        for scale in [SHORT_TERM, INTEGRATED, PLR, TRUE_PEAK, MICRODYNAMICS] {
            let param = scale.param("level");
            let tenths = ((scale.max - scale.none) * 10.0).round() as i32;
            for tenth in 1..=tenths {
                let level = f64::from(tenth) / 10.0 + f64::from(scale.none);
                let text = param.normalized_value_to_string(scale.normalized(Some(level)), true);
                let wanted = (level * 10.0).round() / 10.0 + 0.0;
                assert_eq!(text, format!("{wanted:.1} {}", scale.unit));
            }
        }
    }
}
