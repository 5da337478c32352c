//! One block of audio: processing and measurement. No input or output, no locks, no allocation; the plug-in, the command and the forecast all
//! run this.

use crate::dsp::delay::DelayLine;
use crate::handover::{Activity, Point, Snapshot};
use crate::measure::{ChannelRole, Meter};
use crate::process::{Chain, ChainSettings, Listen, ListenSettings, RecentLoudness, Signals};

/// What an engine is built for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EngineSpec {
    /// Hz, 8 kHz to 384 kHz; need not be a whole number.
    pub sample_rate_hz: f64,
    /// 1 or 2.
    pub channels: usize,
}

/// What the user has set, as one `Copy` value a block.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Settings {
    /// Settings of the stages.
    pub chain: ChainSettings,
    /// What is heard.
    pub listen: ListenSettings,
    /// The host's transport runs.
    pub playing: bool,
}

/// Frames worked on at a time, whatever the host's block size. Work is cut at multiples of this, counted from the start, so that what is steered
/// by measurements does not depend on the host's blocks.
pub const CHUNK: usize = 256;
/// The balance is copied into the snapshot ten times a second.
const BALANCES_PER_SECOND: f64 = 10.0;

/// The engine. See the module's head.
#[derive(Debug)]
pub struct Engine {
    spec: EngineSpec,
    chain: Chain,
    dry_delay: DelayLine,
    listen: Listen,
    input: MeasuredPoint,
    clean: MeasuredPoint,
    output: MeasuredPoint,
    /// Signals at hand: the input in step with the paths, and the two paths.
    dry_signal: Stereo,
    clean_signal: Stereo,
    output_signal: Stereo,
    /// Frames into the current chunk, and frames in the last stretch that was worked on.
    position: usize,
    stretch: usize,
    loudness: RecentLoudness,
    playing: bool,
}

/// Room for one chunk of one or two channels.
type Stereo = [Box<[f32; CHUNK]>; 2];

fn silent_stereo() -> Stereo {
    [Box::new([0.0; CHUNK]), Box::new([0.0; CHUNK])]
}

/// The first `frames` of each channel.
fn first_of(of: &Stereo, frames: usize) -> [&[f32]; 2] {
    [&of[0][..frames], &of[1][..frames]]
}

/// The first `frames` of each channel, to write to.
fn first(of: &mut Stereo, frames: usize) -> [&mut [f32]; 2] {
    let [left, right] = of;
    [&mut left[..frames], &mut right[..frames]]
}

/// A meter and the balance last taken from it.
#[derive(Debug)]
struct MeasuredPoint {
    meter: Meter,
    balance_every: u64,
    balance_due: u64,
    point: Point,
}

impl MeasuredPoint {
    fn new(spec: EngineSpec, stagger: f64) -> Self {
        let roles = [ChannelRole::Front; 2];
        let every = spec.sample_rate_hz / BALANCES_PER_SECOND;
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive, a stagger not negative")]
        let [balance_every, balance_due] = [every as u64, (every * stagger) as u64];
        Self {
            meter: Meter::new(spec.sample_rate_hz, &roles[..spec.channels], CHUNK).with_balance(stagger),
            balance_every,
            // Each point takes its balance at another time, so that no block has to compute all of them.
            balance_due,
            point: Point::default(),
        }
    }

    fn restart(&mut self) {
        self.meter.reset();
        self.point = Point::default();
        self.balance_due %= self.balance_every.max(1);
    }

    fn process(&mut self, channels: &[&[f32]]) {
        self.meter.process(channels);
        self.point.readings = self.meter.readings();
        if self.point.readings.frames >= self.balance_due {
            self.balance_due += self.balance_every;
            self.point.balance = self.meter.balance();
        }
    }
}

impl Engine {
    /// An engine with everything it will ever need. Allocates.
    pub fn new(spec: EngineSpec) -> Self {
        let spec = EngineSpec { channels: spec.channels.clamp(1, 2), ..spec };
        let chain = Chain::new(spec.sample_rate_hz, spec.channels, CHUNK);
        Self {
            spec,
            dry_delay: DelayLine::new(chain.latency_frames(), spec.channels),
            chain,
            listen: Listen::new(spec.sample_rate_hz),
            input: MeasuredPoint::new(spec, 0.0),
            clean: MeasuredPoint::new(spec, 1.0 / 3.0),
            output: MeasuredPoint::new(spec, 2.0 / 3.0),
            dry_signal: silent_stereo(),
            clean_signal: silent_stereo(),
            output_signal: silent_stereo(),
            position: 0,
            stretch: 0,
            loudness: RecentLoudness::default(),
            playing: false,
        }
    }

    /// What the engine was built for.
    pub fn spec(&self) -> EngineSpec {
        self.spec
    }

    /// Frames from input to output: a constant of the sample rate, whatever is switched on.
    pub fn latency_frames(&self) -> usize {
        self.chain.latency_frames()
    }

    /// Clears everything that can be heard; what has been measured stays.
    ///
    /// # Realtime Safety
    /// Yes.
    pub fn reset(&mut self) {
        self.chain.reset();
        self.dry_delay.reset();
        self.listen.reset();
    }

    /// Forgets everything measured so far; what can be heard stays.
    ///
    /// # Realtime Safety
    /// Yes.
    pub fn restart(&mut self) {
        for point in [&mut self.input, &mut self.clean, &mut self.output] {
            point.restart();
        }
    }

    /// Processes one block in place: one slice a channel, all of one length, any length. Samples that are not finite count as silence.
    ///
    /// # Realtime Safety
    /// Yes.
    pub fn process(&mut self, main: &mut [&mut [f32]], settings: &Settings) {
        self.playing = settings.playing;
        let [left, right] = match main {
            [] => return,
            [left] => [&mut **left, &mut []],
            [left, right, ..] => [&mut **left, &mut **right],
        };
        let stereo = self.spec.channels == 2;
        let frames = if stereo { left.len().min(right.len()) } else { left.len() };
        let mut start = 0;
        while start < frames {
            let end = frames.min(start + CHUNK - self.position);
            let right = if stereo { &mut right[start..end] } else { &mut [][..] };
            let mut chunk = [&mut left[start..end], right];
            self.chunk(&mut chunk[..self.spec.channels], end - start, settings);
            self.position = (self.position + end - start) % CHUNK;
            start = end;
        }
    }

    fn chunk(&mut self, main: &mut [&mut [f32]], frames: usize, settings: &Settings) {
        if self.position == 0 {
            self.loudness = RecentLoudness {
                output_lufs: self.output.point.readings.gated_10s_lufs,
                clean_lufs: self.clean.point.readings.gated_10s_lufs,
                input_lufs: self.input.point.readings.gated_10s_lufs,
            };
        }
        self.stretch = frames;
        let channels = main.len();
        for sample in main.iter_mut().flat_map(|channel| channel.iter_mut()) {
            *sample = if sample.is_finite() { *sample } else { 0.0 };
        }
        let mut dry = first(&mut self.dry_signal, frames);
        let mut clean = first(&mut self.clean_signal, frames);
        let mut output = first(&mut self.output_signal, frames);
        for (main, (dry, clean)) in main.iter().zip(dry.iter_mut().zip(&mut clean)) {
            dry.copy_from_slice(main);
            clean.copy_from_slice(main);
        }
        self.input.process(&[&*dry[0], &*dry[1]][..channels]);
        self.dry_delay.process(&mut dry[..channels]);
        self.chain.process(&mut clean[..channels], &mut output[..channels], &settings.chain);
        let signals = Signals {
            output: [&*output[0], &*output[1]],
            clean: [&*clean[0], &*clean[1]],
            input: [&*dry[0], &*dry[1]],
        };
        self.clean.process(&signals.clean[..channels]);
        self.output.process(&signals.output[..channels]);
        self.listen.process(main, &signals, settings.listen, &self.loudness);
    }

    /// The input (delayed by the latency), the clean path and the output path, all in step, of the last stretch worked on: the whole block, if it
    /// was one of [`CHUNK`] frames and so were all before it.
    pub fn signals(&self) -> Signals<'_> {
        let of = |stereo| first_of(stereo, self.stretch);
        Signals { output: of(&self.output_signal), clean: of(&self.clean_signal), input: of(&self.dry_signal) }
    }

    /// What has been measured, for the editor.
    ///
    /// # Realtime Safety
    /// Yes: a copy.
    pub fn snapshot(&self) -> Snapshot {
        let chain = self.chain.activity();
        Snapshot {
            sample_rate_hz: self.spec.sample_rate_hz,
            channels: self.spec.channels as u32,
            latency_frames: self.latency_frames() as u32,
            playing: self.playing,
            input: self.input.point,
            clean: self.clean.point,
            output: self.output.point,
            activity: Activity {
                band_gain_db: chain.band_gain_db,
                clean_limiter_db: chain.clean_limiter_db,
                output_limiter_db: chain.output_limiter_db,
                share_above_shoulder: chain.share_above_shoulder,
                listen_gain_db: self.listen.gain_db() as f32,
                match_db: self.listen.match_db().map(|db| db as f32),
            },
        }
    }
}
