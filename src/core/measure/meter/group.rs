//! Several signals in step, each with its meter; what is the same as the one ahead of it is not
//! filtered twice.
//!
//! What costs, filters and interpolation, works frame by frame and forgets. What is kept, histories
//! and maxima, moves on once a step of 5 ms and remembers all that ever differed. So a duplicate
//! goes without the first and takes what each step brought from the meter ahead of it; where the
//! signals part, at that very frame, it gets a copy of the filters' state. They share again after a
//! slot of 10 ms in which the signals were alike, once the state of their filters is the same to
//! the last bit: after a stop, or a third of a second of silence. Until then rounding keeps two
//! filters apart that have ever heard different things. Either way every reading is what a meter by
//! itself would tell, to the last bit.

use super::{Balance, Meter, Readings, STEPS_PER_SLOT, Step, frames_in};
use std::ops::Range;

/// Meters of one sample rate for signals of one or two channels, in step from the start.
#[derive(Debug)]
pub struct MeterGroup {
    meters: Vec<Meter>,
    /// Of each meter, how it stands to the one ahead of it. The first has none ahead.
    ties: Vec<Tie>,
}

/// How a meter stands to the one ahead.
#[derive(Clone, Copy, Debug)]
struct Tie {
    /// The signals are the same, and so was all that the filters remember.
    duplicate: bool,
    /// Peaks and clipped runs, which remember the session, are the same as well.
    levels: bool,
    /// The signals have been the same since the current slot began.
    alike: bool,
}

impl MeterGroup {
    /// A group of meters that have measured nothing, of one sample rate and as many channels, at
    /// most two. Allocates.
    pub fn new(meters: Vec<Meter>) -> Self {
        let tie = |index| Tie {
            duplicate: index > 0,
            levels: index > 0,
            alike: index > 0,
        };
        Self {
            ties: (0..meters.len()).map(tie).collect(),
            meters,
        }
    }

    /// Takes one slice a channel of each signal, all of one length and at most what the meters were
    /// made for. With fewer signals than meters the last ones stand still, always the same ones.
    ///
    /// # Realtime
    /// Yes.
    pub fn process(&mut self, signals: &[&[&[f32]]]) {
        let used = signals.len().min(self.meters.len());
        let room = self
            .meters
            .first()
            .map_or(0, |meter| meter.cleaned[0].len());
        let lengths = signals
            .iter()
            .flat_map(|signal| signal.iter().map(|channel| channel.len()));
        let frames = lengths.min().unwrap_or(0).min(room);
        let mut start = 0;
        while start < frames {
            let most = (frames - start).min(self.remaining());
            let length = self.part_or_shorten(&signals[..used], start, most);
            for (index, signal) in signals.iter().enumerate().take(used) {
                self.run(index, signal, start, length);
            }
            start += length;
            self.advance(used, length);
        }
    }

    /// Frames until what is told may change.
    ///
    /// # Realtime
    /// Yes.
    pub fn remaining(&self) -> usize {
        let first = self.meters.first();
        first.map_or(usize::MAX, |meter| meter.grid.remaining())
    }

    /// Forgets the signals, which break off here: what comes next follows on silence. What has been
    /// measured stays.
    ///
    /// # Realtime
    /// Yes.
    pub fn cut(&mut self) {
        for meter in &mut self.meters {
            meter.cut();
        }
    }

    /// Forgets everything measured so far, of signals that go on.
    ///
    /// # Realtime
    /// Yes.
    pub fn restart(&mut self) {
        for (index, (meter, tie)) in self.meters.iter_mut().zip(&mut self.ties).enumerate() {
            meter.restart();
            tie.levels = tie.duplicate;
            tie.alike = index > 0;
        }
    }

    /// The meters as something for a group like this one to exchange with. Allocates.
    pub fn into_spares(self) -> impl Iterator<Item = Box<Meter>> {
        self.meters.into_iter().map(Box::new)
    }

    /// Keeps meters made as these were to exchange with, one each; see [`Meter::keep_spare`].
    ///
    /// # Realtime
    /// Yes, the first time.
    pub fn keep_spares(&mut self, spares: impl IntoIterator<Item = Box<Meter>>) {
        for (meter, spare) in self.meters.iter_mut().zip(spares) {
            meter.keep_spare(spare);
        }
    }

    /// Exchanges what has been measured so far with what the spares have measured, as
    /// [`Meter::exchange`] does.
    ///
    /// # Realtime
    /// Yes.
    pub fn exchange(&mut self) {
        // Other histories, and in the midst of another slot: none of what is shared is the same.
        self.part_all();
        for meter in &mut self.meters {
            meter.exchange();
        }
    }

    fn part_all(&mut self) {
        for index in 1..self.meters.len() {
            if self.ties[index].duplicate {
                self.part(index);
            }
            self.ties[index].alike = false;
        }
    }

    /// Ends a stretch of audio, as [`Meter::finish`] does.
    pub fn finish(&mut self) {
        self.part_all();
        for meter in &mut self.meters {
            meter.finish();
        }
    }

    /// What the meter of a signal tells; see [`Meter::readings`].
    ///
    /// # Realtime
    /// Yes: a copy.
    pub fn readings(&self, index: usize) -> Readings {
        let meter = self.meters.get(index);
        meter.map_or_else(Readings::default, Meter::readings)
    }

    /// See [`Meter::balance`].
    ///
    /// # Realtime
    /// Yes.
    pub fn balance(&self, index: usize) -> Balance {
        let meter = self.meters.get(index);
        meter.map_or_else(Balance::default, Meter::balance)
    }

    /// See [`Meter::take_true_peak_dbtp`].
    ///
    /// # Realtime
    /// Yes.
    pub fn take_true_peak_dbtp(&mut self, index: usize) -> Option<f64> {
        self.meters.get_mut(index)?.take_true_peak_dbtp()
    }

    /// See [`Meter::take_weighted_energy`].
    ///
    /// # Realtime
    /// Yes.
    pub fn take_weighted_energy(&mut self, index: usize) -> f64 {
        let meter = self.meters.get_mut(index);
        meter.map_or(0.0, Meter::take_weighted_energy)
    }

    /// Parts what ceases to be a duplicate at `start`, and returns over how many frames, at most
    /// `most`, the rest stay duplicates.
    fn part_or_shorten(&mut self, signals: &[&[&[f32]]], start: usize, most: usize) -> usize {
        let mut length = most;
        for (index, pair) in signals.windows(2).enumerate() {
            let Tie {
                duplicate, alike, ..
            } = self.ties[index + 1];
            if !duplicate && !alike {
                continue;
            }
            let same = frames_alike(pair[0], pair[1], start..start + length);
            if same == length {
                continue;
            }
            if !duplicate {
                self.ties[index + 1].alike = false;
            } else if same == 0 {
                self.part(index + 1);
            } else {
                length = same;
            }
        }
        length
    }

    /// Measures frames that lie within one step of the grid.
    fn run(&mut self, index: usize, signal: &[&[f32]], start: usize, length: usize) {
        let owner = self.owner(index);
        let (ahead, rest) = self.meters.split_at_mut(index);
        let (Some(meter), ahead) = (rest.first_mut(), ahead.get(owner)) else {
            return;
        };
        match ahead {
            None => meter.run(signal, start, length),
            Some(ahead) => meter.follow(ahead, length, !self.ties[index].levels),
        }
    }

    /// Counts frames, and enters the step that they may complete.
    fn advance(&mut self, used: usize, length: usize) {
        let mut step = Step::default();
        let mut slot_ends = false;
        for index in 0..used {
            let (ahead, rest) = self.meters.split_at_mut(index);
            let (Some(meter), tie) = (rest.first_mut(), self.ties[index]) else {
                return;
            };
            if !meter.grid.advance(length) {
                continue;
            }
            slot_ends = meter.grid.steps().is_multiple_of(STEPS_PER_SLOT);
            if !tie.duplicate {
                step = meter.close();
            }
            if tie.levels
                && let Some(ahead) = ahead.last()
            {
                meter.copy_levels(ahead);
            }
            meter.step(&step);
        }
        if slot_ends {
            self.merge(used);
        }
    }

    /// The meter whose filters work for this one.
    fn owner(&self, index: usize) -> usize {
        let ahead = self.ties.iter().take(index + 1);
        ahead.clone().rposition(|tie| !tie.duplicate).unwrap_or(0)
    }

    /// Gives a duplicate the state that it has had in common with the one ahead.
    fn part(&mut self, index: usize) {
        let owner = self.owner(index);
        // Between two steps the levels of those ahead are as stale, where they are shared.
        let ahead = self.ties.iter().take(index + 1);
        let of_levels = ahead.clone().rposition(|tie| !tie.levels).unwrap_or(0);
        self.ties[index] = Tie {
            duplicate: false,
            levels: false,
            alike: false,
        };
        let (ahead, rest) = self.meters.split_at_mut(index);
        let Some(meter) = rest.first_mut() else {
            return;
        };
        if let Some(owner) = ahead.get(owner) {
            meter.copy_filters(owner);
        }
        if let Some(ahead) = ahead.get(of_levels) {
            meter.copy_levels(ahead);
        }
    }

    /// At the end of a slot, lets go of filters that do what those ahead do.
    fn merge(&mut self, used: usize) {
        for index in 1..used {
            let owner = self.owner(index - 1);
            let (meter, ahead) = (&self.meters[index], &self.meters[index - 1]);
            let tie = &mut self.ties[index];
            if !tie.duplicate && tie.alike && meter.filters_as(&self.meters[owner]) {
                tie.duplicate = true;
                tie.levels = meter.levels_as(ahead);
            }
            tie.alike = true;
        }
    }
}

impl Meter {
    /// Takes what the meter ahead has taken of the same samples just now: only what it must do for
    /// itself.
    fn follow(&mut self, ahead: &Self, length: usize, levels: bool) {
        let channels = self.channels.len();
        let cleaned = [0, 1].map(|channel| {
            if channel < channels {
                &ahead.cleaned[channel][..length]
            } else {
                &self.silence[..length]
            }
        });
        if levels {
            let first_frame = self.grid.frames();
            for (channel, cleaned) in self.channels.iter_mut().zip(cleaned) {
                channel.levels.process(cleaned, first_frame);
            }
        }
        let (loudness, grid) = (&self.loudness, &self.grid);
        if let Some(balance) = &mut self.balance {
            balance.process(0, cleaned, |slots| {
                loudness.lufs_of_last(slots, frames_in(grid, slots))
            });
        }
    }

    /// Takes over what another meter's filters remember, and what the slot has brought so far.
    fn copy_filters(&mut self, other: &Self) {
        for (pair, other) in self.pairs.iter_mut().zip(&other.pairs) {
            pair.filter.copy_state(&other.filter);
            pair.sums = other.sums;
        }
        for (channel, other) in self.channels.iter_mut().zip(&other.channels) {
            channel.true_peak.copy_state(&other.true_peak);
        }
        self.slot.peaks = other.slot.peaks;
    }

    /// Whether the filters remember the same, to the last bit.
    fn filters_as(&self, other: &Self) -> bool {
        let mut pairs = self.pairs.iter().zip(&other.pairs);
        let mut channels = self.channels.iter().zip(&other.channels);
        pairs.all(|(pair, other)| pair.filter.is_as(&other.filter))
            && channels.all(|(channel, other)| channel.true_peak.is_as(&other.true_peak))
    }

    fn copy_levels(&mut self, other: &Self) {
        for (channel, other) in self.channels.iter_mut().zip(&other.channels) {
            channel.levels = other.levels;
        }
    }

    fn levels_as(&self, other: &Self) -> bool {
        let mut channels = self.channels.iter().zip(&other.channels);
        channels.all(|(channel, other)| channel.levels == other.levels)
    }
}

/// How many frames of a range two signals have in common before the first that differs.
fn frames_alike(one: &[&[f32]], other: &[&[f32]], range: Range<usize>) -> usize {
    let channels = one.iter().zip(other).map(|(one, other)| {
        let [one, other] =
            [one, other].map(|channel| channel.get(range.clone()).unwrap_or_default());
        // Without a way out in between: a few hundred samples are compared in no time.
        let differ = |(one, other): (&f32, &f32)| one.to_bits() ^ other.to_bits();
        let bits = one
            .iter()
            .zip(other)
            .map(differ)
            .fold(0, |all, bits| all | bits);
        if bits == 0 {
            return one.len().min(other.len());
        }
        let pairs = one.iter().zip(other);
        pairs.take_while(|pair| differ(*pair) == 0).count()
    });
    channels.min().unwrap_or(range.len())
}

#[cfg(test)]
mod tests {
    use super::super::super::readings::ChannelRole;
    use super::*;

    /// Noise with a slow swell in one channel, the same with another sign in the other.
    fn signal(frames: Range<usize>, seed: u32) -> Vec<f32> {
        let sample = |frame: usize| {
            let mixed = (frame as u32 ^ seed).wrapping_mul(2_654_435_761);
            let noise = (mixed ^ (mixed >> 15)).wrapping_mul(2_246_822_519) >> 8;
            (noise as f32 / 8_388_608.0 - 1.0) * (0.3 + 0.2 * (frame as f32 * 1e-4).sin())
        };
        frames.map(sample).collect()
    }

    /// In silence filters forget what they were told apart by: readings may differ for good, but
    /// the filters work for both again.
    #[test]
    fn filters_are_shared_again_after_silence() {
        for rate_hz in [8_000.0, 48_000.0, 384_000.0] {
            let meter = || Meter::new(rate_hz, &[ChannelRole::Front; 2], 256);
            let mut group = MeterGroup::new(vec![meter(), meter()]);
            let silence = |group: &mut MeterGroup| {
                group.process(&[&[&[0.0; 256], &[0.0; 256]], &[&[0.0; 256], &[0.0; 256]]]);
            };
            let play = |group: &mut MeterGroup, from: usize, apart: bool| {
                let frames = from..from + 256;
                let one = signal(frames.clone(), 1);
                let other = signal(frames, if apart { 2 } else { 1 });
                group.process(&[&[&one, &one], &[&other, &one]]);
            };
            #[expect(clippy::cast_sign_loss, reason = "a rate is positive")]
            let second = rate_hz as usize;
            let mut frame = 0;
            while frame < second / 2 {
                play(&mut group, frame, false);
                frame += 256;
            }
            assert!(group.ties[1].duplicate && group.ties[1].levels);
            for _ in 0..5 {
                let parted = frame;
                while frame < parted + second / 4 {
                    play(&mut group, frame, true);
                    frame += 256;
                }
                assert!(!group.ties[1].duplicate);
                let met = frame;
                while !group.ties[1].duplicate && frame < met + 2 * second {
                    silence(&mut group);
                    frame += 256;
                }
                let after_s = (frame - met) as f64 / rate_hz;
                println!("{rate_hz} Hz: shared again after {after_s:.3} s");
                assert!(after_s < 0.6, "{rate_hz} Hz: {after_s} s");
            }
        }
    }
}
