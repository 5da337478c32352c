//! What no scheduler can be asked to do at will.

use super::*;
use std::cell::Cell;

const RATE_HZ: f64 = 48_000.0;

/// A writer, which has room to write, and the worker's half, without a thread.
fn halves() -> (TapWriter, Comparison) {
    let (mut writer, task) = tap(RATE_HZ, 1).unwrap();
    drop(task);
    let shared = Arc::clone(&writer.shared);
    shared.carried.store(true, Ordering::Relaxed);
    let (tell, told) = triple_buffer::triple_buffer(&Told::default());
    let mut comparison = Comparison::new(shared, RATE_HZ, tell);
    writer.told = told;
    writer.begin();
    assert!(!comparison.step(None));
    (writer, comparison)
}

/// A writer that has written `frames` frames of a tone, and the worker's half, which has read none.
fn written(frames: usize) -> (Arc<Shared>, Comparison) {
    let (mut writer, comparison) = halves();
    let tone: Vec<f32> = (0..frames).map(|n| (0.05 * n as f32).sin()).collect();
    writer.write(&[&tone], &[&tone]);
    (Arc::clone(&writer.shared), comparison)
}

#[test]
fn a_cut_that_is_newer_than_what_has_been_seen_is_waited_for() {
    let (shared, mut comparison) = written(1_000);
    assert!(!comparison.step(Some(&|| false)));
    assert_eq!(comparison.read, 1_000);
    // The host resets between the look at the count, 1500, and that at the cut, 1600.
    shared.written.store(1_500, Ordering::Release);
    shared.cut.store(1_600, Ordering::Relaxed);
    assert!(!comparison.step(Some(&|| false)));
    assert_eq!(comparison.read, 1_600);
    // What follows the cut is read from there on.
    shared.written.store(2_000, Ordering::Release);
    assert!(!comparison.step(Some(&|| false)));
    assert_eq!(comparison.read, 2_000);
}

// Finding out what stands between takes seconds, in which others have their turn, and which nobody
// can be made to wait for.
#[test]
fn what_takes_long_gives_way_and_waits_for_a_way_to() {
    let (mut writer, mut comparison) = halves();
    let mut seed = 1_u32;
    // Far more than the time after which a device is looked for.
    for _ in 0..40 {
        let mut noise = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (f64::from(seed) / f64::from(u32::MAX) - 0.5) as f32
        };
        let before: Vec<f32> = (0..24_000).map(|_| noise()).collect();
        let after: Vec<f32> = before.iter().map(|x| x - x.powi(3)).collect();
        writer.write(&[&before], &[&after]);
        comparison.step(None);
        assert_ne!(writer.told().state, TapState::Aligned);
    }
    assert_eq!(writer.told().state, TapState::Settling);
    let turns = Cell::new(0);
    let give_way = || {
        turns.set(turns.get() + 1);
        turns.get() == 5
    };
    // Given up, it is not found.
    comparison.step(Some(&give_way));
    assert_eq!((turns.get(), writer.told().state), (5, TapState::Settling));
}

/// A device's places lie as far apart in time at every rate: 22 frames at 48 kHz, by a crossover at 1 kHz.
#[test]
fn places_of_one_device_are_near_at_every_rate() {
    for rate_hz in [8_000.0, 48_000.0, 96_000.0, 192_000.0, 384_000.0] {
        let crossover = (22.0 * rate_hz / RATE_HZ) as i32;
        assert!(analysis::is_near(0, crossover, rate_hz), "{rate_hz}");
        assert!(!analysis::is_near(-4 * crossover, 0, rate_hz), "{rate_hz}");
    }
}
