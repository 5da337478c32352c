//! What the chain changed.

use super::QUANTUM_FRAMES;

/// Bound of the residue: far beyond audio, and small enough for sums of what is heard to stay
/// finite.
const LARGEST: f32 = 1e30;
/// Time constant of the products behind the best-fitting gain, s.
const RESIDUE_S: f64 = 0.4;

/// Output less the best-fitting gain times the input, the gain from products over the last few
/// tenths of a second.
#[derive(Clone, Copy, Debug)]
pub(super) struct Residue {
    keep: f64,
    /// Running sums of input·input and input·output over the channels.
    input_input: f64,
    input_output: f64,
    gain: f64,
    slope: f64,
    /// The gain has been laid out; until then it is fitted anew at each frame.
    fitted: bool,
}

impl Residue {
    pub fn new(sample_rate_hz: f64) -> Self {
        let keep = (-1.0 / (RESIDUE_S * sample_rate_hz)).exp();
        Self {
            keep,
            input_input: 0.0,
            input_output: 0.0,
            gain: 1.0,
            slope: 0.0,
            fitted: false,
        }
    }

    pub fn reset(&mut self) {
        *self = Self {
            input_input: 0.0,
            input_output: 0.0,
            gain: 1.0,
            slope: 0.0,
            fitted: false,
            ..*self
        };
    }

    /// The best-fitting gain; `None` while there is nothing to fit (below about −180 dBFS).
    fn fit(&self) -> Option<f64> {
        (self.input_input > 1e-18).then(|| self.input_output / self.input_input)
    }

    /// Lays out the gain for the next quantum.
    pub fn quantum(&mut self) {
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

    pub fn next(&mut self, output: [f32; 2], input: [f32; 2], left: u32) -> [f32; 2] {
        let product = |a: [f32; 2], b: [f32; 2]| {
            f64::from(a[0]) * f64::from(b[0]) + f64::from(a[1]) * f64::from(b[1])
        };
        self.input_input = self.keep * self.input_input + product(input, input);
        self.input_output = self.keep * self.input_output + product(input, output);
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
