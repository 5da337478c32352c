//! Measures a recording while it passes.

use std::collections::VecDeque;
use std::sync::Arc;

use super::super::section::{LoudestPart, Section};
use super::profile::{Figures, PROFILE_VERSION, Profile, ProfileError};
use crate::measure::{BandCrest, ChannelRole, FlatTops, Meter};

/// Length of the loudest part, seconds.
pub const LOUDEST_PART_S: f64 = 30.0;
/// Less than this has no short-term loudness, seconds (EBU Tech 3341).
pub const SHORTEST_S: f64 = 3.0;

/// A part that begins within the music is measured by filters that have heard this much of what
/// comes before, seconds: from rest they would take its first sample for a click.
const LEAD_IN_S: f64 = 0.1;

/// Measures the [`Profile`] of a recording of any length.
///
/// It keeps no audio, except for the loudest part: some [`LOUDEST_PART_S`] of the latest audio, and
/// as much of the loudest so far. The result does not depend on how the signal is cut into blocks,
/// to the last bit.
#[derive(Debug)]
pub struct Profiler {
    sample_rate_hz: f64,
    roles: Vec<ChannelRole>,
    section: Section,
    whole: Gauge,
    part: Part,
    /// Frames in 100 ms, how many of them are in, and how many were in all.
    step: usize,
    into_step: usize,
    frames: usize,
}

/// Everything that is measured of one stretch of audio.
#[derive(Debug)]
struct Gauge {
    meter: Meter,
    crest: BandCrest,
    tops: FlatTops,
}

impl Gauge {
    fn new(sample_rate_hz: f64, roles: &[ChannelRole], max_block: usize) -> Self {
        Self {
            meter: Meter::new(sample_rate_hz, roles, max_block).with_balance([0.0; 2]),
            crest: BandCrest::new(sample_rate_hz, roles),
            tops: FlatTops::new(sample_rate_hz, roles),
        }
    }

    fn process(&mut self, channels: &[&[f32]]) {
        self.meter.process(channels);
        self.crest.process(channels);
        self.tops.process(channels);
    }

    fn restart(&mut self) {
        self.meter.restart();
        self.crest.restart();
        self.tops.restart();
    }

    fn figures(&self, between_s: (f64, f64)) -> Figures {
        Figures::new(
            between_s,
            &self.meter.readings(),
            self.crest.crest_db(),
            self.tops.percent(),
            self.meter.balance().long_term_db,
        )
    }
}

#[derive(Debug)]
enum Part {
    Whole,
    Loudest(Box<Loudest>),
    Between {
        gauge: Box<Gauge>,
        /// Frames.
        start: usize,
        end: usize,
    },
}

/// One step of audio, one vector a channel.
type Step = Arc<Vec<Vec<f32>>>;

#[derive(Debug)]
struct Loudest {
    search: LoudestPart,
    length: usize,
    current: Vec<Vec<f32>>,
    /// The latest steps, and those of the loudest part so far; both with one step of lead-in, where
    /// there is one.
    latest: VecDeque<Step>,
    best: VecDeque<Step>,
}

impl Profiler {
    /// For a recording of these channels. Allocates.
    ///
    /// `sample_rate_hz` must be at least 1000.
    pub fn new(sample_rate_hz: u32, roles: &[ChannelRole], section: Section) -> Self {
        let step = (sample_rate_hz / 10).max(1) as usize;
        let rate_hz = f64::from(sample_rate_hz);
        let step_s = step as f64 / rate_hz;
        #[expect(clippy::cast_sign_loss, reason = "no second is negative")]
        let frame = |second: f64| (second * rate_hz).round() as usize;
        #[expect(clippy::cast_sign_loss, reason = "a quotient of positive numbers")]
        let steps = |seconds: f64| (seconds / step_s).round() as usize;
        let part = match section {
            Section::Whole => Part::Whole,
            Section::Loudest => Part::Loudest(Box::new(Loudest {
                search: LoudestPart::new(LOUDEST_PART_S, step_s),
                length: steps(LOUDEST_PART_S),
                current: vec![Vec::new(); roles.len()],
                latest: VecDeque::new(),
                best: VecDeque::new(),
            })),
            Section::Between(start_s, end_s) => Part::Between {
                gauge: Box::new(Gauge::new(rate_hz, roles, step)),
                start: frame(start_s),
                end: frame(end_s),
            },
        };
        Self {
            sample_rate_hz: rate_hz,
            roles: roles.to_vec(),
            section,
            whole: Gauge::new(rate_hz, roles, step),
            part,
            step,
            into_step: 0,
            frames: 0,
        }
    }

    /// Takes one slice a channel, all of one length. Samples that are not finite are measured as
    /// silence.
    pub fn process(&mut self, channels: &[&[f32]]) {
        let frames = channels.iter().map(|channel| channel.len()).min();
        let frames = frames.unwrap_or(0);
        let mut start = 0;
        while start < frames {
            let end = frames.min(start + self.step - self.into_step);
            let piece: Vec<&[f32]> = channels.iter().map(|plane| &plane[start..end]).collect();
            self.take(&piece, end - start);
            start = end;
        }
    }

    /// Takes frames that lie within one step.
    fn take(&mut self, piece: &[&[f32]], frames: usize) {
        self.whole.process(piece);
        self.into_step += frames;
        let closed = self.into_step == self.step;
        match &mut self.part {
            Part::Whole => {}
            Part::Loudest(loudest) => {
                for (current, piece) in loudest.current.iter_mut().zip(piece) {
                    current.extend_from_slice(piece);
                }
                if closed {
                    loudest.close(self.whole.meter.readings().short_term_lufs);
                }
            }
            Part::Between { gauge, start, end } => {
                #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
                let lead_in = (LEAD_IN_S * self.sample_rate_hz) as usize;
                let here = self.frames..self.frames + frames;
                let within = |from: usize, to: usize| -> Vec<&[f32]> {
                    let at = |frame: usize| frame.clamp(here.start, here.end) - here.start;
                    piece.iter().map(|plane| &plane[at(from)..at(to)]).collect()
                };
                gauge.process(&within(start.saturating_sub(lead_in), *start));
                if here.contains(start) {
                    gauge.restart();
                }
                gauge.process(&within(*start, *end));
            }
        }
        self.frames += frames;
        if closed {
            self.into_step = 0;
        }
    }

    /// The profile of what has passed, under this name.
    ///
    /// # Errors
    /// There is less than [`SHORTEST_S`] of it or of the part, or nothing to be heard in it.
    pub fn finish(mut self, name: &str) -> Result<Profile, ProfileError> {
        let duration_s = self.frames as f64 / self.sample_rate_hz;
        if duration_s < SHORTEST_S {
            return Err(ProfileError::TooShort { duration_s });
        }
        self.whole.meter.finish();
        let whole = self.whole.figures((0.0, duration_s));
        let part = match self.part {
            Part::Whole => whole,
            Part::Loudest(loudest) if loudest.best.is_empty() => whole,
            Part::Loudest(loudest) => {
                let start_s = loudest.search.start() as f64 * self.step as f64;
                let gauge = loudest.measure(self.sample_rate_hz, &self.roles, self.step);
                let start_s = start_s / self.sample_rate_hz;
                let length_s = (loudest.length * self.step) as f64 / self.sample_rate_hz;
                gauge.figures((start_s, start_s + length_s))
            }
            Part::Between {
                mut gauge,
                start,
                end,
            } => {
                let start_s = start as f64 / self.sample_rate_hz;
                let end_s = end.min(self.frames) as f64 / self.sample_rate_hz;
                if end_s - start_s < SHORTEST_S {
                    return Err(ProfileError::Outside { duration_s });
                }
                // Where it is cut, what comes next is no silence that peaks would ring into.
                if end >= self.frames {
                    gauge.meter.finish();
                } else {
                    gauge.meter.end();
                }
                gauge.figures((start_s, end_s))
            }
        };
        if whole.integrated_lufs.is_none() || part.integrated_lufs.is_none() {
            return Err(ProfileError::Silent);
        }
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let sample_rate_hz = self.sample_rate_hz as u32;
        Ok(Profile {
            version: PROFILE_VERSION,
            name: name.to_owned(),
            sample_rate_hz,
            channels: self.roles.len(),
            lossy: false,
            section: self.section,
            whole,
            part,
        })
    }
}

impl Loudest {
    /// Closes a step, at whose end the short-term loudness is this.
    fn close(&mut self, short_term_lufs: Option<f64>) {
        let empty = vec![Vec::new(); self.current.len()];
        self.latest
            .push_back(Arc::new(std::mem::replace(&mut self.current, empty)));
        if self.latest.len() > self.length + 1 {
            self.latest.pop_front();
        }
        if self.search.push(short_term_lufs) {
            // The steps themselves are shared, so a song that only ever gets louder costs no more.
            self.best.clone_from(&self.latest);
        }
    }

    fn measure(&self, sample_rate_hz: f64, roles: &[ChannelRole], step: usize) -> Gauge {
        let mut gauge = Gauge::new(sample_rate_hz, roles, step);
        let lead_in = self.best.len().saturating_sub(self.length);
        for (index, step) in self.best.iter().enumerate() {
            if index == lead_in && lead_in > 0 {
                gauge.restart();
            }
            let planes: Vec<&[f32]> = step.iter().map(Vec::as_slice).collect();
            gauge.process(&planes);
        }
        gauge
    }
}
