//! A ring of frames: one thread writes runs of them, any number read, nobody waits.
//!
//! Frames are numbered from 0 for ever; frame `n` lies in cell `n mod capacity` until frame `n +
//! capacity` is written over it. A reader copies first and asks afterwards which of the frames it
//! copied may have been written over meanwhile; those it throws away. It is the protocol of the
//! history's ring, with runs in the place of points, and `tests/engine/recent_model.rs` checks
//! this very file against all interleavings that the C11 memory model allows.

use super::sync::{AtomicU32, AtomicU64, Ordering, fence};
use std::ops::Range;

/// Frames of 32 bits each.
#[derive(Debug)]
pub struct Ring {
    cells: Box<[AtomicU32]>,
    /// Frames that one run has at most.
    run: u64,
    /// Frames ever written.
    written: AtomicU64,
}

impl Ring {
    /// A ring that holds the newest `kept` frames, written in runs of at most `run` frames.
    /// `margin` more cells keep the oldest readable for as many frames longer. Allocates.
    pub fn new(kept: usize, run: usize, margin: usize) -> Self {
        let cells = kept + run + margin;
        Self {
            cells: (0..cells).map(|_| AtomicU32::new(0)).collect(),
            run: run as u64,
            written: AtomicU64::new(0),
        }
    }

    /// Size of the cells, bytes.
    pub fn bytes(&self) -> usize {
        size_of_val(&*self.cells)
    }

    /// Frames ever written: the number of the next.
    pub fn written(&self) -> u64 {
        // Acquire: every frame counted is there to be read.
        self.written.load(Ordering::Acquire)
    }

    /// Writes a run of frames, as many as one may have; those beyond are left out. Only one
    /// thread may ever do so.
    ///
    /// # Realtime
    /// Yes, wait-free: one store a frame.
    pub fn write(&self, frames: impl Iterator<Item = u32>) {
        // Relaxed: no other thread stores the count.
        let mut written = self.written.load(Ordering::Relaxed);
        let mut cell = self.cell(written);
        // Release, between the last store of the count and the stores below: a reader that finds
        // any of these new frames, and then passes an acquire fence, also finds a count of at least
        // `written`, and so learns that a run after it is on its way.
        fence(Ordering::Release);
        for frame in frames.take(self.run as usize) {
            if let Some(cell) = self.cells.get(cell) {
                // Relaxed: ordered by the fence above and the store below.
                cell.store(frame, Ordering::Relaxed);
            }
            written += 1;
            cell += 1;
            if cell == self.cells.len() {
                cell = 0;
            }
        }
        // Release: a reader that finds this count finds the frames too.
        self.written.store(written, Ordering::Release);
    }

    /// Copies the frames from number `start` on, at most as many as there are cells.
    ///
    /// Returns where in `into` the copies are true: those before were written over, those after are
    /// not written yet.
    pub fn read(&self, start: u64, into: &mut [u32]) -> Range<usize> {
        let written = self.written();
        let length = into.len().min(self.cells.len());
        let (wrapped, straight) = self.cells.split_at(self.cell(start));
        for (copy, cell) in into.iter_mut().zip(straight.iter().chain(wrapped)) {
            *copy = cell.load(Ordering::Relaxed);
        }
        // Acquire, after the loads of the cells: if one of them found a newer frame, the release
        // fence before that frame's store makes the load below find a count that gives it away.
        fence(Ordering::Acquire);
        let count = self.written.load(Ordering::Relaxed);
        // A run after that count may be on its way.
        let lost = (count + self.run).saturating_sub(self.cells.len() as u64);
        let within = |number: u64| {
            let number = number.saturating_sub(start);
            usize::try_from(number).unwrap_or(usize::MAX).min(length)
        };
        let (lost, end) = (within(lost), within(written));
        lost..end.max(lost)
    }

    fn cell(&self, number: u64) -> usize {
        (number % self.cells.len() as u64) as usize
    }
}
