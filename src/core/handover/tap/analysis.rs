//! What the worker makes of both signals: their place beside each other, what stands between them
//! for good, and what is left.

use super::missing::{Missing, Piece};
use super::search::{Finding, Search};
use super::{Tap, TapState, frames, so_far};
use crate::dsp::decibel::power_from_db;
use crate::measure::{
    Aligner, Estimate, Estimator, GainMemory, RestGain, Stretch, ThroughMeter,
    longest_delay_frames, mono,
};
use crate::worker::GiveWay;

/// Shortest stretch that is compared, seconds; it is rounded up to a power of two in frames.
const STRETCH_S: f64 = 2.0;
/// Time that must be heard before anything is said of a device, and time that is remembered of it,
/// seconds.
const LEAST_S: f64 = 8.0;
const MEMORY_S: f64 = 20.0;
/// How often the analysis looks whether the device has changed, and how often it estimates the
/// device anew, seconds.
const LOOK_S: f64 = 4.0;
const LOOK_AGAIN_S: f64 = 16.0;
/// An alignment this close to the one in force, seconds, is the same: a crossover's response has
/// several tops, and a response may begin a little early or late.
const SAME_PLACE_S: f64 = 64.0 / 48_000.0;
/// Both signals below this mean square (−70 dBFS) are a pause.
const PAUSE: f64 = 1e-7;
/// The device has been changed where it leaves this many times more than it did, and another
/// response leaves this many times less.
const CHANGED: f64 = 4.0;
/// What is left of a device below this share (−50 dB) says nothing of a change.
const LEAST_SHARE: f64 = 1e-5;

/// Whether two places, frames, may be those of one device.
pub(super) fn is_near(one: i32, other: i32, sample_rate_hz: f64) -> bool {
    one.abs_diff(other) as usize <= frames(SAME_PLACE_S, sample_rate_hz)
}

/// One vector a channel.
type Planes = Vec<Vec<f32>>;

/// The analysis of signals of one sample rate and number of channels.
pub(super) struct Analysis {
    sample_rate_hz: f64,
    aligner: Aligner,
    search: Search,
    finding: Finding,
    /// The last stretch of both, side by side as they came, and frames until it is compared.
    recent: [Planes; 2],
    until_compared: usize,
    /// The alignment in force (delay in frames, and whether inverted), the frames of either signal
    /// still to be left out for it, and the frames that wait.
    place: Option<(i32, bool)>,
    skip: [usize; 2],
    waiting: [Planes; 2],
    missing: Missing,
    /// The last while of both in step, cut where something is missing.
    memory: Vec<Stretch>,
    /// Whether the next frames follow on the last stretch.
    follows: bool,
    heard: usize,
    /// When the device is estimated next, and when it was last, in frames heard.
    look_at: usize,
    looked_at: usize,
    look_is_due: bool,
    estimator: Estimator,
    corners_hz: [f64; 3],
    estimate: Option<Estimate>,
    through: ThroughMeter,
}

impl Analysis {
    /// From nothing. Allocates some 20 MB at 48 kHz as it goes.
    pub fn new(sample_rate_hz: f64, channels: usize, corners_hz: [f64; 3], rest: RestGain) -> Self {
        let frames = frames(STRETCH_S, sample_rate_hz).next_power_of_two();
        let lag = i32::try_from(longest_delay_frames(sample_rate_hz)).unwrap_or(i32::MAX);
        let empty = || [vec![Vec::new(); channels], vec![Vec::new(); channels]];
        Self {
            sample_rate_hz,
            aligner: Aligner::new(frames, -lag..=lag),
            search: Search::default(),
            finding: Finding::default(),
            recent: empty(),
            until_compared: frames,
            place: None,
            skip: [0; 2],
            waiting: empty(),
            missing: Missing::new(sample_rate_hz),
            memory: Vec::new(),
            follows: false,
            heard: 0,
            look_at: 0,
            looked_at: 0,
            look_is_due: false,
            estimator: Estimator::new(sample_rate_hz, corners_hz),
            corners_hz,
            estimate: None,
            through: ThroughMeter::new(
                sample_rate_hz,
                channels,
                GainMemory::TenSeconds,
                rest,
                corners_hz,
            ),
        }
    }

    fn seconds(&self, seconds: f64) -> usize {
        frames(seconds, self.sample_rate_hz)
    }

    /// Where the gain at rest is taken from, and where the bands meet.
    pub fn set(&mut self, rest: RestGain, corners_hz: [f64; 3]) {
        self.through.set_rest_gain(rest);
        if corners_hz != self.corners_hz {
            self.corners_hz = corners_hz;
            self.through.set_corners(corners_hz);
            self.estimator = Estimator::new(self.sample_rate_hz, corners_hz);
            self.look_at = self.heard;
        }
    }

    /// Forgets what has been measured, not what stands between.
    pub fn restart(&mut self) {
        self.through.restart();
    }

    /// Something is missing before the next frames.
    pub fn gap(&mut self) {
        for planes in self.recent.iter_mut().chain(&mut self.waiting) {
            planes.iter_mut().for_each(Vec::clear);
        }
        self.until_compared = self.aligner.frames();
        self.skip = self.place.map_or([0; 2], skipped);
        self.missing.gap();
        self.begin();
    }

    /// The next frames do not follow on those that were compared last.
    fn begin(&mut self) {
        self.follows = false;
        self.through.begin();
    }

    /// Takes as many frames of the signal before and of the one after, a second or less.
    pub fn push(&mut self, signals: [&[Vec<f32>]; 2]) {
        let frames = signals[0].first().map_or(0, Vec::len);
        for ((recent, waiting), signal) in
            self.recent.iter_mut().zip(&mut self.waiting).zip(signals)
        {
            for ((recent, waiting), channel) in recent.iter_mut().zip(waiting).zip(signal) {
                recent.extend_from_slice(channel);
                waiting.extend_from_slice(channel);
            }
        }
        self.until_compared = self.until_compared.saturating_sub(frames);
        if self.until_compared == 0 {
            self.compare();
        }
        if self.place.is_some() {
            self.take();
        } else {
            self.waiting.iter_mut().flatten().for_each(Vec::clear);
        }
    }

    /// Looks for the place of the signals beside each other.
    fn compare(&mut self) {
        let stretch = self.aligner.frames();
        for channel in self.recent.iter_mut().flatten() {
            channel.drain(..channel.len().saturating_sub(stretch));
        }
        let recent = [&*self.recent[0], &*self.recent[1]];
        let [before, after] = mono(recent);
        let relation = self.aligner.compare_any([&before, &after], recent, 0);
        self.finding = self.search.take(relation);
        let aligned = self.finding.state == TapState::Aligned;
        self.until_compared = if aligned { 2 * stretch } else { stretch / 2 };
        let found = self
            .finding
            .alignment
            .map(|found| (found.delay_frames, found.inverted));
        match (self.place, found) {
            (Some(old), Some(new)) if self.is_same_place(old, new) => {}
            (old, new) if old == new => {}
            (_, new) => {
                self.place = new;
                self.skip = new.map_or([0; 2], skipped);
                self.settle();
                self.waiting.iter_mut().flatten().for_each(Vec::clear);
            }
        }
    }

    /// Whether the alignment that was found is as good as the one in force. A response with tops of
    /// both signs is taken for either, and so is one of two channels that is upside down.
    fn is_same_place(
        &self,
        (old, was_inverted): (i32, bool),
        (new, inverted): (i32, bool),
    ) -> bool {
        let near = is_near(old, new, self.sample_rate_hz);
        near && (was_inverted == inverted || !self.is_turned_over())
    }

    /// Whether what comes is upside down against what is known: something is heard, and it holds
    /// nothing of what should be there, so that no band has a gain. Or what is known is itself
    /// upside down against its place, and may have been found while that was changing.
    fn is_turned_over(&self) -> bool {
        let readings = self.through.readings();
        let mut means = readings.bands.iter().map(|band| band.reduction.mean_3s_db);
        let heard = readings.distortion.mean_3s_db.is_some();
        let known = self.estimate.as_ref();
        heard && means.all(|mean_db| mean_db.is_none())
            || known.is_some_and(|known| known.linear.inverted)
    }

    /// What stands between is not known any more.
    fn settle(&mut self) {
        self.memory.clear();
        self.missing.gap();
        self.follows = false;
        self.heard = 0;
        self.look_at = self.seconds(LEAST_S);
        self.look_is_due = false;
        self.estimate = None;
        self.through.restart();
    }

    /// Takes what waits, in step.
    fn take(&mut self) {
        for (planes, skip) in self.waiting.iter_mut().zip(&mut self.skip) {
            let skipped = (*skip).min(planes.first().map_or(0, Vec::len));
            for channel in planes.iter_mut() {
                channel.drain(..skipped);
            }
            *skip -= skipped;
        }
        let lengths = self.waiting.iter().flatten().map(Vec::len);
        let frames = lengths.min().unwrap_or(0);
        let [mut before, after] = self.waiting.each_mut().map(|planes| -> Planes {
            planes
                .iter_mut()
                .map(|channel| channel.drain(..frames).collect())
                .collect()
        });
        if self.place.is_some_and(|(_, inverted)| inverted) {
            before
                .iter_mut()
                .flatten()
                .for_each(|sample| *sample = -*sample);
        }
        let Some(Piece { signals, begins }) = self.missing.take([before, after]) else {
            return;
        };
        if begins {
            self.begin();
        }
        let [x, y] = signals
            .each_ref()
            .map(|planes| planes.iter().map(Vec::as_slice).collect::<Vec<_>>());
        if self.estimate.is_some() {
            self.through.process(&x, &y);
        }
        let [before, after] = signals;
        if quiet(&before) && quiet(&after) {
            self.follows = false;
            return;
        }
        self.heard += before.first().map_or(0, Vec::len);
        self.remember(before, after);
        self.look_is_due = self.heard >= self.look_at;
    }

    fn remember(&mut self, before: Planes, after: Planes) {
        match self.memory.last_mut().filter(|_| self.follows) {
            Some(last) => {
                for (to, from) in [(&mut last.before, before), (&mut last.after, after)] {
                    for (to, from) in to.iter_mut().zip(from) {
                        to.extend(from);
                    }
                }
            }
            None => self.memory.push(Stretch { before, after }),
        }
        self.follows = true;
        self.forget(MEMORY_S, MEMORY_S + LOOK_S);
    }

    /// Keeps only the last seconds, if there are more than `most_s`.
    fn forget(&mut self, kept_s: f64, most_s: f64) {
        let length = |stretch: &Stretch| stretch.before.first().map_or(0, Vec::len);
        let all: usize = self.memory.iter().map(length).sum();
        if all <= self.seconds(most_s) {
            return;
        }
        let mut surplus = all - self.seconds(kept_s);
        for stretch in &mut self.memory {
            let gone = surplus.min(length(stretch));
            for channel in stretch.before.iter_mut().chain(&mut stretch.after) {
                channel.drain(..gone);
            }
            surplus -= gone;
        }
        self.memory.retain(|stretch| length(stretch) > 0);
    }

    /// Estimates the device, or checks that the estimate still holds, if it is time to. Takes
    /// seconds, and gives way meanwhile. Whether it has.
    pub fn look_if_due(&mut self, give_way: GiveWay<'_>) -> bool {
        let is_due = std::mem::take(&mut self.look_is_due);
        if is_due {
            self.look(give_way);
        }
        is_due
    }

    fn look(&mut self, give_way: GiveWay<'_>) {
        let settled = self.heard > self.seconds(MEMORY_S);
        let known = self.estimate.as_ref().filter(|_| settled);
        if let Some(known) = known {
            if self.has_changed(known, give_way) {
                self.settle();
                return;
            }
            self.look_at = self.heard + self.seconds(LOOK_S);
            if self.heard < self.looked_at + self.seconds(LOOK_AGAIN_S) {
                return;
            }
        }
        self.looked_at = self.heard;
        // Before the memory is full a look costs as much and is worth less.
        self.look_at = (self.heard + self.seconds(LOOK_S)).max(self.seconds(MEMORY_S) + 1);
        let found = match known.filter(|known| known.fixed) {
            Some(known) => self.estimator.refine(&self.memory, known, give_way),
            None => self.estimator.estimate(&self.memory, give_way),
        };
        if let Some(found) = found {
            self.through.set_estimate(&found);
            if self.estimate.is_none() {
                // It begins in the middle of the signals.
                self.through.begin();
                self.through.restart();
            }
            self.estimate = Some(found);
        }
    }

    /// Whether another response explains the last few seconds far better than the one known.
    fn has_changed(&self, known: &Estimate, give_way: GiveWay<'_>) -> bool {
        let now_db = self.through.readings().distortion.mean_3s_db;
        let now = now_db.map_or(0.0, |db| power_from_db(db.into()));
        if now < CHANGED * known.share.max(LEAST_SHARE) {
            return false;
        }
        let Some(last) = self.memory.last() else {
            return false;
        };
        let tail = |planes: &Planes| -> Planes {
            let from = |channel: &Vec<f32>| channel.len().saturating_sub(self.seconds(LOOK_S));
            planes
                .iter()
                .map(|channel| channel[from(channel)..].to_vec())
                .collect()
        };
        let last = [Stretch {
            before: tail(&last.before),
            after: tail(&last.after),
        }];
        let old = self.estimator.share(&last, known);
        let new = self.estimator.estimate(&last, give_way);
        old.zip(new)
            .is_some_and(|(old, new)| old > CHANGED * new.share.max(LEAST_SHARE))
    }

    /// What is known.
    pub fn told(&self) -> Tap {
        if self.place.is_some() && self.missing.is_missing() {
            return so_far(TapState::NoSideChain);
        }
        let place = self
            .place
            .filter(|_| self.finding.state == TapState::Aligned);
        let (delay, inverted) = place.unwrap_or_default();
        let Some(estimate) = self.estimate.as_ref().filter(|_| place.is_some()) else {
            let state = match self.finding.state {
                TapState::Aligned => TapState::Settling,
                state => state,
            };
            return Tap {
                state,
                delay_frames: delay,
                inverted,
                ..Tap::default()
            };
        };
        if !estimate.fixed {
            return Tap {
                state: TapState::NotFixed,
                delay_frames: delay,
                ..Tap::default()
            };
        }
        Tap {
            state: TapState::Aligned,
            delay_frames: delay + estimate.linear.delay_frames.round() as i32,
            inverted: inverted != estimate.linear.inverted,
            linear: estimate.linear,
            reduction: self.through.readings(),
        }
    }
}

/// Frames to be left out of the signal before and of the one after.
fn skipped((delay, _): (i32, bool)) -> [usize; 2] {
    let late = |frames: i32| frames.max(0).unsigned_abs() as usize;
    [late(delay.saturating_neg()), late(delay)]
}

fn quiet(planes: &Planes) -> bool {
    let samples = planes.iter().flatten();
    let energy: f64 = samples.map(|sample| f64::from(*sample).powi(2)).sum();
    energy <= PAUSE * planes.iter().map(Vec::len).sum::<usize>() as f64
}
