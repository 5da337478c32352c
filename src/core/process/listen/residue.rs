//! What the chain changed.

use std::ops::Range;

use wide::f64x2;

use super::{Listen, QUANTUM_FRAMES, Signals};
use crate::dsp::ramp::{Ramp, SWITCH_MS, smooth};

/// How far back the products behind the best-fitting gain reach, s, and the slots that they are kept
/// in.
const RESIDUE_S: f64 = 0.4;
const SLOTS: usize = 32;
/// A gain that explains less than this share of the output is none: where the chain sounds on in a
/// pause, the best-fitting one is anything up to thousands, for what comes next as well.
const LEAST_EXPLAINED: f64 = 0.1;

/// After a jump of the output so much of it is kept before there is a residue again, s: a period of
/// the lowest notes.
const WAIT_S: f64 = 0.02;
/// It goes in this share of the time in which it comes back: what jumps is about to be heard.
const SOONER: f64 = 0.25;

/// How many times the output's peak the residue may be.
const MOST_PEAKS: f64 = 2.0;

/// Sums of input·input, input·output and output·output, a lane a channel.
type Products = [f64x2; 3];

/// What is kept of some frames: the products, and the peak of the output, a lane a channel.
#[derive(Clone, Copy, Debug)]
struct Slot {
    products: Products,
    peaks: f64x2,
}

impl Slot {
    const NONE: Self = Self {
        products: [f64x2::ZERO; 3],
        peaks: f64x2::ZERO,
    };

    #[inline]
    fn add(&mut self, input: [f32; 2], output: [f32; 2]) {
        let [x, y] = [input, output].map(|of| f64x2::new(of.map(f64::from)));
        self.products = sum(self.products, [x * x, x * y, y * y]);
        self.peaks = self.peaks.fast_max(y.abs());
    }

    fn and(self, other: Self) -> Self {
        Self {
            products: sum(self.products, other.products),
            peaks: self.peaks.fast_max(other.peaks),
        }
    }
}

fn sum(a: Products, b: Products) -> Products {
    std::array::from_fn(|of| a[of] + b[of])
}

/// Output less the best-fitting gain times the input, the gain from products over the last 0.4 s.
///
/// All of these count alike: with weights that die away, what was loud would go on counting for
/// seconds in what is quiet. It is laid out ahead and does not fit what jumps: what it would make
/// louder than all of the output is fitted anew with what has come since, and held to 6 dB over the
/// output's peak of that time. While the output jumps there is none.
#[derive(Clone, Copy, Debug)]
pub(super) struct Residue {
    /// Quanta in a slot, and those that have begun in the newest one.
    slot_quanta: u32,
    quanta: u32,
    /// The newest slot, those before it as a ring, the place of the oldest, and all that are older
    /// than the newest and younger than the oldest in one.
    newest: Slot,
    slots: [Slot; SLOTS],
    oldest: usize,
    between: Slot,
    gain: f64,
    slope: f64,
    /// The gain has been laid out; until then it is fitted anew at each frame.
    fitted: bool,
    /// How much of it is heard, and for how many quanta none is to be.
    heard: Ramp,
    wait_quanta: u32,
    waiting: u32,
}

impl Listen {
    /// A chunk begins. While the output becomes other by a jump no gain of the input fits it, and what
    /// was kept is of settings whose gain fits none of what comes: the music itself would be heard as
    /// a residue. So there is none.
    pub fn chunk_begins(&mut self, jumps: bool) {
        if jumps {
            self.residue.jump();
        }
    }
}

impl Residue {
    pub fn new(sample_rate_hz: f64) -> Self {
        let quanta = RESIDUE_S * sample_rate_hz / f64::from(QUANTUM_FRAMES);
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let [slot_quanta, wait_quanta] = [quanta / SLOTS as f64, quanta * WAIT_S / RESIDUE_S]
            .map(|quanta| quanta.round().max(1.0) as u32);
        let mut heard = Ramp::new(sample_rate_hz, SWITCH_MS);
        heard.jump(1.0);
        Self {
            slot_quanta,
            quanta: 0,
            newest: Slot::NONE,
            slots: [Slot::NONE; SLOTS],
            oldest: 0,
            between: Slot::NONE,
            gain: 1.0,
            slope: 0.0,
            fitted: false,
            heard,
            wait_quanta,
            waiting: 0,
        }
    }

    pub fn reset(&mut self) {
        self.forget();
        (self.gain, self.slope, self.fitted) = (1.0, 0.0, false);
        self.heard.jump(1.0);
        self.waiting = 0;
    }

    /// The output becomes other: forgets what was kept, and keeps silent until enough has come.
    fn jump(&mut self) {
        if !self.fitted {
            (self.gain, self.slope, self.fitted) = (self.fitted_gain(), 0.0, true);
        }
        self.forget();
        self.waiting = self.wait_quanta;
        self.heard.set_target_within(0.0, SOONER);
    }

    fn forget(&mut self) {
        self.quanta = 0;
        self.newest = Slot::NONE;
        self.slots = [Slot::NONE; SLOTS];
        self.oldest = 0;
        self.between = Slot::NONE;
    }

    /// Input·input, input·output and output·output of the last 0.4 s. The oldest slot leaves as the
    /// newest one fills.
    fn products(&self) -> [f64; 3] {
        let left = f64x2::splat(1.0 - f64::from(self.quanta) / f64::from(self.slot_quanta));
        let oldest = self.slots[self.oldest].products.map(|of| left * of);
        let younger = sum(self.newest.products, self.between.products);
        sum(younger, oldest).map(f64x2::reduce_add)
    }

    /// Share of the output's power that the best-fitting gain explains, 0…1; 0 in silence.
    pub fn explained(&self) -> f64 {
        let [input_input, input_output, output_output] = self.products();
        let both = input_input * output_output;
        if both > 0.0 {
            input_output * input_output / both
        } else {
            0.0
        }
    }

    /// The best-fitting gain, and whether it explains the output; `None` while there is nothing to
    /// fit (below about −180 dBFS).
    fn fit(&self) -> Option<(f64, bool)> {
        let [input_input, input_output, output_output] = self.products();
        let explained = input_output * input_output;
        let explains = explained >= LEAST_EXPLAINED * input_input * output_output;
        (input_input > 1e-18).then(|| (input_output / input_input, explains))
    }

    /// The gain where none has been laid out.
    fn fitted_gain(&self) -> f64 {
        self.fit().map_or(self.gain, |(gain, _)| gain)
    }

    /// Lays out the gain for the next quantum.
    pub fn quantum(&mut self) {
        if self.quanta == self.slot_quanta {
            self.begin_slot();
        }
        self.quanta += 1;
        if self.waiting > 0 {
            self.waiting -= 1;
            self.slope = 0.0;
            if self.waiting > 0 {
                return;
            }
            self.fitted = false;
            self.heard.set_target(1.0);
        }
        let Some((gain, true)) = self.fit() else {
            self.slope = 0.0;
            return;
        };
        self.slope = if self.fitted {
            (gain - self.gain) / f64::from(QUANTUM_FRAMES)
        } else {
            0.0
        };
        self.gain = gain;
        self.fitted = true;
    }

    fn begin_slot(&mut self) {
        self.quanta = 0;
        self.slots[self.oldest] = std::mem::replace(&mut self.newest, Slot::NONE);
        self.oldest = (self.oldest + 1) % SLOTS;
        // Anew, so that nothing adds up.
        let younger = (1..SLOTS).map(|later| self.slots[(self.oldest + later) % SLOTS]);
        self.between = younger.fold(Slot::NONE, Slot::and);
    }

    /// Takes frames of which no residue is heard, so that its gain is known when it is.
    pub fn pass(&mut self, signals: &Signals<'_>, frames: Range<usize>) {
        let [input, output] = [signals.input, signals.output]
            .map(|of| of.map(|of| of.get(frames.clone()).unwrap_or_default()));
        // In registers while the loop runs.
        let mut newest = self.newest;
        let left = input[0].iter().zip(output[0]);
        let right = input[1].iter().zip(output[1]);
        if right.len() == 0 {
            left.for_each(|(x, y)| newest.add([*x, 0.0], [*y, 0.0]));
        } else {
            left.zip(right).for_each(|((x, y), (right_x, right_y))| {
                newest.add([*x, *right_x], [*y, *right_y]);
            });
        }
        self.newest = newest;
        self.heard.skip(frames.len() as u32);
    }

    /// The residue of a frame, so many before the end of the quantum.
    pub fn next(&mut self, output: [f32; 2], input: [f32; 2], left: u32) -> [f32; 2] {
        self.newest.add(input, output);
        let gain = if self.fitted {
            self.gain - self.slope * f64::from(left)
        } else {
            self.fitted_gain()
        } as f32;
        let share = smooth(self.heard.advance()) as f32;
        let peaks = self.newest.peaks.fast_max(self.between.peaks).to_array();
        let peak = peaks[0].max(peaks[1]);
        let less = |gain: f32| -> [f32; 2] {
            std::array::from_fn(|channel| output[channel] - gain * input[channel])
        };
        let residue = less(gain);
        // While it goes, what it may be at most has been forgotten.
        if self.waiting > 0 || residue.iter().all(|sample| f64::from(sample.abs()) <= peak) {
            return residue.map(|sample| share * sample);
        }
        let fitted = self.fit().map_or(gain, |(gain, _)| gain as f32);
        let most = (MOST_PEAKS * peak) as f32;
        less(fitted).map(|sample| share * sample.clamp(-most, most))
    }
}
