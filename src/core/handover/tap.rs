//! How the signal from before is compared with the input: the audio thread writes both down, the
//! process's [worker](crate::worker) finds their place beside each other, takes out what is linear
//! between them, and measures the rest.
//!
//! Most instances never have such a signal. Room to write it down, and what the analysis needs, is
//! taken by the worker once the side-chain has carried something.

mod analysis;
mod capture;
mod missing;
mod search;
#[cfg(test)]
mod tests;
mod told;

pub use self::capture::SideChainReader;
pub use self::told::{Tap, TapState};

use self::analysis::Analysis;
use self::capture::Captured;
use self::told::so_far;
use super::SILENCE;
use crate::dsp::crossover::DEFAULT_CORNERS_HZ;
use crate::measure::RestGain;
use crate::worker::{GiveWay, Scheduled, Worker};
use std::io;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering, fence};
use std::sync::{Arc, OnceLock};

/// The written past, seconds; rounded up to a power of two in frames. Finding out what stands before
/// takes the worker some seconds, in which it reads nothing.
const PAST_S: f64 = 8.0;
/// What is read at once, seconds.
const READ_S: f64 = 0.5;
/// Time for which the input must have sounded, beside a side-chain that has never carried anything,
/// before the side-chain counts as missing, seconds.
const MISSED_S: f64 = 2.0;

/// Two cells a frame, the tap and the input: the left channel in the upper half, the right in the
/// lower.
type Cells = Box<[[AtomicU64; 2]]>;

/// What both threads can reach.
#[derive(Debug)]
struct Shared {
    /// Taken by the worker once the tap has `carried` anything.
    cells: OnceLock<Cells>,
    carried: AtomicBool,
    channels: usize,
    /// The tap is on.
    on: AtomicBool,
    /// Frames written so far; frame n lies in cell n modulo their number.
    written: AtomicU64,
    /// Frame with which the comparison begins; it moves on when the tap is switched on.
    begin: AtomicU64,
    restarts: AtomicU32,
    /// Frame before which the signals were last cut.
    cut: AtomicU64,
    /// The comparison has panicked.
    failed: AtomicBool,
    /// Gain at rest, dB; not a number while it is to be found.
    rest_gain_db: AtomicU64,
    corners_hz: [AtomicU64; 3],
}

/// What the worker reports, and of which comparison.
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
    captured: Arc<Captured>,
    told: triple_buffer::Output<Told>,
    /// Frames written so far, and where the comparison begins; only this half writes.
    written: u64,
    begin: u64,
    /// Frames of the input that have sounded while there was nowhere to write, and from how many on
    /// the side-chain counts as missing.
    missed: u64,
    missed_enough: u64,
}

impl Drop for TapWriter {
    fn drop(&mut self) {
        self.captured.close();
    }
}

/// The comparison, which the worker goes on with until this is dropped.
#[derive(Debug)]
pub struct TapComparison {
    _task: Scheduled,
    captured: Arc<Captured>,
}

impl TapComparison {
    /// What reads the side-chain as it is.
    pub fn side_chain(&self) -> SideChainReader {
        SideChainReader(Arc::clone(&self.captured))
    }

    /// Whether somebody captures it.
    ///
    /// # Realtime
    /// Yes: one load.
    pub fn is_captured(&self) -> bool {
        self.captured.is_on()
    }
}

/// Makes the two halves for one sample rate and one or two channels, and gives the comparison to
/// the worker. Once the side-chain has carried something, that takes 8 MiB at 48 kHz and what the
/// analysis needs.
///
/// # Errors
/// The system does not give another thread.
pub fn tap(sample_rate_hz: f64, channels: usize) -> io::Result<(TapWriter, TapComparison)> {
    let shared = Arc::new(Shared {
        cells: OnceLock::new(),
        carried: AtomicBool::new(false),
        channels: channels.clamp(1, 2),
        on: AtomicBool::new(false),
        written: AtomicU64::new(0),
        begin: AtomicU64::new(0),
        restarts: AtomicU32::new(0),
        cut: AtomicU64::new(0),
        failed: AtomicBool::new(false),
        rest_gain_db: AtomicU64::new(f64::NAN.to_bits()),
        corners_hz: DEFAULT_CORNERS_HZ.map(|hz| AtomicU64::new(hz.to_bits())),
    });
    let captured = Arc::new(Captured::new(sample_rate_hz, shared.channels));
    let nothing = Told {
        tap: so_far(TapState::Listening),
        ..Told::default()
    };
    let (tell, told) = triple_buffer::triple_buffer(&nothing);
    let mut comparison = Comparison::new(Arc::clone(&shared), sample_rate_hz, tell);
    let at_fault = Arc::clone(&shared);
    let task = Worker::of_process().schedule_long(
        move |give_way| comparison.step(give_way),
        move || at_fault.failed.store(true, Ordering::Relaxed),
    )?;
    Ok((
        TapWriter {
            shared,
            captured: Arc::clone(&captured),
            told,
            written: 0,
            begin: 0,
            missed: 0,
            missed_enough: frames(MISSED_S, sample_rate_hz) as u64,
        },
        TapComparison {
            _task: task,
            captured,
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
    /// # Realtime
    /// Yes, wait-free.
    pub fn begin(&mut self) {
        self.begin = self.written;
        self.missed = 0;
        self.shared.begin.store(self.begin, Ordering::Relaxed);
        self.shared.on.store(true, Ordering::Relaxed);
    }

    /// Ends the comparison: what the analysis needed is given back. The ring, 8 MiB at 48 kHz, stays
    /// for the next one.
    ///
    /// # Realtime
    /// Yes, wait-free: one store.
    pub fn end(&mut self) {
        self.shared.on.store(false, Ordering::Relaxed);
    }

    /// Forgets what has been measured, but not what has been found out.
    ///
    /// # Realtime
    /// Yes, wait-free.
    pub fn restart(&mut self) {
        self.shared.restarts.fetch_add(1, Ordering::Relaxed);
    }

    /// What is written next does not follow on what was written before: the host has cleared what
    /// was under way, and what is in front of the plug-in has lost what it held.
    ///
    /// # Realtime
    /// Yes, wait-free: one store.
    pub fn cut(&mut self) {
        // Seen by whoever sees a frame that is written after it, since the count of those is stored
        // with release.
        self.shared.cut.store(self.written, Ordering::Relaxed);
    }

    /// Where the gain at rest is taken from, and where the bands meet, Hz.
    ///
    /// # Realtime
    /// Yes, wait-free: four stores.
    pub fn set(&mut self, rest: RestGain, corners_hz: [f64; 3]) {
        let rest_gain_db = match rest {
            RestGain::Automatic => f64::NAN,
            RestGain::Known(db) => db,
        };
        // Relaxed: the worker may take one of them from before the change and the others from after
        // it.
        let shared = &self.shared;
        shared
            .rest_gain_db
            .store(rest_gain_db.to_bits(), Ordering::Relaxed);
        for (cell, hz) in shared.corners_hz.iter().zip(corners_hz) {
            cell.store(hz.to_bits(), Ordering::Relaxed);
        }
    }

    /// Writes down a block of both signals, one slice a channel, all of one length. The samples
    /// must be finite. Nothing is written before the tap has carried something, nor in the tenth of
    /// a second after that, in which the worker makes room.
    ///
    /// # Realtime
    /// Yes, wait-free: two stores a frame.
    pub fn write(&mut self, tap: &[&[f32]], input: &[&[f32]]) {
        let frames = input.first().map_or(0, |channel| channel.len());
        let Some(cells) = self.shared.cells.get() else {
            self.listen(tap, input);
            return;
        };
        let first = (self.written % cells.len() as u64) as usize;
        let (start, end) = cells.split_at(first);
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

    /// Whether the side-chain is wanted as it is.
    ///
    /// # Realtime
    /// Yes: one load.
    pub fn is_captured(&self) -> bool {
        self.captured.is_on()
    }

    /// Writes down a block of the side-chain for whoever captures it, one slice a channel, all of
    /// one length. The samples must be finite.
    ///
    /// # Realtime
    /// Yes, wait-free: a store a sample.
    pub fn capture(&mut self, tap: &[&[f32]]) {
        self.captured.write(tap);
    }

    /// Takes note of what sounds while there is nowhere to write.
    fn listen(&mut self, tap: &[&[f32]], input: &[&[f32]]) {
        let sounds = |channel: &&[f32]| channel.iter().any(|sample| sample.abs() > SILENCE);
        if tap.iter().any(sounds) {
            self.shared.carried.store(true, Ordering::Relaxed);
        } else if input.iter().any(sounds) {
            let frames = input.first().map_or(0, |channel| channel.len());
            self.missed = self.missed.saturating_add(frames as u64);
        }
    }

    /// The newest that the worker tells of this comparison.
    ///
    /// # Realtime
    /// Yes, wait-free: one swap at most.
    pub fn told(&mut self) -> Tap {
        if self.shared.failed.load(Ordering::Relaxed) {
            return so_far(TapState::Failed);
        }
        if self.shared.cells.get().is_none() {
            let missed = self.missed >= self.missed_enough;
            let missed = missed && !self.shared.carried.load(Ordering::Relaxed);
            return so_far(if missed {
                TapState::NoSideChain
            } else {
                TapState::Listening
            });
        }
        let told = *self.told.read();
        if told.begin == self.begin {
            told.tap
        } else {
            so_far(TapState::Listening)
        }
    }

    /// Frames that have been written and are not taken into account yet.
    pub fn behind_frames(&mut self) -> u64 {
        self.written.saturating_sub(self.told.read().read)
    }
}

/// The worker's half.
struct Comparison {
    shared: Arc<Shared>,
    sample_rate_hz: f64,
    tell: triple_buffer::Input<Told>,
    /// Made when there is something to be compared.
    analysis: Option<Box<Analysis>>,
    /// What was last read of the writer's cells.
    signals: [Vec<Vec<f32>>; 2],
    begin: u64,
    read: u64,
    restarts: u32,
    /// The last cut that was taken into account.
    cut: u64,
}

impl Comparison {
    fn new(shared: Arc<Shared>, sample_rate_hz: f64, tell: triple_buffer::Input<Told>) -> Self {
        Self {
            shared,
            sample_rate_hz,
            tell,
            analysis: None,
            signals: Default::default(),
            begin: 0,
            read: 0,
            restarts: 0,
            cut: 0,
        }
    }

    /// Nothing of it is needed any more.
    fn forget(&mut self) {
        self.analysis = None;
        self.signals = Default::default();
    }

    /// Takes half a second of what has been written; true if there is as much again. What stands
    /// between is only looked for where there is a way to give way.
    fn step(&mut self, give_way: Option<GiveWay<'_>>) -> bool {
        let shared = Arc::clone(&self.shared);
        let sample_rate_hz = self.sample_rate_hz;
        if !shared.on.load(Ordering::Relaxed) {
            self.forget();
            return false;
        }
        if !shared.carried.load(Ordering::Relaxed) {
            return false;
        }
        let cells = shared.cells.get_or_init(|| {
            let frames = frames(PAST_S, sample_rate_hz).next_power_of_two();
            let cell = |_| [AtomicU64::new(0), AtomicU64::new(0)];
            (0..frames).map(cell).collect()
        });
        let begin = shared.begin.load(Ordering::Relaxed);
        if begin != self.begin {
            (self.begin, self.read) = (begin, begin);
            self.forget();
        }
        let written = shared.written.load(Ordering::Acquire);
        if written <= self.read {
            // Playback may have ended while another's look took its time.
            self.look_if_due(give_way);
            return false;
        }
        let (rest, corners_hz) = shared.settings();
        let fresh = || {
            let analysis = Analysis::new(sample_rate_hz, shared.channels, corners_hz, rest);
            Box::new(analysis)
        };
        let analysis = self.analysis.get_or_insert_with(fresh);
        analysis.set(rest, corners_hz);
        let asked = shared.restarts.load(Ordering::Relaxed);
        if std::mem::replace(&mut self.restarts, asked) != asked {
            analysis.restart();
        }
        let cut = shared.cut.load(Ordering::Relaxed);
        if std::mem::replace(&mut self.cut, cut) != cut {
            // Of several cuts in what is not read yet only the last is known: all before it is
            // passed over.
            analysis.gap();
            self.read = self.read.max(cut);
        }
        if written <= self.read {
            // The cut is newer than the count: what comes after it is not here yet.
            return false;
        }
        let most = frames(READ_S, sample_rate_hz) as u64;
        let next = written.min(self.read + most);
        let whole = written - self.read <= cells.len() as u64
            && shared.read(cells, self.read..next, &mut self.signals);
        if whole {
            analysis.push([&self.signals[0], &self.signals[1]]);
            self.read = next;
        } else {
            analysis.gap();
            self.read = written;
        }
        self.tell();
        self.look_if_due(give_way);
        // A look takes its time, and more has come meanwhile.
        let written = shared.written.load(Ordering::Acquire);
        written.saturating_sub(self.read) >= most
    }

    fn look_if_due(&mut self, give_way: Option<GiveWay<'_>>) {
        if let (Some(analysis), Some(give_way)) = (&mut self.analysis, give_way)
            && analysis.look_if_due(give_way)
        {
            self.tell();
        }
    }

    fn tell(&mut self) {
        if let Some(analysis) = &self.analysis {
            self.tell.write(Told {
                begin: self.begin,
                read: self.read,
                tap: analysis.told(),
            });
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
    fn read(
        &self,
        cells: &Cells,
        range: std::ops::Range<u64>,
        signals: &mut [Vec<Vec<f32>>; 2],
    ) -> bool {
        let capacity = cells.len() as u64;
        let frames = (range.end - range.start) as usize;
        let (start, end) = cells.split_at((range.start % capacity) as usize);
        for planes in signals.iter_mut() {
            planes.resize_with(self.channels, Vec::new);
            planes.iter_mut().for_each(Vec::clear);
        }
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
