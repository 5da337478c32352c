//! A ring of points: one thread writes, any number read, nobody waits.
//!
//! Points are numbered from 0 for ever; point `n` lies in slot `n mod capacity` until point `n +
//! capacity` is written over it. A reader copies first and asks afterwards which of the points it
//! copied were being overwritten meanwhile; those it throws away. Every ordering that this needs is
//! argued beside it, and `tests/engine/history_model.rs` checks this very file against all
//! interleavings the C11 memory model allows.

use super::sync::{AtomicF32, AtomicU64, Ordering, fence};
use std::ops::Range;

/// Points of `COLUMNS` values each, stored column after column: what is drawn is one column of many
/// points.
#[derive(Debug)]
pub struct Ring<const COLUMNS: usize> {
    cells: Box<[AtomicF32]>,
    capacity: usize,
    kept: u64,
    /// Points ever written: the number of the next.
    count: AtomicU64,
    /// Number of the first point since the ring was last cleared.
    first: AtomicU64,
}

/// Which points a ring holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Extent {
    /// Number of the first point since the ring was last cleared, held or not.
    pub first: u64,
    /// Number of the oldest point held.
    pub oldest: u64,
    /// Number after that of the newest point.
    pub end: u64,
}

impl<const COLUMNS: usize> Ring<COLUMNS> {
    /// A ring that holds the newest `kept` points. `margin` (at least 1) more slots keep the oldest
    /// of them readable for as many points longer. Allocates.
    pub fn new(kept: usize, margin: usize) -> Self {
        let capacity = kept + margin.max(1);
        Self {
            cells: (0..COLUMNS * capacity)
                .map(|_| AtomicF32::new(f32::NAN))
                .collect(),
            capacity,
            kept: kept as u64,
            count: AtomicU64::new(0),
            first: AtomicU64::new(0),
        }
    }

    /// Size of the cells, bytes.
    pub fn bytes(&self) -> usize {
        size_of_val(&*self.cells)
    }

    /// Adds a point. Only one thread may ever do so.
    ///
    /// # Realtime
    /// Yes, wait-free: one store a column.
    pub fn push(&self, values: &[f32; COLUMNS]) {
        // Relaxed: no other thread stores the count.
        let number = self.count.load(Ordering::Relaxed);
        // Release, between the last store of the count and the stores below: a reader that finds
        // any of these new cells, and then passes an acquire fence, also finds a count of at least
        // `number`, and so learns that point `number - capacity` is gone.
        fence(Ordering::Release);
        let slot = self.slot(number);
        for (column, value) in self.cells.chunks_exact(self.capacity).zip(values) {
            if let Some(cell) = column.get(slot) {
                // Relaxed: ordered by the fence above and the store below.
                cell.store(*value, Ordering::Relaxed);
            }
        }
        // Release: a reader that finds this count finds the cells too.
        self.count.store(number + 1, Ordering::Release);
    }

    /// Forgets all points, without touching them. Only the thread that adds points may do so.
    ///
    /// # Realtime
    /// Yes, wait-free: one store.
    pub fn clear(&self) {
        // Relaxed: it matters only beside points added later, and whoever finds those (by the
        // count, acquired) finds this as well.
        self.first
            .store(self.count.load(Ordering::Relaxed), Ordering::Relaxed);
    }

    /// Takes a clearing back: point number `first`, from an earlier [`Extent`], is the first again.
    /// Only the thread that adds points may do so.
    ///
    /// # Realtime
    /// Yes, wait-free: one store.
    pub fn restore(&self, first: u64) {
        // Relaxed, as in `clear`. Whoever does not find it yet finds the ring as it was cleared.
        self.first.store(first, Ordering::Relaxed);
    }

    /// Which points there are.
    pub fn extent(&self) -> Extent {
        // Acquire: every cell of the points counted is there, and every clearing before the last of
        // them.
        let count = self.count.load(Ordering::Acquire);
        let first = self.first.load(Ordering::Relaxed);
        // The ring may have been cleared since the count was read; then nothing is left.
        let end = count.max(first);
        Extent {
            first,
            oldest: first.max(end.saturating_sub(self.kept)),
            end,
        }
    }

    /// Copies one column of the points from number `start` on, as many as `into` has room for (at
    /// most the ring's capacity).
    ///
    /// Returns where in `into` the copies are true: those before were overwritten, those after are
    /// not written yet.
    pub fn read(&self, column: usize, start: u64, into: &mut [f32]) -> Range<usize> {
        // Acquire: the cells of every point counted are there to be read.
        let written = self.count.load(Ordering::Acquire);
        let length = into.len().min(self.capacity);
        let Some(cells) = self.cells.chunks_exact(self.capacity).nth(column) else {
            return 0..0;
        };
        let (wrapped, straight) = cells.split_at(self.slot(start).min(cells.len()));
        let copy_cells = |copies: &mut [f32], cells: &[AtomicF32]| {
            for (copy, cell) in copies.iter_mut().zip(cells) {
                *copy = cell.load(Ordering::Relaxed);
            }
        };
        let (before_end, after_end) = into[..length].split_at_mut(straight.len().min(length));
        copy_cells(before_end, straight);
        copy_cells(after_end, wrapped);
        let lost = within(self.overwritten_before().saturating_sub(start), length);
        let end = within(written.saturating_sub(start), length);
        lost..end.max(lost)
    }

    /// All columns of one point, if it is held.
    pub fn point(&self, number: u64) -> Option<[f32; COLUMNS]> {
        // As in `read`.
        if number >= self.count.load(Ordering::Acquire) {
            return None;
        }
        let slot = self.slot(number);
        let mut values = [f32::NAN; COLUMNS];
        for (value, column) in values
            .iter_mut()
            .zip(self.cells.chunks_exact(self.capacity))
        {
            *value = column.get(slot)?.load(Ordering::Relaxed);
        }
        (number >= self.overwritten_before()).then_some(values)
    }

    /// Cells of points before this number may have changed while they were read, up to now.
    fn overwritten_before(&self) -> u64 {
        // Acquire, after the loads of the cells: if one of them found a newer point's value, the
        // release fence before that value's store makes the load below find a count that gives it
        // away.
        fence(Ordering::Acquire);
        let count = self.count.load(Ordering::Relaxed);
        // The point under way is number `count`, in the slot of `count - capacity`.
        (count + 1).saturating_sub(self.capacity as u64)
    }

    fn slot(&self, number: u64) -> usize {
        (number % self.capacity as u64) as usize
    }
}

fn within(number: u64, length: usize) -> usize {
    usize::try_from(number).unwrap_or(usize::MAX).min(length)
}
