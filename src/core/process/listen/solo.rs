//! Some of four bands of what is heard, alone.
//!
//! It stands behind everything that is measured: what is listened to changes no reading.

use wide::f64x2;

use super::level::{Aim, Level};
use super::{JUMP_DB, MOST_JUMP_DB, QUANTUM_FRAMES};
use crate::dsp::crossover::{BandLanes, Crossover, low_to_high};
use crate::dsp::quad::Quad;
use crate::dsp::ramp::{Ramp, SWITCH_MS, smooth};
use crate::dsp::run::{MAX_RUN, for_each_run};

/// Time constant of the mean products by which a jump is told, ms.
const PRODUCTS_MS: f64 = 300.0;
/// Until a split that begins amid a signal has come to rest: what it does with the step counts for
/// little beside what follows.
const SETTLING_MS: f64 = 50.0;
/// Time constant in which a band that was held within full scale comes back, ms.
const HELD_MS: f64 = 1_000.0;
/// Energy of a frame from which on something is heard of the whole: −90 dBFS.
const HEARD: f64 = 1e-9;

/// How much is heard of the whole, and of each band in its place, low to high.
type Mix = [f64; 5];

const WHOLE: Mix = [1.0, 0.0, 0.0, 0.0, 0.0];

/// Lets only some bands of a signal be heard: those of a Linkwitz-Riley split.
///
/// Changes are faded over 20 ms; what becomes louder by more than 3 dB with one comes in at the
/// level of what was heard and rises over a second. A band can peak higher than the whole that it
/// is a part of (the fundamental of a square wave by 2.1 dB): it is held within full scale. With
/// no band chosen, and settled, every sample passes bit for bit and nothing is worked out. No
/// latency.
#[derive(Clone, Debug)]
pub(super) struct Solo {
    quantum_s: f64,
    product_share: f64,
    /// How far the split has come to rest, and how much of what it tells counts for that.
    settling: Ramp,
    counts: f64,
    held_share: f64,
    bands: [bool; 4],
    crossover: Crossover,
    from: Mix,
    to: Mix,
    fade: Ramp,
    /// The gain of `to`, and frames until its next quantum.
    level: Level,
    until_quantum: u32,
    /// Mean products of the whole and of its bands with each other (those of neighbours hold much
    /// of the same) over frames in which something was heard: what a pause follows on is not
    /// forgotten in it.
    products: [Mix; 5],
    /// Something was heard in the quantum.
    sounds: bool,
    /// What holds the bands within full scale, 1 or less.
    held: f64,
    /// Scratch.
    split: [BandLanes; MAX_RUN],
}

impl Solo {
    /// The next bands are taken at once. Allocates nothing.
    pub fn new(sample_rate_hz: f64) -> Self {
        let share = |ms: f64| -(-1000.0 / (ms * sample_rate_hz)).exp_m1();
        Self {
            quantum_s: f64::from(QUANTUM_FRAMES) / sample_rate_hz,
            product_share: share(PRODUCTS_MS),
            settling: Ramp::new(sample_rate_hz, SETTLING_MS),
            counts: 0.0,
            held_share: share(HELD_MS),
            bands: [false; 4],
            crossover: Crossover::new(sample_rate_hz),
            from: WHOLE,
            to: WHOLE,
            fade: Ramp::new(sample_rate_hz, SWITCH_MS),
            level: Level::FULL,
            until_quantum: 0,
            products: [[0.0; 5]; 5],
            sounds: false,
            held: 1.0,
            split: [[Quad::ZERO; 2]; MAX_RUN],
        }
    }

    /// Forgets the signal: the next bands are taken at once, but what is louder than what was heard
    /// last rises. What is left of a rise holds.
    pub fn reset(&mut self) {
        self.fade.reset();
    }

    /// The same, and what rises is there at once, too.
    pub fn cut(&mut self) {
        self.reset();
        self.level = Level::FULL;
        self.products = [[0.0; 5]; 5];
    }

    /// Goes on where another left off, whose signal is not known any more.
    pub fn go_on_from(&mut self, other: &Self) {
        (self.bands, self.to) = (other.bands, other.to);
        (self.level, self.products) = (other.level, other.products);
    }

    /// By how much what is heard is rising, dB: the whole of the rise until it is over, else 0.
    pub fn rising_db(&self) -> f64 {
        self.level.rising_db()
    }

    /// Leaves of one or two channels the bands that are asked for, or all of it for none of them;
    /// `corners_hz` lie between the bands.
    ///
    /// # Realtime
    /// Yes.
    pub fn process(&mut self, channels: &mut [&mut [f32]], bands: [bool; 4], corners_hz: [f64; 3]) {
        self.take(bands, corners_hz);
        if !self.is_idle() {
            self.crossover.set_corners(corners_hz);
            for_each_run(channels, |frames| self.run(frames));
        }
    }

    fn is_idle(&self) -> bool {
        self.to == WHOLE && self.fade.is_settled() && self.level.constant() == Some(1.0)
    }

    fn take(&mut self, bands: [bool; 4], corners_hz: [f64; 3]) {
        let fresh = self.fade.target() == 0.0;
        if bands == self.bands && !fresh {
            return;
        }
        let was_idle = self.is_idle();
        let changed = std::mem::replace(&mut self.bands, bands) != bands;
        let gain = f64::from(self.level.at(self.until_quantum));
        self.from = if fresh {
            self.to.map(|share| share * gain)
        } else {
            self.mix(gain)
        };
        self.to = if bands == [false; 4] {
            WHOLE
        } else {
            let [a, b, c, d] = bands.map(|heard| f64::from(u8::from(heard)));
            [0.0, a, b, c, d]
        };
        // From the whole there is only one way.
        let jump_db = if was_idle { 0.0 } else { self.jump_db() };
        if was_idle || fresh {
            self.crossover.reset(corners_hz);
            self.products = [[0.0; 5]; 5];
            self.settling.jump(0.0);
            self.settling.set_target(1.0);
            self.held = 1.0;
            // Where the last call ended while it ran is the host's cut.
            (self.until_quantum, self.sounds) = (0, false);
        }
        if changed {
            self.level.arrive(jump_db, self.quantum_s);
        }
        self.fade.jump(if fresh { 1.0 } else { 0.0 });
        self.fade.set_target(1.0);
    }

    /// By how much `to` is louder than `from` where that is a jump, dB; else 0.
    fn jump_db(&self) -> f64 {
        let energy = |mix: &Mix| -> f64 {
            let row = |row: &Mix| -> f64 { row.iter().zip(mix).map(|(a, b)| a * b).sum() };
            let rows = self.products.iter().zip(mix);
            rows.map(|(products, gain)| gain * row(products)).sum()
        };
        // What rounds below nothing is nothing; and if nothing was heard at all, nothing jumps.
        let (old, new) = (energy(&self.from).max(0.0), energy(&self.to));
        let jump_db = 10.0 * (new / old).log10();
        if jump_db > JUMP_DB {
            jump_db.min(MOST_JUMP_DB)
        } else {
            0.0
        }
    }

    /// What is heard at the moment, with `to` at this gain.
    #[inline]
    fn mix(&self, gain: f64) -> Mix {
        let come = smooth(self.fade.value());
        let mut mix = self.from;
        for (mix, to) in mix.iter_mut().zip(self.to) {
            *mix += come * (to * gain - *mix);
        }
        mix
    }

    fn run(&mut self, frames: &mut [f64x2]) {
        self.crossover.split_run([frames], [&mut self.split]);
        for (index, frame) in frames.iter_mut().enumerate() {
            if self.until_quantum == 0 {
                self.quantum();
            }
            self.until_quantum -= 1;
            self.fade.advance();
            let gain = self.level.at(self.until_quantum).into();
            let [whole, a, b, c, d] = self.mix(gain);
            let bands = low_to_high(&self.split[index]);
            let parts = [*frame, bands[0], bands[1], bands[2], bands[3]];
            if (*frame * *frame).reduce_add() > HEARD {
                self.sounds = true;
                for (row, one) in self.products.iter_mut().zip(parts) {
                    for (product, other) in row.iter_mut().zip(parts) {
                        let now = self.counts * (one * other).reduce_add();
                        *product += self.product_share * (now - *product);
                    }
                }
            }
            let heard = (bands[0] * a + bands[1] * b) + (bands[2] * c + bands[3] * d);
            let [left, right] = heard.to_array();
            let peak = left.abs().max(right.abs());
            self.held += self.held_share * (1.0 - self.held);
            if peak * self.held > 1.0 {
                self.held = 1.0 / peak;
            }
            *frame = *frame * whole + heard * self.held;
        }
    }

    fn quantum(&mut self) {
        self.until_quantum = QUANTUM_FRAMES;
        self.counts = self.settling.skip(QUANTUM_FRAMES).powi(4);
        let aim = Aim {
            db: None,
            steady: true,
            jumps: false,
            input: false,
            unheard: !std::mem::take(&mut self.sounds),
        };
        self.level.quantum(aim, self.quantum_s);
    }
}
