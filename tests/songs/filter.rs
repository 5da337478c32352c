//! The filters and envelopes every voice is shaped with.

use super::RATE_HZ;

/// Second-order state-variable filter, trapezoidal integration (Zavalishin, "The Art of VA Filter
/// Design", ch. 3): it may be swept while it sounds.
#[derive(Clone, Copy, Default)]
pub(super) struct Svf {
    damping: f32,
    a1: f32,
    a2: f32,
    a3: f32,
    first: f32,
    second: f32,
}

/// The three outputs of the filter; `band` has gain 1 at the corner.
pub(super) struct Bands {
    pub(super) low: f32,
    pub(super) band: f32,
    pub(super) high: f32,
}

impl Svf {
    pub(super) fn new(corner_hz: f32, q: f32) -> Self {
        let mut filter = Self::default();
        filter.set(corner_hz, q);
        filter
    }

    /// Moves the corner (held between 10 Hz and 0.45 of the rate) and leaves the state as it is.
    pub(super) fn set(&mut self, corner_hz: f32, q: f32) {
        let corner = corner_hz.clamp(10.0, 0.45 * RATE_HZ);
        let gain = (std::f32::consts::PI * corner / RATE_HZ).tan();
        self.damping = 1.0 / q;
        self.a1 = 1.0 / (1.0 + gain * (gain + self.damping));
        self.a2 = gain * self.a1;
        self.a3 = gain * self.a2;
    }

    pub(super) fn tick(&mut self, input: f32) -> Bands {
        let difference = input - self.second;
        let band = self.a1 * self.first + self.a2 * difference;
        let low = self.second + self.a2 * self.first + self.a3 * difference;
        self.first = settle(2.0 * band - self.first);
        self.second = settle(2.0 * low - self.second);
        Bands {
            low,
            band: band * self.damping,
            high: input - self.damping * band - low,
        }
    }

    pub(super) fn low(&mut self, input: f32) -> f32 {
        self.tick(input).low
    }

    pub(super) fn band(&mut self, input: f32) -> f32 {
        self.tick(input).band
    }

    pub(super) fn high(&mut self, input: f32) -> f32 {
        self.tick(input).high
    }
}

/// First-order low-pass.
#[derive(Clone, Copy)]
pub(super) struct OnePole {
    keep: f32,
    state: f32,
}

impl OnePole {
    pub(super) fn new(corner_hz: f32) -> Self {
        Self {
            keep: (-std::f32::consts::TAU * corner_hz / RATE_HZ).exp(),
            state: 0.0,
        }
    }

    pub(super) fn tick(&mut self, input: f32) -> f32 {
        self.state = settle(input + self.keep * (self.state - input));
        self.state
    }

    /// The delay, in frames, that a tone of `frequency_hz` suffers.
    pub(super) fn delay_frames(self, frequency_hz: f32) -> f32 {
        let angle = std::f32::consts::TAU * frequency_hz / RATE_HZ;
        (self.keep * angle.sin()).atan2(1.0 - self.keep * angle.cos()) / angle
    }
}

/// An exponential fall from 1.
#[derive(Clone, Copy)]
pub(super) struct Fall {
    value: f32,
    factor: f32,
}

impl Fall {
    /// Falls to 1/e in `time_s`.
    pub(super) fn new(time_s: f32) -> Self {
        Self {
            value: 1.0,
            factor: (-1.0 / (time_s * RATE_HZ)).exp(),
        }
    }

    pub(super) fn tick(&mut self) -> f32 {
        let value = self.value;
        self.value = settle(self.value * self.factor);
        value
    }
}

/// Opens and closes a note without a click: raised-cosine edges, full in between.
#[derive(Clone, Copy)]
pub(super) struct Gate {
    frame: f32,
    attack: f32,
    release_from: f32,
    release: f32,
}

impl Gate {
    /// Opens over `attack_s`, starts to close at `length_s`, is shut `release_s` later.
    pub(super) fn new(attack_s: f32, length_s: f32, release_s: f32) -> Self {
        Self {
            frame: 0.0,
            attack: attack_s * RATE_HZ,
            release_from: length_s * RATE_HZ,
            release: release_s * RATE_HZ,
        }
    }

    pub(super) fn frames(&self) -> usize {
        super::frames(f64::from((self.release_from + self.release) / RATE_HZ))
    }

    pub(super) fn tick(&mut self) -> f32 {
        let opened = smooth_step(self.frame / self.attack);
        let closed = if self.frame > self.release_from {
            smooth_step((self.frame - self.release_from) / self.release)
        } else {
            0.0
        };
        self.frame += 1.0;
        opened * (1.0 - closed)
    }
}

fn smooth_step(position: f32) -> f32 {
    let position = position.clamp(0.0, 1.0);
    position * position * (3.0 - 2.0 * position)
}

/// A smooth limit at ±1: the (3, 2) Padé form of tanh, which meets 1 at 3.
pub(super) fn soft_clip(input: f32) -> f32 {
    let bounded = input.clamp(-3.0, 3.0);
    let square = bounded * bounded;
    bounded * (27.0 + square) / (27.0 + 9.0 * square)
}

/// Takes what has died away to exactly 0: what is left would be too small for the processor's fast
/// path.
fn settle(value: f32) -> f32 {
    const FAR_BELOW_HEARING: f32 = 1e-12;
    (value + FAR_BELOW_HEARING) - FAR_BELOW_HEARING
}
