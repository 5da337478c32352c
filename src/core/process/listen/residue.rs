//! What the chain changed.

use super::QUANTUM_FRAMES;

/// Bound of the residue: far beyond audio, and small enough for sums of what is heard to stay
/// finite.
const LARGEST: f32 = 1e30;
/// How far back the products behind the best-fitting gain reach, s, and the slots that they are kept
/// in.
const RESIDUE_S: f64 = 0.4;
const SLOTS: usize = 32;

/// Sums of input·input and input·output over the channels.
type Products = [f64; 2];

/// Output less the best-fitting gain times the input, the gain from products over the last 0.4 s.
///
/// All of these count alike: with weights that die away, what was loud would go on counting for
/// seconds in what is quiet.
#[derive(Clone, Copy, Debug)]
pub(super) struct Residue {
    /// Quanta in a slot, and those that have begun in the newest one.
    slot_quanta: u32,
    quanta: u32,
    /// The newest slot, those before it as a ring, the place of the oldest, and the sum of all that
    /// are older than the newest and younger than the oldest.
    newest: Products,
    slots: [Products; SLOTS],
    oldest: usize,
    between: Products,
    gain: f64,
    slope: f64,
    /// The gain has been laid out; until then it is fitted anew at each frame.
    fitted: bool,
}

impl Residue {
    pub fn new(sample_rate_hz: f64) -> Self {
        let quanta = RESIDUE_S * sample_rate_hz / f64::from(QUANTUM_FRAMES);
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let slot_quanta = (quanta / SLOTS as f64).round().max(1.0) as u32;
        Self {
            slot_quanta,
            quanta: 0,
            newest: [0.0; 2],
            slots: [[0.0; 2]; SLOTS],
            oldest: 0,
            between: [0.0; 2],
            gain: 1.0,
            slope: 0.0,
            fitted: false,
        }
    }

    pub fn reset(&mut self) {
        *self = Self {
            quanta: 0,
            newest: [0.0; 2],
            slots: [[0.0; 2]; SLOTS],
            oldest: 0,
            between: [0.0; 2],
            gain: 1.0,
            slope: 0.0,
            fitted: false,
            ..*self
        };
    }

    /// The best-fitting gain; `None` while there is nothing to fit (below about −180 dBFS). The
    /// oldest slot leaves as the newest one fills.
    fn fit(&self) -> Option<f64> {
        let left = 1.0 - f64::from(self.quanta) / f64::from(self.slot_quanta);
        let oldest = self.slots[self.oldest];
        let sum = |of: usize| self.newest[of] + self.between[of] + left * oldest[of];
        let [input_input, input_output] = [sum(0), sum(1)];
        (input_input > 1e-18).then(|| input_output / input_input)
    }

    /// Lays out the gain for the next quantum.
    pub fn quantum(&mut self) {
        if self.quanta == self.slot_quanta {
            self.begin_slot();
        }
        self.quanta += 1;
        let Some(gain) = self.fit() else {
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
        self.slots[self.oldest] = std::mem::take(&mut self.newest);
        self.oldest = (self.oldest + 1) % SLOTS;
        // Anew, so that nothing adds up.
        let younger = (1..SLOTS).map(|later| self.slots[(self.oldest + later) % SLOTS]);
        self.between = younger.fold([0.0; 2], |sum, of| [sum[0] + of[0], sum[1] + of[1]]);
    }

    pub fn next(&mut self, output: [f32; 2], input: [f32; 2], left: u32) -> [f32; 2] {
        let product = |a: [f32; 2], b: [f32; 2]| {
            f64::from(a[0]) * f64::from(b[0]) + f64::from(a[1]) * f64::from(b[1])
        };
        self.newest[0] += product(input, input);
        self.newest[1] += product(input, output);
        let laid_out = || self.gain - self.slope * f64::from(left);
        let gain = if self.fitted {
            laid_out()
        } else {
            self.fit().unwrap_or(self.gain)
        } as f32;
        // Samples too large for audio may outgrow an `f32`.
        std::array::from_fn(|channel| {
            (output[channel] - gain * input[channel]).clamp(-LARGEST, LARGEST)
        })
    }
}
