//! Which part of a recording is looked at.

use std::collections::VecDeque;
use std::fmt;
use std::str::FromStr;

use crate::dsp::decibel::power_from_db;
use serde::{Deserialize, Serialize};

/// The part that is asked for.
///
/// As text: `loudest`, `whole`, or two times in seconds, or in minutes (and hours) and seconds, such
/// as `30-90.5` or `0:30-1:30.5`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Section {
    /// The loudest part of some length: choruses are compared with choruses.
    #[default]
    Loudest,
    /// All of it.
    Whole,
    /// From one second to another, the first below the second and neither negative.
    Between(f64, f64),
}

impl FromStr for Section {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text.trim() {
            "loudest" => return Ok(Self::Loudest),
            "whole" => return Ok(Self::Whole),
            _ => {}
        }
        let ends = text.split_once('-');
        match ends.and_then(|(start, end)| Some((seconds(start)?, seconds(end)?))) {
            Some((start, end)) if start < end => Ok(Self::Between(start, end)),
            Some(_) => Err(format!(
                "“{text}” ends before it starts, or is empty; the earlier time comes first, as in 30-90"
            )),
            None => Err(format!(
                "“{text}” is neither loudest nor whole nor two times such as 30-90 or 0:30-1:30"
            )),
        }
    }
}

/// Seconds of a time such as `90.5`, `1:30.5` or `1:00:00`.
fn seconds(text: &str) -> Option<f64> {
    let mut parts = text.trim().split(':').rev();
    let mut sum: f64 = parts.next()?.parse().ok()?;
    let mut unit_s = 1.0;
    for part in parts {
        // What is before a colon is a whole number, and what comes behind it less than one of it.
        let count: u32 = part.parse().ok()?;
        unit_s *= 60.0;
        if unit_s > 3_600.0 || !(0.0..unit_s).contains(&sum) {
            return None;
        }
        sum += unit_s * f64::from(count);
    }
    sum.is_finite().then_some(sum)
}

impl TryFrom<String> for Section {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl From<Section> for String {
    fn from(section: Section) -> Self {
        section.to_string()
    }
}

impl fmt::Display for Section {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Loudest => f.write_str("loudest"),
            Self::Whole => f.write_str("whole"),
            Self::Between(start_s, end_s) => write!(f, "{start_s}-{end_s}"),
        }
    }
}

/// A short-term loudness looks back so far, seconds (EBU Tech 3341).
const SHORT_TERM_S: f64 = 3.0;

/// Finds the loudest part of a signal while it passes: the one whose short-term windows, those that
/// lie within it, have the highest mean power; the first of several.
///
/// It keeps no more than the part is long.
#[derive(Clone, Debug)]
pub struct LoudestPart {
    length: usize,
    window: usize,
    /// Sums of the powers up to each of the last steps; so a mean is a difference.
    sums: VecDeque<f64>,
    steps: usize,
    best: Option<(f64, usize)>,
}

impl LoudestPart {
    /// Looks for `length_s` seconds (more than 3) in steps of `step_s` seconds.
    pub fn new(length_s: f64, step_s: f64) -> Self {
        #[expect(clippy::cast_sign_loss, reason = "quotients of positive numbers")]
        let steps = |seconds: f64| (seconds / step_s).round() as usize;
        Self {
            length: steps(length_s),
            window: steps(SHORT_TERM_S),
            sums: VecDeque::from([0.0]),
            steps: 0,
            best: None,
        }
    }

    /// Takes the short-term loudness at the end of the next step, LUFS. True if the part that ends
    /// with it is the loudest so far.
    pub fn push(&mut self, short_term_lufs: Option<f64>) -> bool {
        let power = short_term_lufs.map_or(0.0, power_from_db);
        let sum = self.sums.back().copied().unwrap_or_default() + power;
        self.sums.push_back(sum);
        self.steps += 1;
        let Some(start) = self.steps.checked_sub(self.length) else {
            return false;
        };
        // With the sum before the part's first step, there is one more of them than steps.
        if self.sums.len() > self.length + 1 {
            self.sums.pop_front();
        }
        let before = self.sums.get(self.window.saturating_sub(1));
        let within = sum - before.copied().unwrap_or_default();
        // Rounding must not move it among equals.
        let louder = self
            .best
            .is_none_or(|(best, _)| within > best * (1.0 + 1e-9));
        if louder {
            self.best = Some((within, start));
        }
        louder
    }

    /// The step that the loudest part begins with; the first while there is less than a part.
    pub fn start(&self) -> usize {
        self.best.map_or(0, |(_, start)| start)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sections_are_read_and_written() {
        for (text, section) in [
            ("loudest", Section::Loudest),
            ("whole", Section::Whole),
            ("30-90.5", Section::Between(30.0, 90.5)),
        ] {
            assert_eq!(text.parse(), Ok(section));
            assert_eq!(section.to_string(), text);
        }
        assert_eq!(" whole".parse(), Ok(Section::Whole));
        for (text, seconds) in [
            ("0:30-1:30.5", [30.0, 90.5]),
            ("90-2:00", [90.0, 120.0]),
            ("59:59.9-1:00:01", [3_599.9, 3_601.0]),
        ] {
            assert_eq!(text.parse(), Ok(Section::Between(seconds[0], seconds[1])));
        }
        for wrong in [
            "",
            "loud",
            "30",
            "90-30",
            "30-30",
            "-5-10",
            "a-b",
            "1-inf",
            "nan-2",
            "1:60-2:00",
            "1.5:00-2:00",
            ":30-1:00",
            "1:-1:30",
            "0:1:00:00-2",
            "1:30-1:00",
        ] {
            assert!(wrong.parse::<Section>().is_err(), "{wrong}");
        }
    }

    // By construction: the only sound lies at a known place.
    #[test]
    fn the_loudest_minute_holds_the_loudest_windows() {
        let start = |steps: &[f64]| {
            let mut loudest = LoudestPart::new(60.0, 0.1);
            for lufs in steps {
                loudest.push(Some(*lufs));
            }
            loudest.start()
        };
        let mut steps = vec![-20.0; 1_200];
        assert_eq!(start(&steps), 0);
        steps[900..1_100].fill(0.0);
        // A minute is 600 steps; the first that holds all of them begins so that step 1099 is its
        // last.
        assert_eq!(start(&steps), 500);
        assert_eq!(start(&steps[..599]), 0);
        assert_eq!(start(&[]), 0);
    }
}
