//! Keeps a panic inside a decoder from ending the program.

use std::cell::Cell;
use std::panic::{self, AssertUnwindSafe};
use std::sync::Once;

thread_local! {
    static IN_DECODER: Cell<bool> = const { Cell::new(false) };
}

/// Runs one call into a decoder; `None` if it panicked, which prints nothing. What the call was
/// working on must not be used again after that.
///
/// Only decoders are run in here: a panic of our own stays as loud as it is.
pub(super) fn contained<T>(call: impl FnOnce() -> T) -> Option<T> {
    static QUIET: Once = Once::new();
    QUIET.call_once(|| {
        let loud = panic::take_hook();
        panic::set_hook(Box::new(move |info| {
            if !IN_DECODER.get() {
                loud(info);
            }
        }));
    });
    IN_DECODER.set(true);
    let outcome = panic::catch_unwind(AssertUnwindSafe(call));
    IN_DECODER.set(false);
    outcome.ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_becomes_none_and_the_next_call_works() {
        assert_eq!(contained(|| 1), Some(1));
        assert_eq!(contained(|| -> u8 { panic!("hostile bytes") }), None);
        assert_eq!(contained(|| 2), Some(2));
        assert!(!IN_DECODER.get());
    }
}
