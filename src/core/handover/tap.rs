//! How the signal from before finds its place beside the input: the audio thread writes both down,
//! a thread of its own compares them.

mod search;

pub use self::search::Finding;
use self::search::Search;
use crate::measure::{Aligner, Reduction, longest_delay_frames};
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering, fence};
use std::thread::{Builder, JoinHandle};
use std::time::Duration;

/// Shortest stretch that is compared, seconds; it is rounded up to a power of two in frames.
const STRETCH_S: f64 = 2.0;
/// The written past is so many stretches long, so that what is being read is not written over.
const STRETCHES: usize = 2;
/// How often the thread looks whether there is something to do.
const LOOK_EVERY: Duration = Duration::from_millis(200);

/// How the side-chain and the input lie to each other.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TapState {
    /// The side-chain is not said to carry the signal from before.
    #[default]
    Off,
    /// The side-chain is silent while the input is not.
    NoSideChain,
    /// Not enough has been heard to tell.
    Listening,
    /// The two belong together; the delay is known.
    Aligned,
    /// The two have nothing in common.
    NotRelated,
}

/// What is known of the way from the tap to the input.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tap {
    /// How the two lie to each other.
    pub state: TapState,
    /// Frames by which the input comes after the tap; negative if it comes before.
    pub delay_frames: i32,
    /// Whether the input is upside down against the tap.
    pub inverted: bool,
    /// What happened in between, once they are aligned.
    pub reduction: Reduction,
}

/// What both threads can reach.
#[derive(Debug)]
struct Shared {
    /// One frame a cell, each signal's channels summed up: the tap in the upper half, the input in
    /// the lower.
    cells: Box<[AtomicU64]>,
    /// Frames written so far; frame n lies in cell n modulo their number.
    written: AtomicU64,
    /// Frame with which the comparison begins; it moves on when the tap is switched on.
    begin: AtomicU64,
    finding: AtomicU64,
    stop: AtomicBool,
}

/// The audio thread's half.
#[derive(Debug)]
pub struct TapWriter {
    shared: Arc<Shared>,
    /// Frames written so far; only this half writes.
    written: u64,
}

/// The thread that compares. It ends when this is dropped.
#[derive(Debug)]
pub struct TapThread {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

/// Makes the two halves for one sample rate, and starts the thread. Allocates 2 MiB at 48 kHz.
///
/// # Errors
/// The system does not give another thread.
pub fn tap(sample_rate_hz: f64) -> io::Result<(TapWriter, TapThread)> {
    #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
    let frames = ((STRETCH_S * sample_rate_hz) as usize).next_power_of_two();
    let shared = Arc::new(Shared {
        cells: (0..STRETCHES * frames).map(|_| AtomicU64::new(0)).collect(),
        written: AtomicU64::new(0),
        begin: AtomicU64::new(0),
        finding: AtomicU64::new(Finding::default().packed()),
        stop: AtomicBool::new(false),
    });
    let theirs = Arc::clone(&shared);
    let lag = i32::try_from(longest_delay_frames(sample_rate_hz)).unwrap_or(i32::MAX);
    let work = move || compare(&theirs, &mut Aligner::new(frames, -lag..=lag));
    let thread = Builder::new()
        .name("crestline-tap".to_owned())
        .spawn(work)?;
    Ok((
        TapWriter {
            shared: Arc::clone(&shared),
            written: 0,
        },
        TapThread {
            shared,
            thread: Some(thread),
        },
    ))
}

impl TapWriter {
    /// Begins a new comparison: nothing that came before counts.
    ///
    /// # Realtime Safety
    /// Yes, wait-free.
    pub fn begin(&mut self) {
        self.shared
            .finding
            .store(Finding::default().packed(), Ordering::Relaxed);
        self.shared.begin.store(self.written, Ordering::Relaxed);
    }

    /// Writes down a block of both signals, one slice a channel, all of one length. The samples
    /// must be finite.
    ///
    /// # Realtime Safety
    /// Yes, wait-free: one store a frame.
    pub fn write(&mut self, tap: &[&[f32]], input: &[&[f32]]) {
        let frames = input.first().map_or(0, |channel| channel.len());
        let capacity = self.shared.cells.len() as u64;
        let first = (self.written % capacity) as usize;
        let (start, end) = self.shared.cells.split_at(first);
        let sum = |signal: &[&[f32]], frame: usize| {
            let samples = signal.iter().filter_map(|channel| channel.get(frame));
            u64::from(samples.sum::<f32>().to_bits())
        };
        for (frame, cell) in end.iter().chain(start).take(frames).enumerate() {
            cell.store(sum(tap, frame) << 32 | sum(input, frame), Ordering::Relaxed);
        }
        self.written += frames as u64;
        // Release: who sees the count sees the frames.
        self.shared.written.store(self.written, Ordering::Release);
    }

    /// The newest finding.
    ///
    /// # Realtime Safety
    /// Yes, wait-free: one load.
    pub fn finding(&self) -> Finding {
        Finding::unpacked(self.shared.finding.load(Ordering::Relaxed))
    }
}

impl Drop for TapThread {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            thread.thread().unpark();
            // It has panicked or it has ended; either way it is gone.
            let _ = thread.join();
        }
    }
}

/// The work of the thread.
fn compare(shared: &Shared, aligner: &mut Aligner) {
    let stretch = aligner.frames() as u64;
    let (mut tap, mut input) = (vec![0.0; aligner.frames()], vec![0.0; aligner.frames()]);
    let mut search = Search::default();
    let mut begin = 0;
    let mut due = stretch;
    while !shared.stop.load(Ordering::Acquire) {
        if shared.begin.load(Ordering::Relaxed) != begin {
            begin = shared.begin.load(Ordering::Relaxed);
            search = Search::default();
            due = begin + stretch;
        }
        let written = shared.written.load(Ordering::Acquire);
        if written < due || !shared.read(written - stretch, &mut tap, &mut input) {
            std::thread::park_timeout(LOOK_EVERY);
            continue;
        }
        let finding = search.take(aligner.compare(&tap, &input));
        // Otherwise another comparison began meanwhile, which this finding has nothing to do with.
        if shared.begin.load(Ordering::Relaxed) == begin {
            shared.finding.store(finding.packed(), Ordering::Relaxed);
        }
        due = written
            + if finding.state == TapState::Aligned {
                2 * stretch
            } else {
                stretch / 2
            };
    }
}

impl Shared {
    /// Reads frames from `first` on; false if they were being written over meanwhile.
    fn read(&self, first: u64, tap: &mut [f32], input: &mut [f32]) -> bool {
        let capacity = self.cells.len() as u64;
        let (start, end) = self.cells.split_at((first % capacity) as usize);
        for ((cell, tap), input) in end.iter().chain(start).zip(&mut *tap).zip(&mut *input) {
            let both = cell.load(Ordering::Relaxed);
            (*tap, *input) = (
                f32::from_bits((both >> 32) as u32),
                f32::from_bits(both as u32),
            );
        }
        // The frames were read before the count is looked at again. A block may be on its way in
        // beyond that count; a few of its frames in a stretch of a hundred thousand would do no
        // harm.
        fence(Ordering::Acquire);
        self.written.load(Ordering::Relaxed) <= first + capacity
    }
}
