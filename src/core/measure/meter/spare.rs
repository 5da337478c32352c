//! Setting aside what has been measured, so that it can be taken up again.

use super::Meter;
use std::mem::swap;

impl Meter {
    /// Keeps `spare`, a meter made as this one was, to exchange with.
    ///
    /// # Realtime
    /// Yes, the first time.
    pub fn keep_spare(&mut self, spare: Box<Self>) {
        self.spare = Some(spare);
    }

    /// Exchanges what has been measured so far with what the spare has measured; the signal goes on
    /// in whichever is in use. Nothing happens without a spare.
    ///
    /// # Realtime
    /// Yes.
    pub fn exchange(&mut self) {
        let Some(mut spare) = self.spare.take() else {
            return;
        };
        for (pair, other) in self.pairs.iter_mut().zip(&mut spare.pairs) {
            swap(&mut pair.filter, &mut other.filter);
        }
        for (channel, other) in self.channels.iter_mut().zip(&mut spare.channels) {
            swap(&mut channel.true_peak, &mut other.true_peak);
        }
        if let (Some(balance), Some(other)) = (&mut self.balance, &mut spare.balance) {
            balance.exchange_signals(other);
        }
        swap(self, &mut *spare);
        self.spare = Some(spare);
    }
}
