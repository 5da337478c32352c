//! One measuring point of the engine.

use super::restart::Spare;
use super::{CHUNK, EngineSpec};
use crate::handover::Point;
use crate::measure::{ChannelRole, Meter};

/// The balance is copied into the snapshot ten times a second.
const BALANCES_PER_SECOND: f64 = 10.0;

/// A meter and the balance last taken from it.
#[derive(Debug)]
pub(super) struct MeasuredPoint {
    pub meter: Meter,
    balance_every: u64,
    balance_due: u64,
    pub point: Point,
    /// What was set aside: when its balance is due, and what it had told.
    aside: (u64, Point),
}

impl MeasuredPoint {
    /// Without a stagger no balance is measured.
    pub fn new(spec: EngineSpec, stagger: Option<f64>) -> Self {
        let roles = [ChannelRole::Front; 2];
        let every = spec.sample_rate_hz / BALANCES_PER_SECOND;
        #[expect(
            clippy::cast_sign_loss,
            reason = "a sample rate is positive, a stagger not negative"
        )]
        let [balance_every, balance_due] =
            [every as u64, (every * stagger.unwrap_or_default()) as u64];
        let meter = Meter::new(spec.sample_rate_hz, &roles[..spec.channels], CHUNK);
        Self {
            meter: match stagger {
                Some(stagger) => meter.with_balance(stagger),
                None => meter,
            },
            balance_every,
            // Each point takes its balance at another time, so that no block has to compute all of
            // them.
            balance_due,
            point: Point::default(),
            aside: (0, Point::default()),
        }
    }

    /// The same as something for another point like it to exchange with. Allocates.
    pub fn into_spare(self) -> Spare {
        (Box::new(self.meter), self.balance_due)
    }

    /// Keeps what another point like this one has become.
    pub fn keep_spare(&mut self, (meter, balance_due): Spare) {
        self.aside = (balance_due, Point::default());
        self.meter.keep_spare(meter);
    }

    /// Exchanges what has been measured with what was set aside.
    pub fn exchange(&mut self) {
        self.meter.exchange();
        let (balance_due, point) = (self.balance_due, self.point);
        (self.balance_due, self.point) = self.aside;
        self.aside = (balance_due, point);
    }

    pub fn restart(&mut self) {
        self.meter.restart();
        self.point = Point::default();
        self.balance_due %= self.balance_every.max(1);
    }

    pub fn process(&mut self, channels: &[&[f32]]) {
        self.meter.process(channels);
        self.point.readings = self.meter.readings();
    }

    /// Ends a stretch of audio.
    pub fn finish(&mut self) {
        self.meter.finish();
        self.point.readings = self.meter.readings();
    }

    /// Takes the balance where it is due. Called at the end of a chunk, so that it does not depend
    /// on the host's blocks.
    pub fn take_balance(&mut self) {
        if self.point.readings.frames >= self.balance_due {
            self.balance_due += self.balance_every;
            self.point.balance = self.meter.balance();
        }
    }
}
