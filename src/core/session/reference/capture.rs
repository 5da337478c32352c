//! A reference that comes in by the side-chain, from a start to a stop.
//!
//! The audio thread writes it down; a task of the process's [worker](crate::worker) measures it as
//! a file is measured, by the same [`Profiler`], while it comes in.

use std::fmt;
use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use super::profile::{Profile, ProfileError};
use super::profiler::Profiler;
use crate::handover::SideChainReader;
use crate::measure::ChannelRole;
use crate::session::Section;
use crate::worker::{Scheduled, Worker, lock};

/// What it is called.
const NAME: &str = "side-chain";

/// Why nothing came of it. Displays as one line with the cause and the remedy.
#[derive(Clone, Debug, PartialEq)]
pub enum CaptureError {
    /// Nothing came in, or not a sample of it was anything but 0, as where nothing is connected.
    Nothing,
    /// Something was written over before it was read.
    Overtaken,
    /// What came in cannot be measured.
    Unusable(ProfileError),
    /// The measurement panicked.
    Fault,
}

impl fmt::Display for CaptureError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Nothing => f.write_str(
                "Nothing came in by the side-chain while it played: route the reference to it, play it rather than render it, and capture again.",
            ),
            Self::Overtaken => f.write_str(
                "The side-chain came in faster than it could be measured: close other work, and capture again.",
            ),
            Self::Fault => f.write_str(
                "The side-chain was not captured, by a fault of Crestline's own: capture again.",
            ),
            Self::Unusable(ProfileError::Silent) => f.write_str(
                "The side-chain was too quiet to be measured: raise the reference and capture again.",
            ),
            Self::Unusable(ProfileError::TooShort { duration_s }) => write!(
                f,
                "Only {duration_s:.1} s came in by the side-chain: capture longer."
            ),
            Self::Unusable(error) => write!(f, "The side-chain: {error}."),
        }
    }
}

impl std::error::Error for CaptureError {}

type Outcome = Result<Profile, CaptureError>;
type Leave = Box<dyn FnOnce(&Profile) + Send>;

#[derive(Debug, Default)]
struct Shared {
    /// Frames that have been measured.
    frames: AtomicU64,
    /// It is to end.
    stop: AtomicBool,
    outcome: Mutex<Option<Outcome>>,
}

/// A reference on its way in; dropped, it is given up. It ends by itself where the sample rate or
/// the channels change.
#[derive(Debug)]
pub struct Capture {
    // Dropped first: nothing reads any more when the writing ends.
    _task: Scheduled,
    shared: Arc<Shared>,
    reader: SideChainReader,
}

impl Capture {
    /// Begins to write the side-chain down, and to measure it; `leave` takes the profile on the
    /// worker's thread.
    ///
    /// # Errors
    /// The system does not give another thread.
    pub fn begin(
        reader: SideChainReader,
        section: Section,
        leave: impl FnOnce(&Profile) + Send + 'static,
    ) -> io::Result<Self> {
        let shared = Arc::new(Shared::default());
        let leave = Box::new(leave);
        let mut measuring = Measuring::new(reader.clone(), section, Arc::clone(&shared), leave);
        let at_fault = Arc::clone(&shared);
        let task = Worker::of_process().schedule(
            move || measuring.step(),
            move || *lock(&at_fault.outcome) = Some(Err(CaptureError::Fault)),
        )?;
        Ok(Self {
            _task: task,
            shared,
            reader,
        })
    }

    /// How much of it has been measured, seconds.
    pub fn captured_s(&self) -> f64 {
        self.shared.frames.load(Ordering::Relaxed) as f64 / self.reader.sample_rate_hz()
    }

    /// Ends it. What came of it is told within a second or so.
    pub fn stop(&self) {
        self.reader.end();
        self.shared.stop.store(true, Ordering::Release);
    }

    /// What came of it, once; `None` until then.
    pub fn outcome(&self) -> Option<Result<Profile, CaptureError>> {
        lock(&self.shared.outcome).take()
    }
}

impl Drop for Capture {
    fn drop(&mut self) {
        self.reader.end();
    }
}

/// What the worker does.
struct Measuring {
    reader: SideChainReader,
    shared: Arc<Shared>,
    /// Until it is done.
    profiler: Option<Profiler>,
    next: u64,
    planes: Vec<Vec<f32>>,
    leave: Option<Leave>,
    /// A sample has been anything but 0.
    sounded: bool,
}

impl Measuring {
    fn new(reader: SideChainReader, section: Section, shared: Arc<Shared>, leave: Leave) -> Self {
        let roles = vec![ChannelRole::Front; reader.channels()];
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let sample_rate_hz = reader.sample_rate_hz().round() as u32;
        Self {
            profiler: Some(Profiler::new(sample_rate_hz, &roles, section)),
            next: reader.begin(),
            reader,
            shared,
            planes: Vec::new(),
            leave: Some(leave),
            sounded: false,
        }
    }

    /// Takes some thousand frames; true if there may be as many again.
    fn step(&mut self) -> bool {
        let Some(profiler) = &mut self.profiler else {
            return false;
        };
        // Acquire, before the reading: what was written before the end is read.
        let stop = self.shared.stop.load(Ordering::Acquire) || self.reader.is_closed();
        let Some(frames) = self.reader.read(self.next, &mut self.planes) else {
            self.end(Err(CaptureError::Overtaken));
            return false;
        };
        if frames > 0 {
            let planes: Vec<&[f32]> = self.planes.iter().map(Vec::as_slice).collect();
            profiler.process(&planes);
            let mut samples = planes.iter().copied().flatten();
            self.sounded |= samples.any(|sample| *sample != 0.0);
            self.next += frames as u64;
            let measured = &self.shared.frames;
            measured.fetch_add(frames as u64, Ordering::Relaxed);
            return true;
        }
        if stop && let Some(profiler) = self.profiler.take() {
            self.end(if self.sounded {
                profiler.finish(NAME).map_err(CaptureError::Unusable)
            } else {
                Err(CaptureError::Nothing)
            });
        }
        false
    }

    fn end(&mut self, outcome: Outcome) {
        self.profiler = None;
        if let (Ok(profile), Some(leave)) = (&outcome, self.leave.take()) {
            leave(profile);
        }
        *lock(&self.shared.outcome) = Some(outcome);
    }
}
