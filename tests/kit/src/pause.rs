//! Waiting for a while.

use std::thread::park_timeout;
use std::time::{Duration, Instant};

/// Waits for all of `length`. Parking alone does not: threads that end in a scope wake the one that
/// began them, and if it was not asleep then, the next time that it parks.
pub fn pause(length: Duration) {
    let end = Instant::now() + length;
    while let Some(left) = end.checked_duration_since(Instant::now())
        && !left.is_zero()
    {
        park_timeout(left);
    }
}
