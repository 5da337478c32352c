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
    Thread {
        full: SyncSender<(Vec<u8>, usize)>,
        empty: Receiver<Vec<u8>>,
        sum: JoinHandle<[u8; 16]>,
    },
    /// Where the system refuses another thread.
    Here(Box<Context>),
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
            Ok(sum) => Worker::Thread { full, empty, sum },
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
            Worker::Thread { full, empty, .. } => {
                let next = empty.try_recv().unwrap_or_default();
                // The thread ends only after this half is gone.
                let _ = full.send((mem::replace(&mut self.piece, next), filled));
            }
            Worker::Here(sum) => sum.consume(&self.piece[..filled]),
        }
    }

    /// Whether everything that was taken has the expected checksum.
    pub fn holds(mut self) -> bool {
        self.hand_over();
        let sum = match self.worker {
            Worker::Thread { full, sum, .. } => {
                drop(full);
                sum.join().ok()
            }
            Worker::Here(sum) => Some(sum.finalize().0),
        };
        sum == Some(self.expected)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
}
