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

/// What is told of in turn comes out evenly spread by it, however many turns there are.
const GOLDEN_SHARE: f64 = 0.618_033_988_749_895;
/// Hops of fast spectra in one of the slow ones.
const SLOW_HOPS: f64 = 8.0;

/// Meters of three signals in step, and the last readings of each.
#[derive(Debug)]
pub(super) struct Points {
    turn: Option<u32>,
    meters: MeterGroup,
    told: [Point; POINTS],
    balance_every: u64,
    /// Each point takes its balance at another time, so that no block has to compute all of them.
    balance_due: [u64; POINTS],
    /// What was set aside: when its balances are due, and its last readings.
    aside: ([u64; POINTS], [Point; POINTS]),
}

/// By how many of their hops the fast spectra of output, clean path and input fall due earlier, and
/// the slow ones. The output's half a hop after the input's; slow ones between two fast ones; those
/// of other turns spread as evenly as can be, however many turns there are.
fn staggers(turn: u32) -> [[f64; 2]; POINTS] {
    let turn = f64::from(turn);
    let fast_hops = (turn * GOLDEN_SHARE).fract() + turn % SLOW_HOPS;
    [0.5 + SLOW_HOPS / 2.0, 0.0, 0.0].map(|of_point| {
        let fast_hops = fast_hops + of_point;
        [fast_hops, (fast_hops + 0.25) / SLOW_HOPS]
    })
}

impl Points {
    /// Of each `turn` the balances are measured at other moments; without one none are. Allocates.
    pub fn new(spec: EngineSpec, turn: Option<u32>) -> Self {
        let roles = &[ChannelRole::Front; 2][..spec.channels];
        // The clean path has none: it is the output's but for what saturation adds.
        let staggers = turn.map(staggers);
        let meter = |point: usize| {
            let meter = Meter::new(spec.sample_rate_hz, roles, CHUNK);
            match staggers {
                Some(staggers) if point != CLEAN => meter.with_balance(staggers[point]),
                _ => meter,
            }
        };
        let every = spec.sample_rate_hz / BALANCES_PER_SECOND;
        #[expect(
            clippy::cast_sign_loss,
            reason = "a sample rate is positive, a stagger not negative"
        )]
        let frames = |share: f64| (every * share) as u64;
        Self {
            turn,
            meters: MeterGroup::new([0, 1, 2].map(meter).into()),
            told: [Point::default(); POINTS],
            balance_every: frames(1.0),
            balance_due: staggers
                .map(|of| of.map(|[hops, _]| frames(hops.fract())))
                .unwrap_or_default(),
            aside: ([0; POINTS], [Point::default(); POINTS]),
        }
    }

    /// Which turn is theirs.
    pub fn turn(&self) -> Option<u32> {
        self.turn
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

#[cfg(test)]
mod tests {
    use super::*;

    const BLOCK: usize = 64;
    const BLOCKS: usize = 2 * 48_000 / BLOCK;

    /// In which of the blocks spectra of output or input fall due, as each changes the balance.
    fn spectra(turn: u32) -> Vec<u32> {
        let spec = EngineSpec {
            sample_rate_hz: 48_000.0,
            channels: 2,
        };
        let mut points = Points::new(spec, Some(turn));
        let mut random = 1_u32;
        let mut noise = || {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (random >> 8) as f32 / 16_777_216.0 - 0.5
        };
        let mut told = [OUTPUT, INPUT].map(|index| points.meters.balance(index).long_term_db);
        let mut due = Vec::new();
        for _ in 0..BLOCKS {
            // Three signals, so that none is spared its spectra.
            let signals: [[Vec<f32>; 2]; POINTS] = std::array::from_fn(|_| {
                std::array::from_fn(|_| (0..BLOCK).map(|_| noise()).collect())
            });
            let slices = signals
                .each_ref()
                .map(|of| of.each_ref().map(Vec::as_slice));
            points.process(&slices.each_ref().map(<[&[f32]; 2]>::as_slice));
            let mut count = 0;
            for (told, index) in told.iter_mut().zip([OUTPUT, INPUT]) {
                let now = points.meters.balance(index).long_term_db;
                // Slow spectra tell of the low bands, fast ones of the high ones.
                let [low, high] = [5, 25].map(|band| now[band] != told[band]);
                count += u32::from(low) + u32::from(high);
                *told = now;
            }
            due.push(count);
        }
        due
    }

    #[test]
    fn spectra_take_turns_within_an_engine_and_among_twelve() {
        let mut all = vec![0; BLOCKS];
        for turn in 0..12 {
            let due = spectra(turn);
            assert!(due.iter().sum::<u32>() > 80, "turn {turn}: {due:?}");
            assert!(due.iter().all(|count| *count <= 1), "turn {turn}: {due:?}");
            for (all, due) in all.iter_mut().zip(due) {
                *all += due;
            }
        }
        let most = all.iter().max();
        println!("spectra of twelve engines: at most {most:?} in a block");
        // 0.8 on average.
        assert!(most <= Some(&2), "{most:?}");
    }
}
