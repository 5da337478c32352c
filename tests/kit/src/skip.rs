//! Tests whose tool is missing: said at once, and listed at the end of `cargo xtask check`.

use std::fs::OpenOptions;
use std::io::Write as _;

/// The file that `cargo xtask check` reads at its end.
const LIST: &str = "CRESTLINE_SKIPPED";

/// Why a test of the bundles does not run by itself.
pub const NO_BUNDLE: &str =
    "`cargo xtask check` builds the bundle from these sources first and says where it is";

/// Says that the test does not run, and why.
pub fn skip(test: &str, reason: &str) {
    let line = format!("{test}: {reason}\n");
    // Not `println!`, which the test harness swallows.
    let _ = std::io::stderr().write_all(format!("skipped: {line}").as_bytes());
    let Some(list) = std::env::var_os(LIST) else {
        return;
    };
    let opened = OpenOptions::new().create(true).append(true).open(list);
    // One write: tests run side by side.
    opened.unwrap().write_all(line.as_bytes()).unwrap();
}
