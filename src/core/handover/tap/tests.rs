//! What no scheduler can be asked to do at will.

use super::*;

/// A writer that has written `frames` frames of a tone, and the worker's half, which has read none.
fn written(frames: usize) -> (Arc<Shared>, Comparison) {
    const RATE_HZ: f64 = 48_000.0;
    let (mut writer, task) = tap(RATE_HZ, 1).unwrap();
    drop(task);
    let shared = Arc::clone(&writer.shared);
    shared.carried.store(true, Ordering::Relaxed);
    let (tell, _) = triple_buffer::triple_buffer(&Told::default());
    let mut comparison = Comparison::new(Arc::clone(&shared), RATE_HZ, tell);
    writer.begin();
    // Makes room for what is written.
    assert!(!comparison.step());
    let tone: Vec<f32> = (0..frames).map(|n| (0.05 * n as f32).sin()).collect();
    writer.write(&[&tone], &[&tone]);
    (shared, comparison)
}

#[test]
fn a_cut_that_is_newer_than_what_has_been_seen_is_waited_for() {
    let (shared, mut comparison) = written(1_000);
    assert!(!comparison.step());
    assert_eq!(comparison.read, 1_000);
    // The host resets between the look at the count, 1500, and that at the cut, 1600.
    shared.written.store(1_500, Ordering::Release);
    shared.cut.store(1_600, Ordering::Relaxed);
    assert!(!comparison.step());
    assert_eq!(comparison.read, 1_600);
    // What follows the cut is read from there on.
    shared.written.store(2_000, Ordering::Release);
    assert!(!comparison.step());
    assert_eq!(comparison.read, 2_000);
}
