//! A limiter that turns down and nothing else.
//!
//! The gain that every true peak needs is found ahead of time (`detector`, with `edge` for what
//! lies next to half the rate), smoothed over the whole look-ahead without ever asking for less
//! than was needed (`gain`, on `running` minima and means), and multiplied onto the delayed signal.
//! After Hämäläinen, "Smoothing of the control signal without clipped output in digital peak
//! limiters", DAFx-02, pp. 195–198.
//!
//! As built, at 48 kHz:
//!
//! * It is 1296 frames late, 1080 of them to smooth the gain over; with the saturator 1399 (29.1
//!   ms; 29.9 ms at 44.1 kHz, less above). Below 44.1 kHz it is more than 30 ms: interpolation
//!   needs its frames at any rate.
//! * Ceiling: +0.05 dB at most for what reaches up to 0.45 of the rate, +0.15 dB for white noise up
//!   to half of it, saturated or not (`tests/process/limiter.rs`, `tests/engine/ceiling.rs`). Of a
//!   whole bright song at +18 dB a meter reads 0.154 dB over where the waveform itself, by Fourier
//!   transform, stays 0.016 dB under.
//! * Distortion: steady tones from 20 Hz on −120 dB with the automatic release, −105 dB at any
//!   release by hand; 41 and 55 Hz at +6 dB, automatic, −41 dB, and
//!   −37 with hats 24 dB below them. The automatic release takes chords above the bass for what is
//!   played everywhere: two tones or a triad of sines from 80 Hz on, 6 dB over the ceiling all the
//!   time, −14 to −30 dB, where 100 ms by hand leave −23 and less, and are up to 2 LU less loud.
//! * Memory: with the automatic release nothing is left of any sample after 1.8 s, unless bass
//!   ruled alone. Renderings whose starts lie whole quanta of 32 frames apart are then equal to the
//!   last bit; others differ by what groups of eight frames that lie elsewhere make of the same
//!   peaks, less than 0.2 dB of gain.
//! * Cost: an automatic limiter takes 8 ns a stereo frame at rest and 20 ns where it works all the
//!   time, on the machine where the one before it took 7 and 16.
//!
//! Beside a general-purpose library's limiter: `cargo xtask compare-limiters`.

mod bass;
mod detector;
mod edge;
mod gain;
mod running;

use wide::f32x8;

use self::bass::Bass;
use self::detector::{DETECTOR_LATENCY, Detector};
use self::gain::{GROUP, GROUPS, GainComputer, Pace};
use crate::dsp::decibel::{db_from_gain, gain_from_db};
use crate::dsp::delay::DelayLine;
use crate::dsp::quantum::{Lane, QUANTUM, Quanta, frames_of, remove_faults};
use crate::dsp::ramp::{Ramp, SWITCH_MS, frames_from_ms};
use crate::dsp::setting::{Setting, percent};

/// How far below the ceiling peaks are held, in dB: what a moving gain adds between samples. With
/// what the detector over-reads next to half the rate (0.17 dB), a signal whose true peak is 0.25
/// dB under the ceiling is still left alone.
const MARGIN_DB: f64 = 0.02;

/// Groups whose ceiling is remembered.
const CEILINGS: usize = GROUPS + DETECTOR_LATENCY / GROUP;

/// How the limiter lets go of the gain once a peak has passed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Release {
    /// Time constant (63 % of the way back) in ms, 20…1000.
    Manual(f64),
    /// At once, but for the smoothing, and the shorter that is the denser the peaks; slowly only
    /// while bass rules alone.
    #[default]
    Automatic,
}

/// What is asked of the limiter. Values out of range are clamped, not-a-number to the lower end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimiterSettings {
    /// Whether the limiter is on.
    pub enabled: bool,
    /// True peak that the output does not pass, −12…0 dBTP (−1).
    pub ceiling_dbtp: f64,
    /// How the gain is let go.
    pub release: Release,
    /// Share of the other channel's reduction that a channel takes over, 0…100 % (100).
    pub link_percent: f64,
}

impl LimiterSettings {
    /// True peak that the output does not pass, dBTP.
    pub const CEILING_DBTP: Setting = Setting::new(-12.0, 0.0, -1.0);
    /// Time constant of the release by hand, ms.
    pub const RELEASE_MS: Setting = Setting::new(20.0, 1_000.0, 100.0);
    /// Share of the other channel's reduction that a channel takes over, %.
    pub const LINK_PERCENT: Setting = percent(100.0);
}

impl Default for LimiterSettings {
    fn default() -> Self {
        Self {
            enabled: true,
            ceiling_dbtp: Self::CEILING_DBTP.default,
            release: Release::Automatic,
            link_percent: Self::LINK_PERCENT.default,
        }
    }
}

/// Look-ahead true-peak limiter for one or two channels.
#[derive(Debug, Clone)]
pub struct Limiter {
    quanta: Quanta,
    core: Core,
}

/// What works on whole quanta.
#[derive(Debug, Clone)]
struct Core {
    detectors: Vec<Detector>,
    bass: Bass,
    /// The gain of the louder channel, quantum by quantum; then that of each channel alone, used
    /// below full link.
    linked: GainComputer,
    alone: Vec<GainComputer>,
    /// The channels alone have been worked out up to now.
    apart: bool,
    delay: DelayLine,
    ceiling: Ramp,
    link: Ramp,
    amount: Ramp,
    /// Quanta for which it stays on once it is switched off, and how many of those are left: what
    /// is on its way came in with it on, and perhaps with a push that goes with it.
    stays: usize,
    staying: usize,
    /// Lowest ceiling of each group between the verdict of the detector and the newest frame,
    /// oldest first.
    ceilings: [f64; CEILINGS],
    at_rest: bool,
    /// Lowest gain of any channel since it was last taken.
    lowest_gain: f32,
}

/// The settings of one quantum in the units of the signal.
#[derive(Clone, Copy)]
struct Aims {
    ceiling: f64,
    release: Release,
    link: f64,
    enabled: bool,
}

impl Aims {
    fn new(settings: &LimiterSettings) -> Self {
        let ceiling_dbtp = LimiterSettings::CEILING_DBTP.held(settings.ceiling_dbtp);
        Self {
            ceiling: gain_from_db(ceiling_dbtp - MARGIN_DB),
            release: settings.release,
            link: LimiterSettings::LINK_PERCENT.held(settings.link_percent) / 100.0,
            enabled: settings.enabled,
        }
    }
}

impl Limiter {
    /// A limiter for `channels` (1 or 2) channels of blocks of any length. Allocates.
    pub fn new(sample_rate_hz: f64, channels: usize) -> Self {
        let channels = channels.clamp(1, 2);
        let linked = GainComputer::new(sample_rate_hz);
        let ramp = Ramp::new(sample_rate_hz, SWITCH_MS);
        let late = DETECTOR_LATENCY + linked.latency_frames();
        let stays = late + frames_from_ms(sample_rate_hz, SWITCH_MS) as usize;
        Self {
            quanta: Quanta::new(),
            core: Core {
                detectors: vec![Detector::new(); channels],
                bass: Bass::new(sample_rate_hz),
                alone: vec![linked.clone(); channels],
                apart: false,
                delay: DelayLine::new(late, channels),
                linked,
                ceiling: ramp,
                link: ramp,
                amount: ramp,
                stays: stays.div_ceil(QUANTUM),
                staying: 0,
                ceilings: [1.0; CEILINGS],
                at_rest: true,
                lowest_gain: 1.0,
            },
        }
    }

    /// Frames between input and output, on or off: it depends on the sample rate alone.
    pub fn latency_frames(&self) -> usize {
        QUANTUM + self.core.delay.latency_frames()
    }

    /// Lowest gain over the channels since it was last taken, in dB, 0 or less: it misses no
    /// quantum, wherever the blocks end.
    pub fn take_lowest_gain_db(&mut self) -> f64 {
        let lowest = std::mem::replace(&mut self.core.lowest_gain, 1.0);
        db_from_gain(f64::from(lowest)).unwrap_or(-600.0)
    }

    /// Back to the state after `new`; the next settings are taken without a glide. Real-time safe.
    pub fn reset(&mut self) {
        self.quanta.reset();
        self.core.reset();
    }

    /// Takes over the signal that is on its way in another limiter for the same rate and channels,
    /// its gain, and all that the gain follows from: what comes next goes on as there. Real-time
    /// safe.
    pub fn copy_from(&mut self, other: &Self) {
        self.quanta = other.quanta.clone();
        self.core.copy_from(&other.core);
    }

    /// Processes planar channels in place. Real-time safe; samples that are not finite count as
    /// silence.
    ///
    /// A new ceiling or link is reached in 20 ms, counted on the input: a frame that came in after
    /// the glide leaves at the new ceiling. So is the switch: off, it goes on for what came in
    /// while it was on, and for 20 ms more.
    pub fn process(&mut self, channels: &mut [&mut [f32]], settings: &LimiterSettings) {
        let core = &mut self.core;
        // Worked out where a quantum ends, which not every block reaches.
        let mut aims = None;
        self.quanta.process(channels, |frames| {
            let aims = *aims.get_or_insert_with(|| Aims::new(settings));
            let lowest = core.quantum(frames, aims);
            core.lowest_gain = core.lowest_gain.min(lowest);
        });
    }
}

impl Core {
    fn reset(&mut self) {
        for detector in &mut self.detectors {
            detector.reset();
        }
        self.bass.reset();
        self.delay.reset();
        for ramp in [&mut self.ceiling, &mut self.link, &mut self.amount] {
            ramp.reset();
        }
        self.staying = 0;
        self.rest();
        self.lowest_gain = 1.0;
    }

    /// A copy of some thousand numbers.
    fn copy_from(&mut self, other: &Self) {
        self.delay.copy_from(&other.delay);
        // The detectors' own memory is shorter than what is on its way (below 22 kHz that of what
        // lies next to half the rate is not, by a few quanta).
        for (detector, held) in self.detectors.iter_mut().zip(self.delay.held()) {
            detector.reset();
            let mut held = held.skip(self.delay.latency_frames() % QUANTUM).peekable();
            while held.peek().is_some() {
                let lane: Lane = std::array::from_fn(|_| held.next().unwrap_or_default());
                detector.push(&lane);
            }
        }
        self.bass.copy_from(&other.bass);
        self.linked.copy_from(&other.linked);
        for (alone, other) in self.alone.iter_mut().zip(&other.alone) {
            alone.copy_from(other);
        }
        (self.ceiling, self.link, self.amount) = (other.ceiling, other.link, other.amount);
        self.ceilings = other.ceilings;
        (self.apart, self.at_rest) = (other.apart, other.at_rest);
        self.staying = other.staying;
        self.lowest_gain = 1.0;
    }

    /// Forgets all reduction.
    fn rest(&mut self) {
        self.linked.reset();
        for alone in &mut self.alone {
            alone.reset();
        }
        self.apart = false;
        self.at_rest = true;
    }

    /// Limits a quantum in place; returns the lowest gain of any channel.
    fn quantum(&mut self, frames: &mut [Lane; 2], aims: Aims) -> f32 {
        let ceilings = self.next_ceilings(aims.ceiling);
        self.link.set_target(aims.link);
        self.staying = if aims.enabled {
            self.stays
        } else {
            self.staying.saturating_sub(1)
        };
        let on = self.staying > 0;
        self.amount.set_target(f64::from(u8::from(on)));
        for (detector, lane) in self.detectors.iter_mut().zip(frames.iter_mut()) {
            remove_faults(lane);
            detector.push(lane);
        }
        let bass = self.bass.push(&frames[..self.detectors.len().min(2)]);
        let [first, second] = frames;
        self.delay
            .process(&mut [first.as_mut_slice(), second.as_mut_slice()]);
        if is_settled_at(&self.amount, 0.0) {
            self.link.skip(QUANTUM as u32);
            if !self.at_rest {
                self.rest();
            }
            return 1.0;
        }
        self.at_rest = false;
        let pace = match aims.release {
            Release::Automatic => Pace::Automatic(bass),
            Release::Manual(ms) => Pace::Manual(LimiterSettings::RELEASE_MS.held(ms)),
        };
        let mut gains = self.gains(&ceilings, pace);
        if !is_settled_at(&self.amount, 1.0) {
            let amount = frames_of(&mut self.amount);
            for gain in &mut gains {
                for (gain, amount) in gain.iter_mut().zip(amount) {
                    *gain = 1.0 + amount * (*gain - 1.0);
                }
            }
        }
        let mut lowest = 1.0_f32;
        for (lane, gain) in frames.iter_mut().zip(&gains) {
            for (x, gain) in lane.iter_mut().zip(gain) {
                *x *= gain;
            }
            lowest = lowest.min(smallest(gain));
        }
        lowest
    }

    /// Lowest ceiling of each group of the quantum that the detector judges next.
    fn next_ceilings(&mut self, target: f64) -> [f64; GROUPS] {
        let primed = self.ceiling.value() > 0.0;
        self.ceiling.set_target(target);
        if !primed {
            self.ceilings = [target; CEILINGS];
        }
        self.ceilings.rotate_left(GROUPS);
        for lowest in self.ceilings.iter_mut().skip(CEILINGS - GROUPS) {
            let before = self.ceiling.value();
            *lowest = before.min(self.ceiling.skip(GROUP as u32));
        }
        self.ceilings
            .first_chunk()
            .copied()
            .unwrap_or([target; GROUPS])
    }

    /// The gains of the quantum that leaves the delay.
    fn gains(&mut self, ceilings: &[f64; GROUPS], pace: Pace) -> [Lane; 2] {
        let mut needed = [[1.0; GROUPS]; 2];
        for (detector, needed) in self.detectors.iter_mut().zip(&mut needed) {
            *needed = detector.needed_gain(ceilings);
        }
        let both: [f64; GROUPS] =
            std::array::from_fn(|group| needed[0][group].min(needed[1][group]));
        let apart = !is_settled_at(&self.link, 1.0) && self.detectors.len() > 1;
        if apart && !self.apart {
            // Leaving full link: what was needed so far is a safe past for either channel.
            for alone in &mut self.alone {
                alone.copy_from(&self.linked);
            }
        }
        self.apart = apart;
        let linked = self.linked.process(&both, pace);
        if !apart {
            return [linked; 2];
        }
        let link = frames_of(&mut self.link);
        let mut gains = [linked; 2];
        for ((gain, alone), needed) in gains.iter_mut().zip(&mut self.alone).zip(&needed) {
            for ((gain, alone), link) in gain.iter_mut().zip(alone.process(needed, pace)).zip(link)
            {
                // A share of the decibels. Neither is higher than what the channel needs, so nothing
                // between them is.
                *gain = alone * (*gain / alone.max(f32::MIN_POSITIVE)).powf(link);
            }
        }
        gains
    }
}

/// Smallest of the gains.
fn smallest(gains: &Lane) -> f32 {
    let (eights, _) = gains.as_chunks::<8>();
    let least = eights.iter().fold(f32x8::ONE, |least, gains| {
        least.fast_min(f32x8::new(*gains))
    });
    least.to_array().into_iter().fold(1.0, f32::min)
}

/// Whether a ramp has come to rest at `value`.
#[expect(clippy::float_cmp, reason = "a ramp arrives exactly")]
fn is_settled_at(ramp: &Ramp, value: f64) -> bool {
    ramp.is_settled() && ramp.target() == value
}
