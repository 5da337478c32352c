//! Whatever bytes come in: the same changed seeds in every run. `cargo xtask fuzz` goes on from
//! there.

use std::fs;

/// Inputs of each target: some seconds in all.
const COUNTS: [(&str, usize); 7] = [
    ("session", 200),
    ("state", 150),
    ("profile", 300),
    ("windows", 150),
    ("starting-points", 150),
    ("audio", 250),
    ("engine", 60),
];

/// A panic, an abort, a hang: what was being tried lies in the file that is named then.
#[test]
fn no_bytes_crash_hang_or_make_it_tell_what_is_no_number() {
    for (name, count) in COUNTS {
        let target = ::fuzz::target(name).unwrap();
        let tried = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("fuzz-{name}"));
        println!("{name}: trying {}", tried.display());
        ::fuzz::bounded(target, 1, count, |bytes| fs::write(&tried, bytes).unwrap());
    }
    assert_eq!(COUNTS.len(), ::fuzz::TARGETS.len());
}
