//! What passes between the audio thread and the editor, without either ever waiting for the other.
//!
//! [`handover`] makes two halves. The audio thread owns the [`AudioEnd`]: it publishes a whole
//! [`Snapshot`] after some tens of frames through a triple buffer (three slots whose indices are
//! exchanged by one atomic swap: wait-free on both sides), and collects commands from idempotent
//! atomics. The editor owns the [`EditorEnd`]. What has been measured over time lies in a
//! [history](HistoryReader) that both can reach.

mod audition;
mod history;
mod recent;
mod tap;

pub use audition::{
    AuditionError, AuditionLoop, AuditionReceiver, AuditionSender, Parcel, audition,
};
pub use history::{COLUMN_COUNT, Column, Extent, Grain, HistoryPoint, HistoryReader, Moment};
pub use recent::{Recent, RecentReader, RecentWriter, recent};
pub use tap::{SideChainReader, Tap, TapComparison, TapState, TapWriter, tap};

use self::history::{HistoryWriter, history};
use crate::dsp::level_histogram::LevelHistogram;
use crate::measure::{Balance, Readings, Reduction};
use crossbeam::utils::CachePadded;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

/// What one measuring point knows.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Point {
    /// Loudness, peaks, levels.
    pub readings: Readings,
    /// Third-octave balance of input and output, brought up to date some ten times a second. The
    /// clean path's is not measured: it is the output's but for what saturation adds.
    pub balance: Balance,
}

/// What the chain and the listen switch are doing.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Activity {
    /// Lowest gain of each band of the compressor in the last thirtieth of a second or a little
    /// more, dB; 0 when off.
    pub band_gain_db: [f32; 4],
    /// Highest level in each band of the compressor in the last thirtieth of a second or a little
    /// more, dBFS of the louder channel; `None` while off or silent.
    pub band_level_db: [Option<f32>; 4],
    /// How often what enters the saturator has stood at which level in the last seconds, whether it
    /// is on or not.
    pub driven_levels: LevelHistogram,
    /// Gain at which the selected signal is heard, dB, 0 or less.
    pub listen_gain_db: f32,
    /// Loudness of the output over that of the input, LU, in the last 10 s; `None` until all of
    /// them were made with the chain as it is.
    pub output_over_input_lu: Option<f64>,
    /// Loudness of output and clean path over that of the input, LU, by which listening is matched:
    /// foretold after a change of the chain, then more and more what is heard. `None` before the first
    /// sound.
    pub paths_over_input_lu: Option<[f64; 2]>,
    /// Matching gains of output, clean path and input, dB, 0 or less.
    pub match_db: [f32; 3],
    /// The reference that can be listened to, if there is one.
    pub reference: Option<Auditioned>,
    /// By how much what is heard is rising after a switch, dB: the whole of the rise until it is
    /// over; 0 while nothing rises by more than 3 dB.
    pub rising_db: f32,
    /// Peaks over full scale since they were last cleared.
    pub overs: Overs,
    /// Samples that were no audio, since they were last cleared.
    pub faults: Faults,
    /// Time left to take the last restart back, seconds; `None` if there is nothing to take back.
    pub undo_left_s: Option<f32>,
    /// Which measurement is under way: another with a restart, the one before once that is taken
    /// back.
    pub measurement: u32,
}

/// A reference that can be listened to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Auditioned {
    /// Integrated loudness of what is looped, as it is, LUFS; of what comes in by the side-chain,
    /// that of all so far, or of the last 10 s where these are louder.
    pub integrated_lufs: f64,
    /// Its matching gain, dB, 0 or less.
    pub match_db: f32,
}

/// Peaks over full scale in the output, or in the clean path while that was heard, while the limiter
/// was off.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Overs {
    /// How many: peaks that follow on one another within some milliseconds are one.
    pub count: u32,
    /// The highest, dBTP, more than 0; `None` if there were none.
    pub highest_dbtp: Option<f32>,
}

/// Samples that were not finite or beyond +80 dBFS, and were taken for silence.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    /// At the input.
    pub input: u32,
    /// In the side-chain, while that was listened to.
    pub side_chain: u32,
}

/// Everything the audio thread tells, as of the end of the last block that told.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Snapshot {
    /// Sample rate, Hz; 0 before the first block.
    pub sample_rate_hz: f64,
    /// Channels of the main bus: 1 or 2.
    pub channels: u32,
    /// True while the host's transport runs.
    pub playing: bool,
    /// The signal as it arrives.
    pub input: Point,
    /// The clean path: the chain without its saturator.
    pub clean: Point,
    /// The output path: the whole chain.
    pub output: Point,
    /// What the chain and the listen switch are doing.
    pub activity: Activity,
    /// What bands and limiter of the clean path do to the signal that push and shelves have left.
    pub clean_reduction: Reduction,
    /// The same of the output path, saturator included.
    pub output_reduction: Reduction,
    /// What was done to the signal in front of the plug-in, if the side-chain carries it from
    /// before that.
    pub tap: Tap,
}

/// Commands are numbered as they are asked for, each keeps its last number, and is pending while that
/// differs from what the audio thread last saw.
#[derive(Debug, Default)]
struct Commands {
    /// On a cache line of their own: the audio thread reads them every block, and the allocation's
    /// neighbours may be written at any time.
    numbers: CachePadded<[AtomicU32; COMMANDS]>,
    asked: AtomicU32,
    /// The editor has been opened at least once.
    watched: AtomicBool,
}

/// What the editor can ask of the audio thread.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Command {
    Restart,
    UndoRestart,
    ClearOvers,
    ClearFaults,
}

const COMMANDS: usize = 4;

/// A sample at or below this (−80 dBFS) is silence.
const SILENCE: f32 = 1e-4;

/// The audio thread's half.
#[derive(Debug)]
pub struct AudioEnd {
    mailbox: triple_buffer::Input<Snapshot>,
    commands: Arc<Commands>,
    seen: [u32; COMMANDS],
    history: HistoryWriter,
}

/// The editor's half.
#[derive(Debug)]
pub struct EditorEnd {
    mailbox: triple_buffer::Output<Snapshot>,
    commands: Arc<Commands>,
    history: HistoryReader,
}

/// Makes the two halves. Allocates; nothing afterwards does.
pub fn handover() -> (AudioEnd, EditorEnd) {
    let (input, output) = triple_buffer::triple_buffer(&Snapshot::default());
    let commands = Arc::new(Commands::default());
    let (writer, reader) = history();
    (
        AudioEnd {
            mailbox: input,
            commands: Arc::clone(&commands),
            seen: [0; COMMANDS],
            history: writer,
        },
        EditorEnd {
            mailbox: output,
            commands,
            history: reader,
        },
    )
}

impl AudioEnd {
    /// Publishes a snapshot; the reader finds the newest whole one.
    ///
    /// # Realtime
    /// Yes, wait-free: a copy and one atomic swap.
    pub fn publish(&mut self, snapshot: Snapshot) {
        self.mailbox.write(snapshot);
    }

    /// Whether the editor has asked to restart the measurement since this was last called; several
    /// requests count as one.
    ///
    /// # Realtime
    /// Yes, wait-free: one atomic load.
    pub fn restart_requested(&mut self) -> bool {
        self.requested(Command::Restart)
    }

    /// The same of taking the last restart back.
    ///
    /// # Realtime
    /// Yes, wait-free: one atomic load.
    pub fn undo_requested(&mut self) -> bool {
        self.requested(Command::UndoRestart)
    }

    /// Whether, of the last of each that were seen, a restart was asked for before it was to be taken
    /// back.
    ///
    /// # Realtime
    /// Yes.
    pub fn undo_came_last(&self) -> bool {
        let [restart, undo] =
            [Command::Restart, Command::UndoRestart].map(|command| self.seen[command as usize]);
        // Numbers begin anew after the last one.
        undo.wrapping_sub(restart) < u32::MAX / 2
    }

    /// The same of clearing the peaks over full scale.
    ///
    /// # Realtime
    /// Yes, wait-free: one atomic load.
    pub fn clear_overs_requested(&mut self) -> bool {
        self.requested(Command::ClearOvers)
    }

    /// The same of clearing the samples that were no audio.
    ///
    /// # Realtime
    /// Yes, wait-free: one atomic load.
    pub fn clear_faults_requested(&mut self) -> bool {
        self.requested(Command::ClearFaults)
    }

    /// Returns what tells, on any thread, whether the editor has ever been opened.
    pub fn watched(&self) -> impl Fn() -> bool + Send + 'static {
        let commands = Arc::clone(&self.commands);
        move || commands.watched.load(Ordering::Relaxed)
    }

    fn requested(&mut self, command: Command) -> bool {
        // Relaxed: a number orders nothing but itself.
        let asked = self.commands.numbers[command as usize].load(Ordering::Relaxed);
        std::mem::replace(&mut self.seen[command as usize], asked) != asked
    }

    /// Enters into the history what is known at the end of `frames` more frames.
    ///
    /// # Realtime
    /// Yes, wait-free: ten times a second one store a column, otherwise comparisons.
    pub fn record(&mut self, moment: &Moment<'_>, frames: usize, sample_rate_hz: f64) {
        self.history.record(moment, frames, sample_rate_hz);
    }

    /// Empties the history.
    ///
    /// # Realtime
    /// Yes, wait-free: two stores.
    pub fn clear_history(&mut self) {
        self.history.clear();
    }

    /// Empties the history, to be [taken back](Self::take_history_back). Done `again`, what was set
    /// aside before is what will be taken back.
    ///
    /// # Realtime
    /// Yes, wait-free: two stores.
    pub(crate) fn set_history_aside(&mut self, again: bool) {
        self.history.set_aside(again);
    }

    /// Takes back the history that was set aside, and goes on from it with what has been recorded
    /// since. Nothing happens if there is none.
    ///
    /// # Realtime
    /// Yes, wait-free: two stores.
    pub(crate) fn take_history_back(&mut self) {
        self.history.take_back();
    }
}

impl EditorEnd {
    /// What has been measured over time. Keep it, clone it, read it on any thread.
    pub fn history(&self) -> HistoryReader {
        self.history.clone()
    }

    /// Notes that the editor is open: what only it needs, the room to take a restart back, is then
    /// made ready.
    pub fn watch(&self) {
        self.commands.watched.store(true, Ordering::Relaxed);
    }

    /// The newest snapshot.
    pub fn latest(&mut self) -> &Snapshot {
        self.mailbox.read()
    }

    /// Asks the audio thread to forget everything measured so far.
    pub fn restart(&self) {
        self.ask(Command::Restart);
    }

    /// Asks the audio thread to take the last restart back, if there is still time.
    pub fn undo_restart(&self) {
        self.ask(Command::UndoRestart);
    }

    /// Asks the audio thread to forget the peaks over full scale.
    pub fn clear_overs(&self) {
        self.ask(Command::ClearOvers);
    }

    /// Asks the audio thread to forget the samples that were no audio.
    pub fn clear_faults(&self) {
        self.ask(Command::ClearFaults);
    }

    fn ask(&self, command: Command) {
        let number = self.commands.asked.fetch_add(1, Ordering::Relaxed);
        let number = number.wrapping_add(1);
        self.commands.numbers[command as usize].store(number, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_restart_is_seen_once() {
        let (mut audio, editor) = handover();
        assert!(!audio.restart_requested());
        editor.restart();
        editor.restart();
        assert!(audio.restart_requested());
        assert!(!audio.restart_requested());
    }

    /// A snapshot whose fields all follow from one number: a torn one would mix two numbers.
    fn marked(number: u32) -> Snapshot {
        let mut snapshot = Snapshot {
            channels: number,
            ..Snapshot::default()
        };
        snapshot.input.readings.frames = u64::from(number);
        snapshot.clean.readings.frames = u64::from(number);
        snapshot.output.readings.frames = u64::from(number);
        snapshot
    }

    #[test]
    fn a_reader_never_sees_a_torn_or_older_snapshot() {
        let (mut audio, mut editor) = handover();
        let writer = std::thread::Builder::new()
            .spawn(move || (1..=100_000).for_each(|number| audio.publish(marked(number))))
            .unwrap();
        let mut newest = 0;
        while newest < 100_000 {
            let seen = *editor.latest();
            assert_eq!(seen, marked(seen.channels));
            assert!(seen.channels >= newest);
            newest = seen.channels;
        }
        writer.join().unwrap();
    }
}
