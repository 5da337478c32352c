//! The ring of recent input under a model checker: its own source, with loom's atomics in the place
//! of the real ones.
//!
//! Source of the memory model: ISO/IEC 9899:2011 (C11), 5.1.2.4 and 7.17, as loom explores it. Each
//! test runs every interleaving, and every value that a load may return.

use ring::Ring;
use std::cell::Cell;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

mod sync {
    pub use loom::sync::atomic::{AtomicU32, AtomicU64, Ordering};

    pub fn fence(order: Ordering) {
        if super::MISSING.get() != Some(order) {
            loom::sync::atomic::fence(order);
        }
    }
}

#[path = "../../src/core/handover/recent/ring.rs"]
mod ring;

thread_local! {
    /// A fence to be left out. A model and all its threads run on one thread of the system.
    static MISSING: Cell<Option<Ordering>> = const { Cell::new(None) };
}

/// A frame follows from its number: an overwritten one has another.
fn frame(number: u64) -> u32 {
    100 + number as u32
}

/// Writes runs of these lengths into a ring of three cells, which leaves out all beyond `run`,
/// while another thread reads the first two frames.
///
/// It is the reader that is spawned: of one that reads in the model's first thread loom does not
/// try all that its first load may find, and what is written meanwhile would never be read.
fn beside_a_writer(run: usize, lengths: &'static [u64]) {
    let most_read = Arc::new(AtomicUsize::new(0));
    let most = Arc::clone(&most_read);
    loom::model(move || {
        let ring = loom::sync::Arc::new(Ring::new(1, run, 2 - run));
        assert_eq!(ring.bytes(), 3 * size_of::<sync::AtomicU32>());
        ring.write([frame(0)].into_iter());
        let reader = {
            let (ring, most) = (loom::sync::Arc::clone(&ring), Arc::clone(&most));
            loom::thread::spawn(move || {
                let mut copies = [0; 2];
                let intact = ring.read(0, &mut copies);
                for (number, copy) in (0..).zip(copies).take(intact.end).skip(intact.start) {
                    assert_eq!(copy, frame(number));
                }
                most.fetch_max(intact.end, Ordering::Relaxed);
            })
        };
        let mut end = 1;
        for length in lengths {
            ring.write((end..end + length).map(frame));
            end += length.min(&(run as u64));
        }
        assert!(reader.join().is_ok(), "the reader panicked");
        // Nothing is in the way any more: all that is kept can be read.
        assert_eq!(ring.written(), end);
        let mut copies = [0; 1];
        assert_eq!(ring.read(end - 1, &mut copies), 0..1);
        assert_eq!(copies, [frame(end - 1)]);
    });
    // It is no use where nothing new is ever read.
    assert_eq!(most_read.load(Ordering::Relaxed), 2);
}

#[test]
fn frames_are_true_where_the_reader_says_so() {
    beside_a_writer(1, &[1, 1, 1]);
}

#[test]
fn so_they_are_beside_runs_of_several() {
    beside_a_writer(2, &[2, 3]);
}

#[test]
fn so_they_are_beside_runs_that_are_not_full() {
    beside_a_writer(2, &[1, 2, 1]);
}

/// The tests above can fail: without a fence the checker finds an overwritten frame.
#[test]
#[should_panic(expected = "assertion `left == right` failed")]
fn without_the_writer_s_fence_the_ring_tears() {
    MISSING.set(Some(Ordering::Release));
    beside_a_writer(1, &[1, 1, 1]);
}

/// Likewise.
#[test]
#[should_panic(expected = "assertion `left == right` failed")]
fn without_the_reader_s_fence_the_ring_tears() {
    MISSING.set(Some(Ordering::Acquire));
    beside_a_writer(1, &[1, 1, 1]);
}
