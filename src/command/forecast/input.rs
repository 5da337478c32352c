//! What of a file is forecast.

use std::path::Path;
use std::str::FromStr;

use crestline_core::measure::Meter;
use crestline_core::session::forecast::{LONGEST_STRETCH_S, Stretch};
use crestline_files::{AudioFile, printable};

/// The loudness is looked at so often when the loudest part is looked for.
const STEPS_PER_SECOND: u32 = 10;
/// A short-term loudness looks back so far, seconds (EBU Tech 3341).
const SHORT_TERM_S: f64 = 3.0;

/// The part that is asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Section {
    Loudest,
    Whole,
    /// Seconds.
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
        let seconds = |text: &str| text.trim().parse::<f64>().ok().filter(|s| s.is_finite());
        let ends = text.split_once('-');
        match ends.and_then(|(start, end)| Some((seconds(start)?, seconds(end)?))) {
            Some((start, end)) if start < end => Ok(Self::Between(start, end)),
            Some(_) => Err(format!("“{text}” ends before it starts")),
            None => Err(format!(
                "“{text}” is neither loudest nor whole nor two seconds such as 30-90"
            )),
        }
    }
}

/// A file's part, ready to be forecast.
#[derive(Debug)]
pub(super) struct Input {
    pub sample_rate_hz: u32,
    pub channels: usize,
    /// Where the part lies in the file, seconds.
    pub section_s: (f64, f64),
    /// What whoever reads the result should be told about the file.
    pub notes: Vec<String>,
    planes: Vec<Vec<f32>>,
}

impl Input {
    /// The part's sound, which is then no longer kept here.
    pub fn take_stretch(&mut self) -> Stretch {
        Stretch::new(
            f64::from(self.sample_rate_hz),
            std::mem::take(&mut self.planes),
        )
    }
}

/// Reads the part that is asked for; otherwise what is wrong.
pub(super) fn read(path: &Path, section: Section) -> Result<Input, String> {
    let (start_s, end_s) = match section {
        Section::Loudest => loudest_s(path)?,
        Section::Whole => (0.0, f64::INFINITY),
        Section::Between(start_s, end_s) => (start_s, end_s),
    };
    let mut audio = open(path)?;
    let rate_hz = f64::from(audio.sample_rate_hz());
    // Frames from a second on; a number past all files where there is no end.
    #[expect(clippy::cast_sign_loss, reason = "no second is negative")]
    let frame = |second: f64| (second * rate_hz).round() as usize;
    let (first, end) = (frame(start_s), frame(end_s));
    let mut planes = vec![Vec::new(); audio.roles().len()];
    let mut at = 0;
    while at < end
        && let Some(block) = audio.next_block().map_err(|error| error.to_string())?
    {
        let frames = block.first().map_or(0, Vec::len);
        let part = first.clamp(at, at + frames) - at..end.clamp(at, at + frames) - at;
        for (plane, block) in planes.iter_mut().zip(block) {
            plane.extend_from_slice(&block[part.clone()]);
        }
        at += frames;
    }
    let frames = planes.first().map_or(0, Vec::len);
    if frames == 0 {
        return Err(format!(
            "{}: nothing is left of it from {start_s} s on; it is {:.1} s long",
            printable(path),
            at as f64 / rate_hz
        ));
    }
    Ok(Input {
        sample_rate_hz: audio.sample_rate_hz(),
        channels: planes.len(),
        section_s: (first as f64 / rate_hz, (first + frames) as f64 / rate_hz),
        notes: audio.notes(),
        planes,
    })
}

fn open(path: &Path) -> Result<AudioFile, String> {
    let audio = AudioFile::open(path).map_err(|error| error.to_string())?;
    match audio.roles().len() {
        1 | 2 => Ok(audio),
        count => Err(format!(
            "{}: has {count} channels, and the chain takes one or two; mix it down first",
            printable(path)
        )),
    }
}

/// Where the loudest [`LONGEST_STRETCH_S`] of a file lie, seconds.
fn loudest_s(path: &Path) -> Result<(f64, f64), String> {
    let mut audio = open(path)?;
    let rate_hz = audio.sample_rate_hz();
    let step = (rate_hz / STEPS_PER_SECOND).max(1) as usize;
    let mut meter = Meter::new(f64::from(rate_hz), audio.roles(), step);
    let mut powers = Vec::new();
    let mut into_step = 0;
    while let Some(block) = audio.next_block().map_err(|error| error.to_string())? {
        let frames = block.first().map_or(0, Vec::len);
        let mut start = 0;
        while start < frames {
            let end = frames.min(start + step - into_step);
            let piece: Vec<&[f32]> = block.iter().map(|plane| &plane[start..end]).collect();
            meter.process(&piece);
            into_step = (into_step + end - start) % step;
            start = end;
            if into_step == 0 {
                let lufs = meter.readings().short_term_lufs;
                powers.push(lufs.map_or(0.0, |lufs| 10_f64.powf(lufs / 10.0)));
            }
        }
    }
    let step_s = step as f64 / f64::from(rate_hz);
    let first = loudest_start(&powers, step_s);
    let start_s = first as f64 * step_s;
    Ok((start_s, start_s + LONGEST_STRETCH_S))
}

/// The step with which the stretch begins whose short-term windows, those that lie within it, have
/// the highest mean power; the first of several. `powers` are those of the windows that end with
/// each step.
fn loudest_start(powers: &[f64], step_s: f64) -> usize {
    #[expect(clippy::cast_sign_loss, reason = "quotients of positive numbers")]
    let steps = |seconds: f64| (seconds / step_s).round() as usize;
    let (length, window) = (steps(LONGEST_STRETCH_S), steps(SHORT_TERM_S));
    // Added up from the start, so that a mean is a difference; the sums stay far below what makes
    // that inexact.
    let mut sums = vec![0.0];
    for power in powers {
        sums.push(sums.last().copied().unwrap_or_default() + power);
    }
    let within = |start: usize| sums[start + length] - sums[start + window - 1];
    let starts = 0..(powers.len() + 1).saturating_sub(length).max(1);
    if powers.len() < length {
        return 0;
    }
    starts.fold(0, |best, start| {
        // Rounding must not move it among equals.
        if within(start) > within(best) * (1.0 + 1e-9) {
            start
        } else {
            best
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sections_are_read() {
        assert_eq!("loudest".parse(), Ok(Section::Loudest));
        assert_eq!(" whole".parse(), Ok(Section::Whole));
        assert_eq!("30-90.5".parse(), Ok(Section::Between(30.0, 90.5)));
        for wrong in [
            "", "loud", "30", "90-30", "30-30", "-5-10", "a-b", "1-inf", "nan-2",
        ] {
            assert!(wrong.parse::<Section>().is_err(), "{wrong}");
        }
    }

    // By construction: the only sound lies at a known place.
    #[test]
    fn the_loudest_minute_holds_the_loudest_windows() {
        let mut powers = vec![0.01; 1_200];
        assert_eq!(loudest_start(&powers, 0.1), 0);
        powers[900..1_100].fill(1.0);
        // A minute is 600 steps; the first that holds all of them begins so that step 1099 is its
        // last.
        assert_eq!(loudest_start(&powers, 0.1), 500);
        assert_eq!(loudest_start(&powers[..599], 0.1), 0);
        assert_eq!(loudest_start(&[], 0.1), 0);
    }
}
