//! Two gentle shelves for the balance of the mix before it is pushed.

use wide::f64x2;

use crate::dsp::biquad::{Biquad, Coefficients};
use crate::dsp::ramp::{Ramp, SWITCH_MS};
use crate::dsp::run::for_each_run;
use crate::dsp::setting::Setting;

/// Frames between two designs of a filter in motion; in between its coefficients move in a straight
/// line.
const REDESIGN_FRAMES: u32 = 16;

/// Ringing below this (−200 dBFS) is cut off. While there is signal, rounding keeps some 1e-16 of
/// it alive.
const SILENT: f64 = 1e-10;

/// Settings of [`Shelves`]. Values outside their range are held to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShelvesSettings {
    /// Corner of the low shelf, 40…400 Hz.
    pub low_hz: f64,
    /// Gain below it, −9…9 dB.
    pub low_gain_db: f64,
    /// Corner of the high shelf, 1500…12000 Hz, and never above 0.49 of the sample rate.
    pub high_hz: f64,
    /// Gain above it, −9…9 dB.
    pub high_gain_db: f64,
}

impl Default for ShelvesSettings {
    /// Both gains 0 dB, corners 120 Hz and 6 kHz.
    fn default() -> Self {
        Self {
            low_hz: Self::LOW_HZ.default,
            low_gain_db: Self::GAIN_DB.default,
            high_hz: Self::HIGH_HZ.default,
            high_gain_db: Self::GAIN_DB.default,
        }
    }
}

impl ShelvesSettings {
    /// Corner of the low shelf, Hz.
    pub const LOW_HZ: Setting = Setting::new(40.0, 400.0, 120.0);
    /// Corner of the high shelf, Hz.
    pub const HIGH_HZ: Setting = Setting::new(1_500.0, 12_000.0, 6_000.0);
    /// Gain of either shelf, dB.
    pub const GAIN_DB: Setting = Setting::new(-9.0, 9.0, 0.0);

    /// The two filters these settings stand for, low shelf first; for curves and tests.
    pub fn coefficients(&self, sample_rate_hz: f64) -> [Coefficients; 2] {
        let s = self.held();
        [
            Coefficients::low_shelf(sample_rate_hz, s.low_hz, s.low_gain_db),
            Coefficients::high_shelf(sample_rate_hz, s.high_hz, s.high_gain_db),
        ]
    }

    fn held(&self) -> Self {
        Self {
            low_hz: Self::LOW_HZ.held(self.low_hz),
            low_gain_db: Self::GAIN_DB.held(self.low_gain_db),
            high_hz: Self::HIGH_HZ.held(self.high_hz),
            high_gain_db: Self::GAIN_DB.held(self.high_gain_db),
        }
    }
}

/// A low and a high shelf of second order (*Audio EQ Cookbook*, S = 1), smoothed over 20 ms. No
/// latency.
///
/// A shelf whose gain has settled at 0 dB and whose ringing has died away (within 0.2 s) passes the
/// signal bit for bit and costs nothing.
#[derive(Clone, Debug)]
pub struct Shelves {
    low: Shelf,
    high: Shelf,
    /// Frames into the current segment.
    phase: u32,
}

impl Shelves {
    /// Shelves whose first settings are taken at once.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            low: Shelf::new(sample_rate_hz, Coefficients::low_shelf),
            high: Shelf::new(sample_rate_hz, Coefficients::high_shelf),
            phase: 0,
        }
    }

    /// Forgets the signal; the next settings are taken at once.
    pub fn reset(&mut self) {
        self.low.reset();
        self.high.reset();
        self.phase = 0;
    }

    /// Filters one or two channels of equal length in place.
    pub fn process(&mut self, channels: &mut [&mut [f32]], settings: &ShelvesSettings) {
        let settings = settings.held();
        self.low.set(settings.low_hz, settings.low_gain_db);
        self.high.set(settings.high_hz, settings.high_gain_db);
        if self.low.is_idle() && self.high.is_idle() {
            let frames = channels.first().map_or(0, |channel| channel.len());
            // Counted on, so that a shelf engaged later starts at the same frame however the signal
            // was split.
            self.phase =
                ((u64::from(self.phase) + frames as u64) % u64::from(REDESIGN_FRAMES)) as u32;
            for frame in frames.saturating_sub(2)..frames {
                let of = |channel: usize| channels.get(channel).map_or(0.0, |of| of[frame]);
                let x = f64x2::new([0, 1].map(|channel| f64::from(of(channel))));
                self.high.step(self.low.step(x));
            }
            return;
        }
        for_each_run(channels, |mut frames| {
            while !frames.is_empty() {
                if self.phase == 0 {
                    self.low.redesign();
                    self.high.redesign();
                }
                let left = (REDESIGN_FRAMES - self.phase) as usize;
                let (now, later) = frames.split_at_mut(left.min(frames.len()));
                self.phase = (self.phase + now.len() as u32) % REDESIGN_FRAMES;
                self.filter(now);
                frames = later;
            }
        });
    }

    /// Filters frames that lie within one segment.
    fn filter(&mut self, frames: &mut [f64x2]) {
        let Self { low, high, .. } = self;
        if [&*low, &*high]
            .iter()
            .any(|shelf| shelf.moving || shelf.resting)
        {
            for frame in frames {
                *frame = high.step(low.step(*frame));
            }
            return;
        }
        // In registers while the loops run.
        let (most, last) = frames.split_at_mut(frames.len().saturating_sub(2));
        let coefficients = (low.coefficients, high.coefficients);
        let (mut low_state, mut high_state) = (low.state, high.state);
        for frame in most {
            let through = low_state.step(&coefficients.0, *frame);
            *frame = high_state.step(&coefficients.1, through);
        }
        for frame in last {
            let through = low_state.step(&coefficients.0, *frame);
            low.remember(*frame, through);
            *frame = high_state.step(&coefficients.1, through);
            high.remember(through, *frame);
        }
        (low.state, high.state) = (low_state, high_state);
    }
}

type Design = fn(sample_rate_hz: f64, corner_hz: f64, gain_db: f64) -> Coefficients;

#[derive(Clone, Debug)]
struct Shelf {
    design: Design,
    sample_rate_hz: f64,
    corner_hz: Ramp,
    gain_db: Ramp,
    coefficients: Coefficients,
    /// Coefficients at the end of the segment, and the way there per frame.
    end: Coefficients,
    slope: Coefficients,
    moving: bool,
    /// Decided at the start of a segment: nothing to do until the next.
    resting: bool,
    state: Biquad,
    /// The last two frames that came in and that went out, the latest first.
    x: [f64x2; 2],
    y: [f64x2; 2],
}

impl Shelf {
    fn new(sample_rate_hz: f64, design: Design) -> Self {
        Self {
            design,
            sample_rate_hz,
            corner_hz: Ramp::new(sample_rate_hz, SWITCH_MS),
            gain_db: Ramp::new(sample_rate_hz, SWITCH_MS),
            coefficients: Coefficients::IDENTITY,
            end: Coefficients::IDENTITY,
            slope: Coefficients::IDENTITY,
            moving: false,
            resting: true,
            state: Biquad::default(),
            x: [f64x2::ZERO; 2],
            y: [f64x2::ZERO; 2],
        }
    }

    fn reset(&mut self) {
        self.corner_hz.reset();
        self.gain_db.reset();
        self.state.reset();
        (self.x, self.y) = ([f64x2::ZERO; 2], [f64x2::ZERO; 2]);
        self.moving = false;
        self.resting = true;
    }

    fn set(&mut self, corner_hz: f64, gain_db: f64) {
        if self.resting {
            self.corner_hz.jump(corner_hz);
        } else {
            self.corner_hz.set_target(corner_hz);
        }
        self.gain_db.set_target(gain_db);
    }

    fn is_flat(&self) -> bool {
        self.gain_db.is_settled() && self.gain_db.target() == 0.0
    }

    fn is_idle(&self) -> bool {
        self.resting && self.is_flat()
    }

    fn design(&self) -> Coefficients {
        (self.design)(
            self.sample_rate_hz,
            self.corner_hz.value(),
            self.gain_db.value(),
        )
    }

    fn redesign(&mut self) {
        if self.is_idle() {
            return;
        }
        if self.resting {
            self.end = self.design();
        }
        // Taken from the design, not from the sum of the steps: a settled shelf has exactly its
        // coefficients.
        self.coefficients = self.end;
        self.state.snap_to_zero();
        self.moving = !(self.corner_hz.is_settled() && self.gain_db.is_settled());
        self.resting = !self.moving && self.is_flat() && self.state.is_below(SILENT);
        if self.resting {
            self.state.reset();
        }
        if self.moving {
            self.corner_hz.skip(REDESIGN_FRAMES);
            self.gain_db.skip(REDESIGN_FRAMES);
            self.end = self.design();
            self.slope = self.coefficients.slope_to(&self.end, REDESIGN_FRAMES);
        }
    }

    #[inline]
    fn step(&mut self, x: f64x2) -> f64x2 {
        let mut y = x;
        if !self.resting {
            if self.moving {
                self.coefficients.glide(&self.slope);
                self.state.turn(&self.slope, self.x, self.y);
            }
            y = self.state.step(&self.coefficients, x);
        }
        self.remember(x, y);
        y
    }

    #[inline]
    fn remember(&mut self, x: f64x2, y: f64x2) {
        (self.x, self.y) = ([x, self.x[0]], [y, self.y[0]]);
    }
}
