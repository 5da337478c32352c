//! The ring of recent input under a model checker: its own source, with loom's atomics in the place
//! of the real ones.
//!
//! Source of the memory model: ISO/IEC 9899:2011 (C11), 5.1.2.4 and 7.17, as loom explores it. Each
//! test runs every interleaving, and every value that a load may return.

use loom::sync::Arc;
use ring::Ring;
use std::cell::Cell;
use std::sync::atomic::Ordering;

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

/// Reads a ring of three cells beside a writer that goes on, in runs of `run`, from the one
/// frame that is there.
fn beside_a_writer(run: usize, runs: u64) {
    loom::model(move || {
        let ring = Arc::new(Ring::new(1, run, 2 - run));
        assert_eq!(ring.bytes(), 3 * size_of::<sync::AtomicU32>());
        ring.write([frame(0)].into_iter());
        let writer = {
            let ring = Arc::clone(&ring);
            loom::thread::spawn(move || {
                for index in 0..runs {
                    let first = 1 + index * run as u64;
                    ring.write((first..first + run as u64).map(frame));
                }
            })
        };
        let mut copies = [0; 2];
        let intact = ring.read(0, &mut copies);
        for (number, copy) in (0..).zip(copies).take(intact.end).skip(intact.start) {
            assert_eq!(copy, frame(number));
        }
        assert!(writer.join().is_ok(), "the writer panicked");
        // Nothing is in the way any more: all that is kept can be read.
        let end = ring.written();
        let mut copies = [0; 1];
        assert_eq!(ring.read(end - 1, &mut copies), 0..1);
        assert_eq!(copies, [frame(end - 1)]);
    });
}

#[test]
fn frames_are_true_where_the_reader_says_so() {
    beside_a_writer(1, 3);
}

#[test]
fn so_they_are_beside_runs_of_several() {
    beside_a_writer(2, 2);
}

/// The tests above can fail: without a fence the checker finds an overwritten frame.
#[test]
#[should_panic(expected = "assertion `left == right` failed")]
fn without_the_writer_s_fence_the_ring_tears() {
    MISSING.set(Some(Ordering::Release));
    beside_a_writer(1, 3);
}

/// Likewise.
#[test]
#[should_panic(expected = "assertion `left == right` failed")]
fn without_the_reader_s_fence_the_ring_tears() {
    MISSING.set(Some(Ordering::Acquire));
    beside_a_writer(1, 3);
}
