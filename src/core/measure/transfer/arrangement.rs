//! Which channel comes out where, and which way up.

use realfft::num_complex::Complex64;

/// Channels are exchanged where so many times more comes out of the other one than out of the own.
const EXCHANGED: f64 = 4.0;
/// One is upside down where they are so much alike but for the sign: two that have little to do with
/// each other are none of it.
const OPPOSED: f64 = -0.5;
/// With less than this of all that comes out, what either channel has of its own is rounding: where
/// one of them is in both.
const LEAST_OWN: f64 = 1e-3;

/// What a device does with the channels as such.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Arrangement {
    /// Left comes out on the right, and right on the left.
    pub exchanged: bool,
    /// One of the channels is upside down against the other.
    pub opposed: bool,
    /// The left channel is upside down. Where both are it is no arrangement.
    pub inverted: bool,
}

impl Arrangement {
    /// Whether the channels are where they were, the right one as the left.
    pub fn is_straight(self) -> bool {
        !self.exchanged && !self.opposed
    }

    /// Undoes it in what there is of each channel after, `turn` being what turns one upside down.
    pub fn undo<T>(self, after: &mut [T], turn: impl FnMut(&mut T)) {
        if self.exchanged && after.len() == 2 {
            after.swap(0, 1);
        }
        self.turn(after, turn);
    }

    /// Does it to what there is of each channel after.
    pub fn redo<T>(self, after: &mut [T], turn: impl FnMut(&mut T)) {
        self.turn(after, turn);
        if self.exchanged && after.len() == 2 {
            after.swap(0, 1);
        }
    }

    fn turn<T>(self, channels: &mut [T], turn: impl FnMut(&mut T)) {
        let upside_down = if self.is_straight() {
            [false; 2]
        } else {
            [self.inverted, self.inverted != self.opposed]
        };
        let turned = channels.iter_mut().zip(upside_down);
        turned
            .filter_map(|(channel, upside_down)| upside_down.then_some(channel))
            .for_each(turn);
    }

    /// Finds it, and takes it out of the responses, `[after][before]` by frequency: what is left of
    /// them has its channels where they were, and the right one as the left. `before` are the
    /// channels' powers.
    pub fn take_out(before: &[Vec<f64>], responses: &mut [Vec<Vec<Complex64>>]) -> Self {
        let mut found = Self::default();
        let ([a, b], [left, right]) = (before, responses) else {
            return found;
        };
        let energy = |response: &[Complex64], power: &[f64]| -> f64 {
            let pairs = response.iter().zip(power);
            pairs
                .map(|(response, power)| response.norm_sqr() * power)
                .sum()
        };
        let own = energy(&left[0], a) + energy(&right[1], b);
        let across = energy(&left[1], b) + energy(&right[0], a);
        found.exchanged = across > EXCHANGED * own;
        if found.exchanged {
            std::mem::swap(left, right);
        }
        // Alike but for their sign, also where an equaliser or a delay turns both.
        let alike: f64 = left[0]
            .iter()
            .zip(&right[1])
            .zip(a.iter().zip(b))
            .map(|((left, right), (a, b))| (left * right.conj()).re * (a * b).max(0.0).sqrt())
            .sum();
        let most = (energy(&left[0], a) * energy(&right[1], b)).sqrt();
        let counts = most > LEAST_OWN * (own + across);
        found.opposed = counts && alike < OPPOSED * most;
        if found.opposed {
            right
                .iter_mut()
                .flatten()
                .for_each(|response| *response = -*response);
        }
        found
    }
}
