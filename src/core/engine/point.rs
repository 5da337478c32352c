//! The measuring points of the engine.

use super::restart::Spares;
use super::{CHUNK, EngineSpec};
use crate::handover::Point;
use crate::measure::{ChannelRole, Meter, MeterGroup};

/// The balance is copied into the snapshot ten times a second.
const BALANCES_PER_SECOND: f64 = 10.0;

/// The points, so that each follows the one that it is most often the same as: the clean path is
/// the output while nothing saturates, the input while nothing is done at all.
pub(super) const OUTPUT: usize = 0;
pub(super) const CLEAN: usize = 1;
pub(super) const INPUT: usize = 2;
pub(super) const POINTS: usize = 3;

/// Meters of three signals in step, and the last readings of each.
#[derive(Debug)]
pub(super) struct Points {
    meters: MeterGroup,
    told: [Point; POINTS],
    balance_every: u64,
    /// Each point takes its balance at another time, so that no block has to compute all of them.
    balance_due: [u64; POINTS],
    /// What was set aside: when its balances are due, and its last readings.
    aside: ([u64; POINTS], [Point; POINTS]),
}

impl Points {
    /// Without `balances` none is measured. Allocates.
    pub fn new(spec: EngineSpec, balances: bool) -> Self {
        let roles = &[ChannelRole::Front; 2][..spec.channels];
        // The clean path has none: it is the output's but for what saturation adds.
        let staggers = [0.5, 0.0, 0.0];
        let meter = |point: usize| {
            let meter = Meter::new(spec.sample_rate_hz, roles, CHUNK);
            if balances && point != CLEAN {
                meter.with_balance(staggers[point])
            } else {
                meter
            }
        };
        let every = spec.sample_rate_hz / BALANCES_PER_SECOND;
        #[expect(
            clippy::cast_sign_loss,
            reason = "a sample rate is positive, a stagger not negative"
        )]
        let frames = |share: f64| (every * share) as u64;
        Self {
            meters: MeterGroup::new([0, 1, 2].map(meter).into()),
            told: [Point::default(); POINTS],
            balance_every: frames(1.0),
            balance_due: staggers.map(|stagger| frames(if balances { stagger } else { 0.0 })),
            aside: ([0; POINTS], [Point::default(); POINTS]),
        }
    }

    /// Turns these points into spares that others like them can exchange with. Allocates.
    pub fn into_spares(self) -> Spares {
        let mut meters = self.meters.into_spares();
        (std::array::from_fn(|_| meters.next()), self.balance_due)
    }

    /// Takes the spares made of other points like these.
    pub fn keep_spares(&mut self, (meters, balance_due): Spares) {
        self.aside = (balance_due, [Point::default(); POINTS]);
        self.meters.keep_spares(meters.into_iter().flatten());
    }

    /// Exchanges what has been measured with what was set aside.
    pub fn exchange(&mut self) {
        self.meters.exchange();
        let in_use = (self.balance_due, self.told);
        (self.balance_due, self.told) = self.aside;
        self.aside = in_use;
    }

    /// Forgets the signals; what has been measured stays.
    pub fn cut(&mut self) {
        self.meters.cut();
    }

    pub fn restart(&mut self) {
        self.meters.restart();
        self.told = [Point::default(); POINTS];
        for due in &mut self.balance_due {
            *due %= self.balance_every.max(1);
        }
    }

    /// Takes one slice a channel of each signal, or of the first ones alone.
    pub fn process(&mut self, signals: &[&[&[f32]]]) {
        self.meters.process(signals);
        self.tell();
    }

    /// Ends a stretch of audio.
    pub fn finish(&mut self) {
        self.meters.finish();
        self.tell();
    }

    fn tell(&mut self) {
        for (index, told) in self.told.iter_mut().enumerate() {
            told.readings = self.meters.readings(index);
        }
    }

    /// Frames until a reading may change.
    pub fn remaining(&self) -> usize {
        self.meters.remaining()
    }

    /// The last readings.
    pub fn told(&self, index: usize) -> &Point {
        &self.told[index]
    }

    /// Takes the balances that are due. Called at the end of a chunk, so that it does not depend on
    /// the host's blocks.
    pub fn take_balances(&mut self) {
        for (index, (told, due)) in self.told.iter_mut().zip(&mut self.balance_due).enumerate() {
            if told.readings.frames >= *due {
                *due += self.balance_every;
                told.balance = self.meters.balance(index);
            }
        }
    }

    /// Energies since they were last taken.
    pub fn take_weighted_energies(&mut self) -> [f64; POINTS] {
        [OUTPUT, CLEAN, INPUT].map(|index| self.meters.take_weighted_energy(index))
    }

    /// Highest true peak of the output since it was last taken, dBTP.
    pub fn take_output_peak_dbtp(&mut self) -> Option<f64> {
        self.meters.take_true_peak_dbtp(OUTPUT)
    }

    /// The same of the clean path.
    pub fn take_clean_peak_dbtp(&mut self) -> Option<f64> {
        self.meters.take_true_peak_dbtp(CLEAN)
    }
}
