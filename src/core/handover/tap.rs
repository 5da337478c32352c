//! How the signal from before is compared with the input: the audio thread writes both down, a
//! thread of its own finds their place beside each other, takes out what is linear between them,
//! and measures the rest.

mod analysis;
mod search;

use self::analysis::Analysis;
use crate::dsp::crossover::DEFAULT_CORNERS_HZ;
use crate::measure::{LinearPart, Reduction, RestGain};
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering, fence};
use std::thread::{Builder, JoinHandle};
use std::time::Duration;

/// The written past, seconds; rounded up to a power of two in frames. The thread may be busy for
/// some seconds before it reads on.
const PAST_S: f64 = 8.0;
/// What is read at once, seconds.
const READ_S: f64 = 0.5;
/// How often the thread looks whether there is something to do.
const LOOK_EVERY: Duration = Duration::from_millis(100);

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
    /// The two belong together; what stands between them is not known yet.
    Settling,
    /// The two belong together, and what stands between them is known.
    Aligned,
    /// What stands between them does not stay what it is: a delay that moves, a chorus.
    NotFixed,
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
    /// What stays: the static linear part, once they are aligned.
    pub linear: LinearPart,
    /// What happened besides, once they are aligned.
    pub reduction: Reduction,
}

/// What both threads can reach.
#[derive(Debug)]
struct Shared {
    /// Two cells a frame, the tap and the input: the left channel in the upper half, the right in
    /// the lower.
    cells: Box<[[AtomicU64; 2]]>,
    channels: usize,
    /// Frames written so far; frame n lies in cell n modulo their number.
    written: AtomicU64,
    /// Frame with which the comparison begins; it moves on when the tap is switched on.
    begin: AtomicU64,
    restarts: AtomicU32,
    /// Gain at rest, dB; not a number while it is to be found.
    rest_gain_db: AtomicU64,
    corners_hz: [AtomicU64; 3],
    stop: AtomicBool,
}

/// What the thread tells, and of which comparison.
#[derive(Clone, Copy, Debug, Default)]
struct Told {
    begin: u64,
    /// Frames that have been taken into account.
    read: u64,
    tap: Tap,
}

/// The audio thread's half.
#[derive(Debug)]
pub struct TapWriter {
    shared: Arc<Shared>,
    told: triple_buffer::Output<Told>,
    /// Frames written so far, and where the comparison begins; only this half writes.
    written: u64,
    begin: u64,
}

/// The thread that compares. It ends when this is dropped.
#[derive(Debug)]
pub struct TapThread {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

/// Makes the two halves for one sample rate and one or two channels, and starts the thread.
/// Allocates 8 MiB at 48 kHz.
///
/// # Errors
/// The system does not give another thread.
pub fn tap(sample_rate_hz: f64, channels: usize) -> io::Result<(TapWriter, TapThread)> {
    let frames = frames(PAST_S, sample_rate_hz).next_power_of_two();
    let cell = |_| [AtomicU64::new(0), AtomicU64::new(0)];
    let shared = Arc::new(Shared {
        cells: (0..frames).map(cell).collect(),
        channels: channels.clamp(1, 2),
        written: AtomicU64::new(0),
        begin: AtomicU64::new(0),
        restarts: AtomicU32::new(0),
        rest_gain_db: AtomicU64::new(f64::NAN.to_bits()),
        corners_hz: DEFAULT_CORNERS_HZ.map(|hz| AtomicU64::new(hz.to_bits())),
        stop: AtomicBool::new(false),
    });
    let nothing = Told {
        tap: Tap {
            state: TapState::Listening,
            ..Tap::default()
        },
        ..Told::default()
    };
    let (mut tell, told) = triple_buffer::triple_buffer(&nothing);
    let theirs = Arc::clone(&shared);
    let work = move || compare(&theirs, sample_rate_hz, &mut tell);
    let thread = Builder::new()
        .name("crestline-tap".to_owned())
        .spawn(work)?;
    Ok((
        TapWriter {
            shared: Arc::clone(&shared),
            told,
            written: 0,
            begin: 0,
        },
        TapThread {
            shared,
            thread: Some(thread),
        },
    ))
}

fn frames(seconds: f64, sample_rate_hz: f64) -> usize {
    #[expect(clippy::cast_sign_loss, reason = "a product of positive numbers")]
    let frames = (seconds * sample_rate_hz) as usize;
    frames
}

impl TapWriter {
    /// Begins a new comparison: nothing that came before counts.
    ///
    /// # Realtime Safety
    /// Yes, wait-free.
    pub fn begin(&mut self) {
        self.begin = self.written;
        self.shared.begin.store(self.begin, Ordering::Relaxed);
    }

    /// Forgets what has been measured, but not what has been found out.
    ///
    /// # Realtime Safety
    /// Yes, wait-free.
    pub fn restart(&mut self) {
        self.shared.restarts.fetch_add(1, Ordering::Relaxed);
    }

    /// Where the gain at rest is taken from, and where the bands meet, Hz.
    ///
    /// # Realtime Safety
    /// Yes, wait-free: four stores.
    pub fn set(&mut self, rest: RestGain, corners_hz: [f64; 3]) {
        let rest_gain_db = match rest {
            RestGain::Automatic => f64::NAN,
            RestGain::Known(db) => db,
        };
        // Relaxed: that they belong together does not matter.
        let shared = &self.shared;
        shared
            .rest_gain_db
            .store(rest_gain_db.to_bits(), Ordering::Relaxed);
        for (cell, hz) in shared.corners_hz.iter().zip(corners_hz) {
            cell.store(hz.to_bits(), Ordering::Relaxed);
        }
    }

    /// Writes down a block of both signals, one slice a channel, all of one length. The samples
    /// must be finite.
    ///
    /// # Realtime Safety
    /// Yes, wait-free: two stores a frame.
    pub fn write(&mut self, tap: &[&[f32]], input: &[&[f32]]) {
        let frames = input.first().map_or(0, |channel| channel.len());
        let capacity = self.shared.cells.len() as u64;
        let first = (self.written % capacity) as usize;
        let (start, end) = self.shared.cells.split_at(first);
        let both = |signal: &[&[f32]], frame: usize| {
            let sample = |channel: usize| {
                let samples = signal.get(channel).and_then(|samples| samples.get(frame));
                u64::from(samples.map_or(0, |sample| sample.to_bits()))
            };
            sample(0) << 32 | sample(1)
        };
        for (frame, [before, after]) in end.iter().chain(start).take(frames).enumerate() {
            before.store(both(tap, frame), Ordering::Relaxed);
            after.store(both(input, frame), Ordering::Relaxed);
        }
        self.written += frames as u64;
        // Release: who sees the count sees the frames.
        self.shared.written.store(self.written, Ordering::Release);
    }

    /// The newest that the thread tells of this comparison.
    ///
    /// # Realtime Safety
    /// Yes, wait-free: one swap at most.
    pub fn told(&mut self) -> Tap {
        let told = *self.told.read();
        if told.begin == self.begin {
            return told.tap;
        }
        Tap {
            state: TapState::Listening,
            ..Tap::default()
        }
    }

    /// Frames that have been written and are not taken into account yet.
    pub fn behind_frames(&mut self) -> u64 {
        self.written.saturating_sub(self.told.read().read)
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
fn compare(shared: &Shared, sample_rate_hz: f64, tell: &mut triple_buffer::Input<Told>) {
    let fresh = || {
        let (rest, corners_hz) = shared.settings();
        Analysis::new(sample_rate_hz, shared.channels, corners_hz, rest)
    };
    // Made when the tap is on for the first time.
    let mut analysis: Option<Analysis> = None;
    let most = frames(READ_S, sample_rate_hz) as u64;
    let (mut begin, mut read, mut restarts) = (0, 0, 0);
    let mut signals = [(); 2].map(|()| vec![Vec::new(); shared.channels]);
    while !shared.stop.load(Ordering::Acquire) {
        if shared.begin.load(Ordering::Relaxed) != begin {
            begin = shared.begin.load(Ordering::Relaxed);
            read = begin;
            analysis = None;
        }
        let written = shared.written.load(Ordering::Acquire);
        if written <= read {
            std::thread::park_timeout(LOOK_EVERY);
            continue;
        }
        let analysis = analysis.get_or_insert_with(fresh);
        let (rest, corners_hz) = shared.settings();
        analysis.set(rest, corners_hz);
        let asked = shared.restarts.load(Ordering::Relaxed);
        if std::mem::replace(&mut restarts, asked) != asked {
            analysis.restart();
        }
        let next = written.min(read + most);
        let whole =
            written - read <= shared.cells.len() as u64 && shared.read(read..next, &mut signals);
        if whole {
            analysis.push([&signals[0], &signals[1]]);
            read = next;
        } else {
            analysis.gap();
            read = written;
        }
        tell.write(Told {
            begin,
            read,
            tap: analysis.told(),
        });
        if written - read < most {
            std::thread::park_timeout(LOOK_EVERY);
        }
    }
}

impl Shared {
    fn settings(&self) -> (RestGain, [f64; 3]) {
        let load = |cell: &AtomicU64| f64::from_bits(cell.load(Ordering::Relaxed));
        let rest_gain_db = load(&self.rest_gain_db);
        let rest = if rest_gain_db.is_nan() {
            RestGain::Automatic
        } else {
            RestGain::Known(rest_gain_db)
        };
        (rest, self.corners_hz.each_ref().map(load))
    }

    /// Reads some frames; false if they were being written over meanwhile.
    fn read(&self, range: std::ops::Range<u64>, signals: &mut [Vec<Vec<f32>>; 2]) -> bool {
        let capacity = self.cells.len() as u64;
        let frames = (range.end - range.start) as usize;
        let (start, end) = self.cells.split_at((range.start % capacity) as usize);
        signals.iter_mut().flatten().for_each(Vec::clear);
        for cells in end.iter().chain(start).take(frames) {
            for (signal, cell) in signals.iter_mut().zip(cells) {
                let both = cell.load(Ordering::Relaxed);
                let samples = [both >> 32, both & u64::from(u32::MAX)];
                for (channel, bits) in signal.iter_mut().zip(samples) {
                    channel.push(f32::from_bits(bits as u32));
                }
            }
        }
        // The frames were read before the count is looked at again. A block may be on its way in
        // beyond that count; a few of its frames in a stretch of a hundred thousand would do no
        // harm.
        fence(Ordering::Acquire);
        self.written.load(Ordering::Relaxed) <= range.start + capacity
    }
}
