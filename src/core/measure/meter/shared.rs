//! What a meter takes from another that has measured the same samples.

use super::{Meter, frames_in};

impl Meter {
    /// Takes what the meter ahead has taken of the same samples just now: only what it must do for
    /// itself.
    pub(super) fn follow(&mut self, ahead: &Self, length: usize, levels: bool, analysed: bool) {
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
        if analysed && let Some(balance) = &mut self.balance {
            balance.process(0, cleaned, |slots| {
                loudness.lufs_of_last(slots, frames_in(grid, slots))
            });
        }
    }

    /// Takes the spectra that the meter ahead has made of the same samples just now.
    pub(super) fn follow_balance(&mut self, ahead: &Self, length: usize) {
        let (loudness, grid) = (&self.loudness, &self.grid);
        if let (Some(balance), Some(ahead)) = (&mut self.balance, &ahead.balance) {
            balance.follow(ahead, length, |slots| {
                loudness.lufs_of_last(slots, frames_in(grid, slots))
            });
        }
    }

    /// Takes over what another meter's filters remember, and what the slot has brought so far.
    pub(super) fn copy_filters(&mut self, other: &Self) {
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
    pub(super) fn filters_as(&self, other: &Self) -> bool {
        let mut pairs = self.pairs.iter().zip(&other.pairs);
        let mut channels = self.channels.iter().zip(&other.channels);
        pairs.all(|(pair, other)| pair.filter.is_as(&other.filter))
            && channels.all(|(channel, other)| channel.true_peak.is_as(&other.true_peak))
    }

    pub(super) fn copy_levels(&mut self, other: &Self) {
        for (channel, other) in self.channels.iter_mut().zip(&other.channels) {
            channel.levels = other.levels;
        }
    }

    pub(super) fn levels_as(&self, other: &Self) -> bool {
        let mut channels = self.channels.iter().zip(&other.channels);
        channels.all(|(channel, other)| channel.levels == other.levels)
    }
}
