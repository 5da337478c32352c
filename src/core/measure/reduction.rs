//! What happened between one signal and another, in four bands: how far each was turned down, and
//! what was added to it.
//!
//! Both signals go through the same crossover. The products of their bands, `xx`, `xy`, `yy` (x
//! before, y after, summed over the channels), are summed up over Hann windows, a hundred times a
//! second: of 40 ms for the gains and for what is added to the lowest band, of 20 ms for what is
//! added to the others and to the whole. From them come, by least squares,
//!
//! * each band's gain, `xy/xx`, less what the overlap with its neighbours adds; the reduction is
//!   the gain at rest less that, in dB;
//! * each band's added distortion: the share of its output that no gain explains, steady or moving
//!   evenly across the window;
//! * the same of the whole output, which no four gains explain.
//!
//! Limits. Two tones of one band less than some 100 Hz apart (50 Hz in the lowest band) are one
//! tone whose level moves. Where a band is turned down by much more than its neighbour, the slope
//! between them in the overlap reads as distortion of those bands (−25 dB for 6 dB), though not of
//! the whole. Products see a change of phase as a loss: what a process delays or turns by more than
//! a few degrees inside a band reads as lower gain and more distortion.

mod moving_gain;
mod readings;
mod report;
mod shelved;
mod sums;
mod window;

pub(super) use self::moving_gain::{MovingGain, turned};
pub use self::readings::{BandReduction, Reduction, RestGain, Trend};
pub use self::report::GainMemory;

use self::report::Report;
use self::sums::{Bands, BeforeSums, Lanes, PairSums};
use self::window::{
    BeforeSlot, Fit, PairSlot, SLOTS, SLOTS_PER_SECOND, SLOTS_PER_UPDATE, Slots, Windows,
};
use super::time_grid::TimeGrid;
use crate::dsp::crossover::DEFAULT_CORNERS_HZ;
use crate::dsp::run::MAX_RUN;

/// The signal before, and at most two to compare with it.
const SIGNALS: usize = 3;
/// A signal that has been the same as the one before it for so many slots (1 s) need not be split
/// again: by then the filters have forgotten that they ever differed.
const SLOTS_TO_MERGE: u64 = SLOTS_PER_SECOND;
/// Measures what became of one signal in one or two others that lie in step with it, for one or two
/// channels, in blocks of any size.
///
/// The result does not depend on how the signals are cut into blocks, to the last bit.
#[derive(Clone, Debug)]
pub struct ReductionMeter {
    grid: TimeGrid,
    sample_rate_hz: f64,
    channels: usize,
    /// Whether each channel has gains of its own.
    apart: bool,
    windows: Windows,
    bands: Bands,
    corners_hz: [f64; 3],
    own: BeforeSums,
    /// Both channels together, or the left one; then the right one.
    before_slots: [Box<Slots<BeforeSlot>>; 2],
    afters: Vec<After>,
    /// Windows count once this many slots have ended.
    first_slot: u64,
}

/// A signal to compare, and what has come of it.
#[derive(Clone, Debug)]
struct After {
    /// Bit for bit the same as the one ahead of it (in the order before, first, second), and with
    /// it all its products: nothing to do.
    duplicate: bool,
    /// Slot in which it last differed from that.
    differed: u64,
    pair: PairSums,
    pair_slots: [Box<Slots<PairSlot>>; 2],
    report: Box<Report>,
    /// Another to exchange with.
    spare: Option<Box<Report>>,
}

impl ReductionMeter {
    /// A meter for `channels` (1 or 2) channels that compares `afters` (1 or 2) signals with one,
    /// at the default corners of the crossover. Allocates.
    pub fn new(
        sample_rate_hz: f64,
        channels: usize,
        afters: usize,
        span: GainMemory,
        rest: RestGain,
    ) -> Self {
        let after = |_| After {
            duplicate: true,
            differed: 0,
            pair: PairSums::default(),
            pair_slots: std::array::from_fn(|_| Box::new(Slots::new())),
            report: Box::new(Report::new(span, rest)),
            spare: None,
        };
        Self {
            grid: TimeGrid::with_steps(sample_rate_hz, SLOTS_PER_SECOND),
            sample_rate_hz,
            channels: channels.clamp(1, 2),
            apart: false,
            windows: Windows::new(),
            bands: Bands::new(sample_rate_hz),
            corners_hz: DEFAULT_CORNERS_HZ,
            own: BeforeSums::default(),
            before_slots: std::array::from_fn(|_| Box::new(Slots::new())),
            afters: (0..afters.clamp(1, 2)).map(after).collect(),
            first_slot: SLOTS as u64,
        }
    }

    /// The same meter with gains for each channel by itself, so that a process whose channels are
    /// not linked is not taken for one that distorts. The gains told are those of both together.
    #[must_use]
    pub fn with_channels_apart(self) -> Self {
        Self {
            apart: self.channels == 2,
            ..self
        }
    }

    /// Gain that the signal before has been given already in each band, dB: what the gains told
    /// are counted up by, so that they are those of the whole way.
    ///
    /// # Realtime
    /// Yes.
    pub(crate) fn set_given_gain(&mut self, gain_db: [f64; 4]) {
        for after in &mut self.afters {
            after.report.set_given_gain(gain_db);
        }
    }

    /// The corners between the bands that were last asked for, Hz.
    ///
    /// # Realtime
    /// Yes.
    pub fn corners_hz(&self) -> [f64; 3] {
        self.corners_hz
    }

    /// Moves the corners between the bands, in Hz, low to high; takes 50 ms, but no time before the
    /// first frame.
    ///
    /// # Realtime
    /// Yes.
    pub fn set_corners(&mut self, corners_hz: [f64; 3]) {
        if corners_hz == self.corners_hz {
            return;
        }
        self.corners_hz = corners_hz;
        let crossover = &mut self.bands.crossover;
        if self.grid.frames() == 0 {
            crossover.reset(corners_hz);
        } else {
            crossover.set_corners(corners_hz);
        }
    }

    /// Frames until what is told may change.
    ///
    /// # Realtime
    /// Yes.
    pub fn remaining(&self) -> usize {
        self.grid.remaining()
    }

    /// Where the gain at rest is taken from, for every signal compared.
    ///
    /// # Realtime
    /// Yes.
    pub fn set_rest_gain(&mut self, rest: RestGain) {
        for after in &mut self.afters {
            after.report.set_rest_gain(rest);
        }
    }

    /// Forgets everything measured so far, and looks at nothing until a whole window has passed: the
    /// next ones would still reach back by up to 40 ms.
    ///
    /// # Realtime
    /// Yes.
    pub fn restart(&mut self) {
        for after in &mut self.afters {
            after.report.restart();
        }
        self.skip(0);
    }

    /// Keeps room for what has been measured, to exchange with. Allocates.
    pub(crate) fn keep_spare(&mut self) {
        for after in &mut self.afters {
            after.spare = Some(after.report.clone());
        }
    }

    /// Exchanges what has been measured so far with what was set aside. Nothing happens without
    /// [room](Self::keep_spare).
    ///
    /// # Realtime
    /// Yes.
    pub(crate) fn exchange(&mut self) {
        for after in &mut self.afters {
            if let Some(spare) = &mut after.spare {
                std::mem::swap(&mut after.report, spare);
            }
        }
    }

    /// Looks at nothing until `frames` more frames and a whole window have passed: the signals are
    /// about to jump against each other.
    ///
    /// # Realtime
    /// Yes.
    pub fn skip(&mut self, frames: usize) {
        #[expect(clippy::cast_sign_loss, reason = "a quotient of positive numbers")]
        let slots = (frames as f64 * SLOTS_PER_SECOND as f64 / self.sample_rate_hz).ceil() as u64;
        let first_slot = self.grid.steps() + 1 + slots + SLOTS as u64;
        self.first_slot = self.first_slot.max(first_slot);
    }

    /// Takes one slice a channel of the signal before and of each signal to compare. As many frames
    /// are taken as the shortest slice has; what is missing is silence. Samples that are not finite
    /// are measured as silence.
    ///
    /// # Realtime
    /// Yes.
    pub fn process(&mut self, before: &[&[f32]], afters: &[&[&[f32]]]) {
        self.process_turned_down(before, &[], afters);
    }

    /// The same of a signal before whose bands are known to have been turned down: by these factors
    /// in each frame, which are taken back. As many frames are taken as there are factors, unless
    /// there are none, which are factors of 1.
    ///
    /// # Realtime
    /// Yes.
    pub(crate) fn process_turned_down(
        &mut self,
        before: &[&[f32]],
        turned_down: &[[f32; 4]],
        afters: &[&[&[f32]]],
    ) {
        let signals = std::iter::once(before).chain(afters.iter().copied());
        let lengths = signals.flat_map(|signal| {
            signal
                .iter()
                .take(self.channels)
                .map(|channel| channel.len())
        });
        let frames = lengths.min().unwrap_or(0);
        let frames = if turned_down.is_empty() {
            frames
        } else {
            frames.min(turned_down.len())
        };
        let mut start = 0;
        while start < frames {
            let end = start + (frames - start).min(self.grid.remaining()).min(MAX_RUN);
            let done = self.run(before, turned_down, afters, start, end);
            if self.grid.advance(done) {
                self.slot();
            }
            start += done;
        }
    }

    /// Measures frames that lie within one slot, up to where a signal leaves its duplicate: it is
    /// at that very frame that it gets bands of its own, wherever blocks begin. Returns how many
    /// frames that were.
    fn run(
        &mut self,
        before: &[&[f32]],
        turned_down: &[[f32; 4]],
        afters: &[&[&[f32]]],
        start: usize,
        end: usize,
    ) -> usize {
        let stereo = self.channels == 2;
        let signal = |index: usize| match index.checked_sub(1) {
            None => before,
            Some(index) => afters.get(index).copied().unwrap_or_default(),
        };
        let mut lanes: [_; SIGNALS] =
            std::array::from_fn(|index| Lanes::new(signal(index), start, end, stereo));
        let turned_down = turned_down.get(start..end).unwrap_or_default();
        let mut frames = end - start;
        // Where bands are to be given back, no signal is a duplicate of the one before.
        if let Some(alike) = turned_down.iter().position(|factors| *factors != [1.0; 4]) {
            if alike == 0 {
                self.part_from_twin(0);
            }
            frames = if alike > 0 { alike } else { frames };
        }
        for (index, after) in self.afters.iter().enumerate() {
            if after.duplicate && lanes[index].differ(lanes[index + 1]) {
                let alike = lanes[index].alike(lanes[index + 1]);
                frames = if alike > 0 { frames.min(alike) } else { frames };
            }
        }
        lanes = lanes.map(|lanes| lanes.first(frames));
        for index in 0..self.afters.len() {
            if lanes[index].differ(lanes[index + 1]) {
                self.part_from_twin(index);
            }
        }
        // Twins at the end need no bands of their own.
        let [one, two, three] = lanes;
        match self.afters.iter().rposition(|after| !after.duplicate) {
            None => self.bands.split([one]),
            Some(0) => self.bands.split([one, two]),
            Some(_) => self.bands.split([one, two, three]),
        }
        self.bands.turn_back_up(turned_down);
        self.bands.add_before(&mut self.own, frames);
        for (index, after) in self.afters.iter_mut().enumerate() {
            if !after.duplicate {
                self.bands.add_pair(&mut after.pair, index, frames);
            }
        }
        frames
    }

    /// Notes that a signal differs from the one ahead of it, and gives it the state that they have
    /// had in common so far.
    fn part_from_twin(&mut self, index: usize) {
        let (ahead, rest) = self.afters.split_at_mut(index);
        let Some(after) = rest.first_mut() else {
            return;
        };
        after.differed = self.grid.steps();
        if after.duplicate {
            after.duplicate = false;
            let (signal, pair) = match ahead.iter().rposition(|ahead| !ahead.duplicate) {
                Some(index) => (index + 1, ahead[index].pair),
                None => (0, PairSums::of_duplicate(&self.own)),
            };
            self.bands.crossover.copy_signal(signal, index + 1);
            after.pair = pair;
        }
    }

    /// Closes a slot, and the window that may end with it.
    fn slot(&mut self) {
        let steps = self.grid.steps();
        let own = std::mem::take(&mut self.own);
        let groups = if self.apart { 2 } else { 1 };
        for (group, slots) in self.before_slots.iter_mut().enumerate().take(groups) {
            slots.push(if self.apart {
                own.of_channel(group)
            } else {
                own.total()
            });
        }
        let mut ahead = PairSums::of_duplicate(&own);
        for after in &mut self.afters {
            after.duplicate |= steps >= after.differed + SLOTS_TO_MERGE;
            let pair = std::mem::take(&mut after.pair);
            ahead = if after.duplicate { ahead } else { pair };
            for (group, slots) in after.pair_slots.iter_mut().enumerate().take(groups) {
                slots.push(if self.apart {
                    ahead.of_channel(group)
                } else {
                    ahead.total()
                });
            }
        }
        if steps.is_multiple_of(SLOTS_PER_UPDATE) && steps >= self.first_slot {
            self.window(groups);
        }
    }

    /// Takes the window that has just ended.
    fn window(&mut self, groups: usize) {
        let frames_per_slot = self.grid.frames_in_last(SLOTS as u64) / SLOTS as f64;
        let windows = &self.windows;
        let [one, two] = &self.before_slots;
        let apart = groups == 2;
        let differ = self.afters.iter().any(|after| !after.duplicate);
        let first = differ.then(|| windows.before(one));
        let second = (differ && apart).then(|| windows.before(two));
        let alike = || {
            let fit = windows.alike(one, frames_per_slot);
            if apart {
                fit.and(&windows.alike(two, frames_per_slot))
            } else {
                fit
            }
        };
        let mut ahead: Option<Fit> = None;
        for after in &mut self.afters {
            let fit = match &first {
                Some(first) if !after.duplicate => {
                    let [one, two] = &after.pair_slots;
                    let fit = windows.fit(first, one, frames_per_slot);
                    second.as_ref().map_or(fit, |second| {
                        fit.and(&windows.fit(second, two, frames_per_slot))
                    })
                }
                // A duplicate has shared its slots with the one ahead for longer than a window.
                _ => ahead.unwrap_or_else(alike),
            };
            after.report.push(&fit, self.channels as f64);
            ahead = Some(fit);
        }
    }

    /// Ends a file: what is told only every 100 ms is brought up to date.
    pub fn finish(&mut self) {
        for after in &mut self.afters {
            after.report.report();
        }
    }

    /// What became of the signal in comparison `index`.
    ///
    /// # Realtime
    /// Yes: a copy.
    pub fn readings(&self, index: usize) -> Reduction {
        self.afters
            .get(index)
            .map_or_else(Reduction::default, |after| *after.report.readings())
    }

    /// Percentile (0…100) of a band's reduction over the span the meter was made with, dB. A few
    /// hundred additions.
    pub fn percentile_db(&self, index: usize, band: usize, percent: u64) -> Option<f64> {
        self.afters.get(index)?.report.percentile_db(band, percent)
    }
}
