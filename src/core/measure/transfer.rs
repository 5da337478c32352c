//! The static linear part of what stands between two signals: what an equaliser, a crossover, a
//! fraction of a sample, a balance or a width do, and which is neither reduction nor distortion.
//!
//! An impulse response from each channel before to each channel after is found by least squares on
//! the long-term correlations (the Wiener–Hopf equations; S. Haykin, *Adaptive Filter Theory*, ch.
//! 2), solved by conjugate gradients. A gain that moves would blur it. Therefore the two are found
//! in turns: the gain of each band and channel against the filtered signal, then the response of
//! what is left when the gain's movement is taken off, and so on. Four models stand against each
//! other, and the plainest that leaves about as little unexplained as any is kept: a plain gain, a
//! response alone, a response with gains that move and keep the phase, a response with gains that
//! move as those of shelves do.

mod arrangement;
mod convolution;
mod correlation;
mod estimate;
mod least_squares;
mod linear_part;
mod material;
mod wander;

use self::arrangement::Arrangement;
pub use self::convolution::Convolution;
pub use self::estimate::{Estimate, Estimator};
pub use self::linear_part::LinearPart;
pub use self::material::Stretch;

/// Length of a response, seconds; rounded up to a power of two in frames.
const RESPONSE_S: f64 = 0.12;

/// Frames of a response.
fn response_frames(sample_rate_hz: f64) -> usize {
    #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
    let frames = (RESPONSE_S * sample_rate_hz) as usize;
    frames.next_power_of_two()
}

/// Responses from each channel before to each channel after, and the constants in both.
#[derive(Clone, Debug, PartialEq)]
pub struct Transfer {
    /// `[after][before]`; tap [`lead`](Self::lead) is without delay. `None` is silence.
    responses: Vec<Vec<Option<Vec<f64>>>>,
    lead: usize,
    /// Constant that is taken out of each channel before and after.
    means: [[f64; 2]; 2],
    /// Constant that comes out of the responses to each channel after, if one goes through.
    through: Option<[f64; 2]>,
}

impl Transfer {
    /// Each channel passed on at a gain.
    fn plain(channels: usize, gains: [f64; 2], taps: usize, means: [[f64; 2]; 2]) -> Self {
        let own = |out: usize, into: usize| (out == into).then_some(gains[out % 2]);
        Self::of_gains(channels, own, taps, means)
    }

    /// Each channel after as a sum of those before at these gains, `(after, before)`.
    fn of_gains(
        channels: usize,
        gain: impl Fn(usize, usize) -> Option<f64>,
        taps: usize,
        means: [[f64; 2]; 2],
    ) -> Self {
        let lead = taps / 4;
        let response = |out: usize, into: usize| {
            let gain = gain(out, into)?;
            let mut response = vec![0.0; taps];
            response[lead] = gain;
            Some(response)
        };
        Self {
            responses: (0..channels)
                .map(|out| (0..channels).map(|into| response(out, into)).collect())
                .collect(),
            lead,
            means,
            through: None,
        }
    }

    /// What the responses make of constants.
    fn made_of(&self, constants: [f64; 2]) -> [f64; 2] {
        let mut made = [0.0; 2];
        for (made, row) in made.iter_mut().zip(&self.responses) {
            for (response, constant) in row.iter().zip(constants) {
                *made += constant * response.iter().flatten().sum::<f64>();
            }
        }
        made
    }

    /// The same with the channels after where they were before, and upright.
    fn straightened(mut self, arrangement: Arrangement) -> Self {
        arrangement.undo(&mut self.responses, |row| turn_over(row));
        for constants in [&mut self.means[1]].into_iter().chain(&mut self.through) {
            arrangement.undo(constants, |constant| *constant = -*constant);
        }
        self
    }

    /// The same, straight until now, with the channels after as they come out.
    fn arranged(mut self, arrangement: Arrangement) -> Self {
        arrangement.redo(&mut self.responses, |row| turn_over(row));
        for constants in [&mut self.means[1]].into_iter().chain(&mut self.through) {
            arrangement.redo(constants, |constant| *constant = -*constant);
        }
        self
    }

    /// Length of a response, frames.
    pub fn taps(&self) -> usize {
        4 * self.lead
    }

    /// The constant that is taken out of each channel before, and of each after.
    pub fn means(&self) -> [[f64; 2]; 2] {
        self.means
    }
}

/// Turns the responses to one channel after upside down.
fn turn_over(responses: &mut [Option<Vec<f64>>]) {
    for tap in responses.iter_mut().flatten().flatten() {
        *tap = -*tap;
    }
}
