//! A stretch of a reference to listen to, on its way to the audio thread and back.
//!
//! It is decoded, resampled, looped and measured elsewhere. The audio thread takes it as one box
//! and hands back the box that it no longer plays, so that it neither allocates nor frees. Each way
//! is a cell that holds one box at most: putting one in and taking one out is one atomic swap, and
//! neither side ever waits.

use crate::dsp::fault::{LARGEST_INPUT, silence_faults};
use crate::dsp::ramp::{SWITCH_MS, frames_from_ms};
use crate::measure::{ChannelRole, Meter};
use crate::worker::{Scheduled, Worker};
use crossbeam::atomic::AtomicCell;
use std::f64::consts::FRAC_PI_2;
use std::fmt;
use std::io;
use std::sync::Arc;

/// Shortest stretch that can be listened to, s: the short-term window of EBU Tech 3341.
const SHORTEST_S: f64 = 3.0;
/// Loudness is known at every tenth of a second, and is that of four of them (EBU Tech 3341).
const STEPS_PER_SECOND: f64 = 10.0;
const MOMENTARY_STEPS: usize = 4;

/// Why a stretch of audio cannot be listened to as a reference.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AuditionError {
    /// It is shorter than 3 s.
    TooShort,
    /// Nothing in it is loud enough to have a loudness (ITU-R BS.1770-5, absolute gate).
    Silent,
}

impl fmt::Display for AuditionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::TooShort => "shorter than 3 s; choose a longer part",
            Self::Silent => "silent; choose another part",
        })
    }
}

impl std::error::Error for AuditionError {}

/// A stretch of audio without an end: what lies past its last frame is its first.
///
/// Its end fades into its beginning, in 20 ms at equal power, so that it is as much shorter than
/// what it was made of.
pub struct AuditionLoop {
    planes: Vec<Vec<f32>>,
    frames: usize,
    integrated_lufs: f64,
    /// Loudness of the 400 ms that end with each step, LUFS; −∞ for silence.
    momentary_lufs: Vec<f32>,
    step_frames: usize,
}

impl AuditionLoop {
    /// Makes one of one or two planes of the same length, at the sample rate at which it will be
    /// played on `channels` channels: one plane is heard on both of two, two planes on one channel
    /// as their mean. Samples beyond +80 dBFS or not finite count as silence. Allocates.
    ///
    /// # Errors
    /// There is less than 3 s, or nothing loud enough to have a loudness.
    pub fn new(
        sample_rate_hz: f64,
        channels: usize,
        mut planes: Vec<Vec<f32>>,
    ) -> Result<Self, AuditionError> {
        planes.truncate(2);
        let length = planes.iter().map(Vec::len).min().unwrap_or(0);
        if (length as f64) < SHORTEST_S * sample_rate_hz {
            return Err(AuditionError::TooShort);
        }
        let fade = frames_from_ms(sample_rate_hz, SWITCH_MS) as usize;
        let frames = length - fade;
        for channel in &mut planes {
            silence_faults(channel, LARGEST_INPUT);
        }
        if let (1, [left, right]) = (channels, &mut planes[..]) {
            for (left, right) in left.iter_mut().zip(right) {
                *left = 0.5 * (*left + *right);
            }
            planes.truncate(1);
        }
        for channel in &mut planes {
            let (body, tail) = channel.split_at_mut(frames);
            for (index, (head, tail)) in body.iter_mut().zip(tail).enumerate() {
                let angle = FRAC_PI_2 * (index as f64 + 0.5) / fade as f64;
                let (rising, falling) = angle.sin_cos();
                *head = (f64::from(*head) * rising + f64::from(*tail) * falling) as f32;
            }
            channel.truncate(frames);
            channel.shrink_to_fit();
        }
        #[expect(clippy::cast_sign_loss, reason = "at least 1")]
        let step_frames = (sample_rate_hz / STEPS_PER_SECOND).round().max(1.0) as usize;
        let mut made = Self {
            planes,
            frames,
            integrated_lufs: 0.0,
            momentary_lufs: Vec::new(),
            step_frames,
        };
        made.integrated_lufs = made
            .measure(sample_rate_hz, channels.clamp(1, 2))
            .ok_or(AuditionError::Silent)?;
        Ok(made)
    }

    /// Measures it as it will be heard; returns its integrated loudness.
    fn measure(&mut self, sample_rate_hz: f64, channels: usize) -> Option<f64> {
        let roles = &[ChannelRole::Front; 2][..channels];
        let mut meter = Meter::new(sample_rate_hz, roles, self.step_frames);
        let play = |meter: &mut Meter, start: usize, frames: usize| {
            let end = (start + frames).min(self.frames);
            let part = |index| self.plane(index)?.get(start..end);
            let slices: Vec<&[f32]> = (0..channels).filter_map(part).collect();
            meter.process(&slices);
            meter
                .readings()
                .momentary_lufs
                .map_or(f32::NEG_INFINITY, |lufs| lufs as f32)
        };
        // Its end comes before its beginning, and the filters have heard it.
        let lead_in = MOMENTARY_STEPS * self.step_frames;
        for start in (self.frames.saturating_sub(lead_in)..self.frames).step_by(self.step_frames) {
            play(&mut meter, start, self.step_frames);
        }
        meter.restart();
        let steps = (0..self.frames).step_by(self.step_frames);
        let mut momentary: Vec<f32> = steps
            .map(|start| play(&mut meter, start, self.step_frames))
            .collect();
        let integrated = meter.readings().integrated_lufs;
        // Their windows reach back into the end.
        for (index, told) in momentary.iter_mut().take(MOMENTARY_STEPS).enumerate() {
            *told = play(&mut meter, index * self.step_frames, self.step_frames);
        }
        self.momentary_lufs = momentary;
        integrated
    }

    /// What is heard on this channel.
    fn plane(&self, channel: usize) -> Option<&Vec<f32>> {
        self.planes.get(channel).or(self.planes.first())
    }

    /// Frames until it begins anew, at least some 3 s.
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// Its integrated loudness, seam included, LUFS (ITU-R BS.1770-5).
    pub fn integrated_lufs(&self) -> f64 {
        self.integrated_lufs
    }

    /// Loudness of the 400 ms up to frame `position`, within a tenth of a second, LUFS; `None` for
    /// silence.
    ///
    /// # Realtime
    /// Yes.
    pub(crate) fn behind_lufs(&self, position: usize) -> Option<f64> {
        let steps = self.momentary_lufs.len().max(1);
        self.momentary(position / self.step_frames + steps - 1)
    }

    /// The same of the 400 ms that follow.
    ///
    /// # Realtime
    /// Yes.
    pub(crate) fn ahead_lufs(&self, position: usize) -> Option<f64> {
        self.momentary(position / self.step_frames + MOMENTARY_STEPS - 1)
    }

    fn momentary(&self, step: usize) -> Option<f64> {
        let lufs = self
            .momentary_lufs
            .get(step % self.momentary_lufs.len().max(1))?;
        lufs.is_finite().then(|| f64::from(*lufs))
    }

    /// Fills both slices, of one length, with what follows frame `position`; a single channel fills
    /// either. Returns the frame that follows.
    ///
    /// # Realtime
    /// Yes.
    pub fn play(&self, position: usize, mut to: [&mut [f32]; 2]) -> usize {
        let mut from = position % self.frames.max(1);
        let wanted = to[0].len().max(to[1].len());
        let mut done = 0;
        while done < wanted {
            let run = (self.frames - from).min(wanted - done);
            for (index, to) in to.iter_mut().enumerate() {
                let plane = self.plane(index);
                let samples = plane.and_then(|plane| plane.get(from..from + run));
                if let (Some(to), Some(samples)) = (to.get_mut(done..done + run), samples) {
                    to.copy_from_slice(samples);
                }
            }
            done += run;
            from = (from + run) % self.frames;
        }
        from
    }
}

impl fmt::Debug for AuditionLoop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("AuditionLoop")
            .field("planes", &self.planes.len())
            .field("frames", &self.frames)
            .field("integrated_lufs", &self.integrated_lufs)
            .finish_non_exhaustive()
    }
}

/// What is sent: a loop to listen to from now on, or that there is none any more.
#[derive(Debug)]
pub struct Parcel(Option<AuditionLoop>);

impl Parcel {
    /// The loop in it.
    pub fn audition(&self) -> Option<&AuditionLoop> {
        self.0.as_ref()
    }
}

type Cell = AtomicCell<Option<Box<Parcel>>>;

const _: () = assert!(Cell::is_lock_free());

#[derive(Default)]
struct Ways {
    there: Cell,
    back: Cell,
}

impl fmt::Debug for Ways {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Ways").finish_non_exhaustive()
    }
}

/// The half of whoever makes loops.
#[derive(Debug)]
pub struct AuditionSender {
    ways: Arc<Ways>,
    /// Frees what comes back.
    task: Option<Scheduled>,
}

/// The audio thread's half.
#[derive(Debug)]
pub struct AuditionReceiver {
    ways: Arc<Ways>,
    /// What could not be handed back yet, since the last one lies there still.
    kept: Option<Box<Parcel>>,
}

/// Makes the two halves. Allocates.
pub fn audition() -> (AuditionSender, AuditionReceiver) {
    let ways = Arc::new(Ways::default());
    let sender = AuditionSender {
        ways: Arc::clone(&ways),
        task: None,
    };
    (sender, AuditionReceiver { ways, kept: None })
}

impl AuditionSender {
    /// Has this loop listened to from now on, in the place of any before it.
    ///
    /// # Errors
    /// The system does not give another thread; nothing was sent.
    pub fn send(&mut self, audition: AuditionLoop) -> io::Result<()> {
        if self.task.is_none() {
            let ways = Arc::clone(&self.ways);
            let collect = move || {
                drop(ways.back.take());
                false
            };
            // What is no longer collected stays where it is, and harms nobody.
            self.task = Some(Worker::of_process().schedule(collect, || ())?);
        }
        self.put(Parcel(Some(audition)));
        Ok(())
    }

    /// Leaves nothing to listen to.
    pub fn clear(&self) {
        self.put(Parcel(None));
    }

    fn put(&self, parcel: Parcel) {
        // What has not been taken yet is of no use any more.
        drop(self.ways.there.swap(Some(Box::new(parcel))));
        drop(self.ways.back.take());
    }
}

impl AuditionReceiver {
    /// What was sent last, if it has not been taken yet.
    ///
    /// # Realtime
    /// Yes, wait-free: two atomic swaps at the most.
    pub fn take(&mut self) -> Option<Box<Parcel>> {
        if let Some(kept) = self.kept.take() {
            self.kept = self.ways.back.swap(Some(kept));
        }
        // While one waits here there would be no place for another.
        if self.kept.is_some() {
            return None;
        }
        self.ways.there.take()
    }

    /// Whether something can be [handed back](Self::hand_back): at any time but while the last one
    /// has not been fetched.
    pub(crate) fn has_room(&self) -> bool {
        self.kept.is_none()
    }

    /// Hands back what is no longer played. Only where there is [room](Self::has_room).
    ///
    /// # Realtime
    /// Yes, wait-free: one atomic swap.
    pub(crate) fn hand_back(&mut self, parcel: Box<Parcel>) {
        debug_assert!(self.has_room());
        self.kept = self.ways.back.swap(Some(parcel));
    }
}
