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
//!
//! Spectra are shared as well, once the signals have been the same for longer than one reaches
//! back. A meter of its own would have begun them at another moment: its balance, as exact, may
//! differ in the last digits.

use super::{Balance, BalanceMeter, Meter, Readings, STEPS_PER_SLOT, Step};
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
    /// The spectra are the same, since the signals have been for longer than a spectrum reaches
    /// back.
    balance: bool,
    /// The signals have been the same since the current slot began, and in so many slots before it.
    alike: bool,
    alike_slots: usize,
}

impl MeterGroup {
    /// A group of meters that have measured nothing, of one sample rate and as many channels, at
    /// most two. Allocates.
    pub fn new(meters: Vec<Meter>) -> Self {
        let tie = |index| Tie {
            duplicate: index > 0,
            levels: index > 0,
            balance: index > 0,
            alike: index > 0,
            alike_slots: 0,
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
            self.part(index);
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
            let tie = &mut self.ties[index + 1];
            let shared = tie.duplicate || tie.balance;
            if !shared && !tie.alike {
                continue;
            }
            let same = frames_alike(pair[0], pair[1], start..start + length);
            if same == length {
                continue;
            }
            if shared && same > 0 {
                length = same;
            } else {
                self.part(index + 1);
            }
        }
        length
    }

    /// Measures frames that lie within one step of the grid.
    fn run(&mut self, index: usize, signal: &[&[f32]], start: usize, length: usize) {
        let owner = self.owner(index);
        let analyst = self.analyst(index);
        let (ahead, rest) = self.meters.split_at_mut(index);
        let Some(meter) = rest.first_mut() else {
            return;
        };
        match ahead.get(owner) {
            None => meter.run(signal, start, length, analyst == index),
            Some(ahead) => {
                let tie = &self.ties[index];
                meter.follow(ahead, length, !tie.levels, analyst == index);
            }
        }
        if let Some(ahead) = ahead.get(analyst) {
            meter.follow_balance(ahead, length);
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
        self.first_of(index, |tie| tie.duplicate)
    }

    /// The meter whose spectra count for this one: itself where the first of those that share has
    /// none.
    fn analyst(&self, index: usize) -> usize {
        let first = self.first_of(index, |tie| tie.balance);
        let measures = |meter: &Meter| meter.balance.is_some();
        if self.meters.get(first).is_some_and(measures) {
            first
        } else {
            index
        }
    }

    /// The last meter up to this one that does not share with the one ahead.
    fn first_of(&self, index: usize, shares: impl Fn(&Tie) -> bool) -> usize {
        let mut ties = self.ties.iter().take(index + 1);
        ties.rposition(|tie| !shares(tie)).unwrap_or(0)
    }

    /// Gives a meter what it has had in common with the one ahead.
    fn part(&mut self, index: usize) {
        let tie = self.ties[index];
        let (owner, analyst) = (self.owner(index), self.analyst(index));
        // Between two steps the levels of those ahead are as stale, where they are shared.
        let of_levels = self.first_of(index, |tie| tie.levels);
        self.ties[index] = Tie {
            duplicate: false,
            levels: false,
            balance: false,
            alike: false,
            alike_slots: 0,
        };
        let (ahead, rest) = self.meters.split_at_mut(index);
        let Some(meter) = rest.first_mut() else {
            return;
        };
        if tie.duplicate {
            if let Some(owner) = ahead.get(owner) {
                meter.copy_filters(owner);
            }
            if let Some(ahead) = ahead.get(of_levels) {
                meter.copy_levels(ahead);
            }
        }
        self.part_balance(index, analyst);
    }

    /// Gives the spectra of `analyst` a meter of its own, from `index` on the first that has one
    /// and shared them.
    fn part_balance(&mut self, index: usize, analyst: usize) {
        let (ahead, rest) = self.meters.split_at_mut(index);
        let Some(Some(analyst)) = ahead.get(analyst).map(|meter| &meter.balance) else {
            return;
        };
        let shared = self
            .ties
            .iter()
            .skip(index + 1)
            .take_while(|tie| tie.balance);
        let mut sharing = rest.iter_mut().take(1 + shared.count());
        if let Some(balance) = sharing.find_map(|meter| meter.balance.as_mut()) {
            balance.part_from(analyst);
        }
    }

    /// At the end of a slot, lets go of filters that do what those ahead do.
    fn merge(&mut self, used: usize) {
        let mut balances = self.meters.iter().flat_map(|meter| &meter.balance);
        let memory_slots = balances.next().map_or(0, BalanceMeter::memory_slots);
        for index in 1..used {
            let owner = self.owner(index - 1);
            let (meter, ahead) = (&self.meters[index], &self.meters[index - 1]);
            let tie = &mut self.ties[index];
            tie.alike_slots = if tie.alike { tie.alike_slots + 1 } else { 0 };
            tie.balance |= tie.alike_slots >= memory_slots;
            if !tie.duplicate && tie.alike && meter.filters_as(&self.meters[owner]) {
                tie.duplicate = true;
                tie.levels = meter.levels_as(ahead);
            }
            tie.alike = true;
        }
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
    use super::super::super::balance::mid_band_hz;
    use super::super::super::readings::ChannelRole;
    use super::*;
    use crate::dsp::decibel::power_from_db;

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

    /// Tones in the middle of some bands, in two strengths: their power, `a²/2` a channel, is known.
    fn tones(frames: Range<usize>, db: [f32; 2]) -> Vec<f32> {
        let of = |frame: usize| {
            let tones = (4..28).step_by(3).map(|band: usize| {
                let angle = std::f64::consts::TAU * mid_band_hz(band) / 48_000.0;
                let amplitude = 10.0_f64.powf(f64::from(db[band % 2]) / 20.0);
                amplitude * (angle * frame as f64).sin()
            });
            tones.sum::<f64>() as f32
        };
        frames.map(of).collect()
    }

    /// Shared spectra count for all; where the signals part, each goes on with what they had in
    /// common, and shares again once that is forgotten. The one in between has no balance.
    #[test]
    fn balances_are_shared_while_signals_are_alike() {
        const SOFT: [f32; 2] = [-40.0, -34.0];
        const LOUD: [f32; 2] = [-34.0, -40.0];
        let meter = || Meter::new(48_000.0, &[ChannelRole::Front; 2], 256);
        let mut told = Vec::new();
        for block in [256, 97] {
            let mut group = MeterGroup::new(vec![
                meter().with_balance([0.5; 2]),
                meter(),
                meter().with_balance([0.0; 2]),
            ]);
            let mut frame = 0;
            let mut play = |group: &mut MeterGroup, seconds: usize, last: [f32; 2]| {
                let end = frame + 48_000 * seconds;
                while frame < end {
                    let frames = frame..end.min(frame + block);
                    let (one, other) = (tones(frames.clone(), SOFT), tones(frames.clone(), last));
                    group.process(&[&[&one, &one], &[&one, &one], &[&other, &other]]);
                    frame = frames.end;
                }
            };
            // Alike, apart, alike again.
            play(&mut group, 5, SOFT);
            let together = group.balance(2);
            assert!(group.ties[2].balance && group.analyst(2) == 0);
            play(&mut group, 12, LOUD);
            assert!(!group.ties[2].balance && group.analyst(2) == 2);
            let apart = group.balance(2);
            play(&mut group, 4, SOFT);
            assert!(group.ties[2].balance && group.analyst(2) == 0);
            play(&mut group, 10, SOFT);
            let again = [0, 2].map(|index| group.balance(index));
            assert_eq!(group.balance(1), Balance::default());
            // Of two channels of half the square of the amplitude, for so many of all seconds.
            let loud_shares = [0.0, 12.0 / 17.0, 0.0, 12.0 / 31.0];
            let balances = [together, apart, again[0], again[1]];
            for (balance, share) in balances.iter().zip(loud_shares) {
                for band in (4..28).step_by(3) {
                    let [soft, loud] = [SOFT, LOUD].map(|db| power_from_db(db[band % 2].into()));
                    let expected = 10.0 * (soft + share * (loud - soft)).log10();
                    let read = f64::from(balance.long_term_db[band].unwrap());
                    assert!((read - expected).abs() < 0.2, "{band}: {read} {expected}");
                }
            }
            told.push((together, apart, again));
        }
        assert_eq!(told[0], told[1], "wherever blocks end");
    }
}
