//! The history's ring under a model checker: its own source, with loom's atomics in the place of
//! the real ones.
//!
//! Source of the memory model: ISO/IEC 9899:2011 (C11), 5.1.2.4 and 7.17, as loom explores it. Each
//! test runs every interleaving, and every value that a load may return.

use ring::Ring;
use std::cell::Cell;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

mod sync {
    pub use loom::sync::atomic::{AtomicU64, Ordering};

    /// As the crate `atomic_float` has it: the bits of the float in an integer of the same size.
    #[derive(Debug)]
    pub struct AtomicF32(loom::sync::atomic::AtomicU32);

    impl AtomicF32 {
        pub fn new(value: f32) -> Self {
            Self(loom::sync::atomic::AtomicU32::new(value.to_bits()))
        }

        pub fn load(&self, order: Ordering) -> f32 {
            f32::from_bits(self.0.load(order))
        }

        pub fn store(&self, value: f32, order: Ordering) {
            self.0.store(value.to_bits(), order);
        }
    }

    pub fn fence(order: Ordering) {
        if super::MISSING.get() != Some(order) {
            loom::sync::atomic::fence(order);
        }
    }
}

#[path = "../../src/core/handover/history/ring.rs"]
mod ring;

thread_local! {
    /// A fence to be left out. A model and all its threads run on one thread of the system.
    static MISSING: Cell<Option<Ordering>> = const { Cell::new(None) };
}

/// Both columns follow from the point's number: a torn point would mix two.
fn values(number: u64) -> [f32; 2] {
    [number as f32, number as f32 + 0.5]
}

/// Adds `more` points to the one that is in a ring of two slots, of which one is kept, and clears
/// the ring before the last of them, while another thread does `read`. Returns the highest number
/// of points that it has found there to be.
///
/// It is the reader that is spawned: of one that reads in the model's first thread loom does not
/// try all that its first load may find, and what is written meanwhile would never be read.
fn beside_a_writer(more: u64, read: fn(&Ring<2>) -> u64) -> u64 {
    let most_found = Arc::new(AtomicU64::new(0));
    let most = Arc::clone(&most_found);
    loom::model(move || {
        let ring = loom::sync::Arc::new(Ring::<2>::new(1, 1));
        ring.push(&values(0));
        let reader = {
            let (ring, most) = (loom::sync::Arc::clone(&ring), Arc::clone(&most));
            loom::thread::spawn(move || {
                most.fetch_max(read(&ring), Ordering::Relaxed);
            })
        };
        for number in 1..=more {
            if number == more {
                ring.clear();
            }
            ring.push(&values(number));
        }
        assert!(reader.join().is_ok(), "the reader panicked");
    });
    most_found.load(Ordering::Relaxed)
}

fn first_point_is_whole_or_none(ring: &Ring<2>) -> u64 {
    let point = ring.point(0);
    if let Some(point) = point {
        assert_eq!(point, values(0));
    }
    u64::from(point.is_some())
}

#[test]
fn a_point_is_whole_or_none_while_it_is_overwritten() {
    assert_eq!(beside_a_writer(3, first_point_is_whole_or_none), 1);
}

#[test]
fn the_newest_point_is_whole_or_none() {
    let found = beside_a_writer(3, |ring| {
        let newest = ring.extent().end - 1;
        let point = ring.point(newest);
        if let Some(point) = point {
            assert_eq!(point, values(newest));
        }
        point.map_or(0, |_| newest + 1)
    });
    assert_eq!(found, 4);
}

#[test]
fn a_column_read_while_it_is_overwritten_is_true_where_it_says_so() {
    let found = beside_a_writer(3, |ring| {
        let mut copies = [0.0; 2];
        let intact = ring.read(1, 0, &mut copies);
        for (number, copy) in (0..).zip(copies).take(intact.end).skip(intact.start) {
            assert_eq!(copy, values(number)[1]);
        }
        intact.end as u64
    });
    assert_eq!(found, 2);
}

#[test]
fn an_extent_is_one_that_the_ring_had() {
    let found = beside_a_writer(2, |ring| {
        let (before, after) = (ring.extent(), ring.extent());
        assert!(before.first <= before.oldest && before.oldest <= before.end);
        assert!(before.end - before.oldest <= 1);
        assert!(after.end >= before.end && after.first >= before.first);
        // The ring is cleared before point 2 is added: who sees that point does not see those
        // before it.
        assert!(before.end < 3 || before.first == 2);
        before.end
    });
    assert_eq!(found, 3);
}

/// A clearing that is taken back is seen, or not yet; what is held of the points is true either
/// way.
#[test]
fn a_clearing_taken_back_leaves_no_extent_that_never_was() {
    loom::model(|| {
        let ring = loom::sync::Arc::new(Ring::<2>::new(2, 1));
        ring.push(&values(0));
        let reader = {
            let ring = loom::sync::Arc::clone(&ring);
            loom::thread::spawn(move || {
                let extent = ring.extent();
                assert!(extent.first <= extent.oldest && extent.oldest <= extent.end);
                for number in extent.oldest..extent.end {
                    assert_eq!(ring.point(number), Some(values(number)));
                }
            })
        };
        ring.clear();
        ring.push(&values(1));
        ring.restore(0);
        assert!(reader.join().is_ok(), "the reader panicked");
        let extent = ring.extent();
        assert_eq!((extent.first, extent.oldest, extent.end), (0, 0, 2));
    });
}

/// The tests above can fail: without a fence the checker finds a torn point.
#[test]
#[should_panic(expected = "assertion `left == right` failed")]
fn without_the_writer_s_fence_the_ring_tears() {
    MISSING.set(Some(Ordering::Release));
    beside_a_writer(3, first_point_is_whole_or_none);
}

/// Likewise.
#[test]
#[should_panic(expected = "assertion `left == right` failed")]
fn without_the_reader_s_fence_the_ring_tears() {
    MISSING.set(Some(Ordering::Acquire));
    beside_a_writer(3, first_point_is_whole_or_none);
}

#[test]
fn a_ring_has_a_cell_for_each_value_of_each_slot() {
    loom::model(|| {
        // A margin is there, whether it was asked for or not.
        for margin in [0, 1] {
            let ring = Ring::<2>::new(1, margin);
            assert_eq!(ring.bytes(), 2 * 2 * size_of::<sync::AtomicF32>());
        }
    });
}
