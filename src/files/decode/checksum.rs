//! The MD5 checksum of a file's audio, worked out beside the decoder on a thread of its own.

use std::mem;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{self, JoinHandle};

use md5::Context;

/// Bytes that are handed over at once, and how many such pieces may wait.
const PIECE_BYTES: usize = 1 << 17;
const WAITING: usize = 4;

/// A checksum being worked out.
pub(super) struct Checksum {
    expected: [u8; 16],
    /// Room for what is not handed over yet, and how much of it is filled.
    piece: Vec<u8>,
    filled: usize,
    worker: Worker,
}

enum Worker {
    Thread(Counting),
    /// Where the system refuses another thread.
    Here(Box<Context>),
}

/// The thread, and what goes to it and back.
struct Counting {
    /// The thread ends only after this half is gone.
    full: Option<SyncSender<(Vec<u8>, usize)>>,
    empty: Receiver<Vec<u8>>,
    sum: Option<JoinHandle<[u8; 16]>>,
}

impl Counting {
    /// The sum of everything, once.
    fn end(&mut self) -> Option<[u8; 16]> {
        self.full = None;
        self.sum.take()?.join().ok()
    }
}

impl Drop for Counting {
    /// A plug-in's code may be unloaded once whoever reads a file has ended: nothing may still be
    /// running in it.
    fn drop(&mut self) {
        self.end();
    }
}

impl Checksum {
    /// Of nothing yet.
    pub fn new(expected: [u8; 16]) -> Self {
        let (full, to_count) = sync_channel::<(Vec<u8>, usize)>(WAITING);
        let (counted, empty) = sync_channel(WAITING + 1);
        let work = move || {
            let mut sum = Context::new();
            for (piece, filled) in to_count {
                sum.consume(&piece[..filled]);
                // Refused only when nobody takes pieces back any more.
                let _ = counted.try_send(piece);
            }
            sum.finalize().0
        };
        let thread = thread::Builder::new().name("checksum".to_owned());
        let worker = match thread.spawn(work) {
            Ok(sum) => Worker::Thread(Counting {
                full: Some(full),
                empty,
                sum: Some(sum),
            }),
            Err(_) => Worker::Here(Box::new(Context::new())),
        };
        Self {
            expected,
            piece: Vec::new(),
            filled: 0,
            worker,
        }
    }

    /// Counts so many bytes, which `fill` writes.
    pub fn take(&mut self, bytes: usize, fill: impl FnOnce(&mut [u8])) {
        let end = self.filled + bytes;
        if self.piece.len() < end {
            self.piece.resize(end, 0);
        }
        fill(&mut self.piece[self.filled..end]);
        self.filled = end;
        if end >= PIECE_BYTES {
            self.hand_over();
        }
    }

    fn hand_over(&mut self) {
        let filled = mem::take(&mut self.filled);
        match &mut self.worker {
            Worker::Thread(counting) => {
                let next = counting.empty.try_recv().unwrap_or_default();
                if let Some(full) = &counting.full {
                    // Refused only if the thread is gone, which leaves no sum.
                    let _ = full.send((mem::replace(&mut self.piece, next), filled));
                }
            }
            Worker::Here(sum) => sum.consume(&self.piece[..filled]),
        }
    }

    /// Whether everything that was taken has the expected checksum.
    pub fn holds(mut self) -> bool {
        self.hand_over();
        let sum = match self.worker {
            Worker::Thread(mut counting) => counting.end(),
            Worker::Here(sum) => Some(sum.finalize().0),
        };
        sum == Some(self.expected)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::time::Duration;

    // RFC 1321, appendix A.5.
    #[test]
    fn the_checksum_of_the_standards_test_suite_holds_in_pieces_and_no_other() {
        let expected = [
            0xc3, 0xfc, 0xd3, 0xd7, 0x61, 0x92, 0xe4, 0x00, 0x7d, 0xfb, 0x49, 0x6c, 0xca, 0x67,
            0xe1, 0x3b,
        ];
        for (last, holds) in [(b'z', true), (b'y', false)] {
            let mut checksum = Checksum::new(expected);
            for letter in (b'a'..=b'y').chain([last]) {
                checksum.take(1, |place| place[0] = letter);
            }
            assert_eq!(checksum.holds(), holds);
        }
    }

    #[test]
    fn a_file_that_is_left_amid_its_audio_leaves_no_thread_behind() {
        let (full, to_count) = sync_channel::<(Vec<u8>, usize)>(1);
        let (_, empty) = sync_channel(1);
        let (_nothing_comes, nothing) = sync_channel::<()>(0);
        let ended = Arc::new(AtomicBool::new(false));
        let tell = Arc::clone(&ended);
        let slow = move || {
            to_count.into_iter().for_each(drop);
            let _ = nothing.recv_timeout(Duration::from_millis(50));
            tell.store(true, Ordering::Relaxed);
            [0; 16]
        };
        let mut left = Checksum::new([0; 16]);
        left.worker = Worker::Thread(Counting {
            full: Some(full),
            empty,
            sum: Some(thread::Builder::new().spawn(slow).unwrap()),
        });
        left.take(1, |place| place[0] = 0);
        drop(left);
        assert!(ended.load(Ordering::Relaxed));
    }
}
