//! The target that `CRESTLINE_FUZZ` names, under libFuzzer, which looks for bytes that reach code
//! not reached before. `cargo xtask fuzz` builds and runs it.

#![no_main]
#![expect(clippy::expect_used, reason = "there is no going on without a target")]

use libfuzzer_sys::fuzz_target;
use std::sync::LazyLock;

#[cfg(not(debug_assertions))]
#[global_allocator]
static ALLOCATOR: fuzz::memory::Bounded = fuzz::memory::Bounded;

static TARGET: LazyLock<&fuzz::Target> = LazyLock::new(|| {
    let name = std::env::var("CRESTLINE_FUZZ").unwrap_or_default();
    fuzz::target(&name).expect("CRESTLINE_FUZZ names a target")
});

fuzz_target!(|bytes: &[u8]| (TARGET.run)(bytes));
