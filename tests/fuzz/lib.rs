//! Whatever bytes come in, nothing may crash, hang, take memory without bound, or tell what is no
//! number.
//!
//! A [`Target`] takes bytes and does with them what the plug-in or the command does. It is tried
//! three ways, all on the same targets and the same [seeds](Target::seeds):
//!
//! * [`bounded`] changes the seeds by chance, the same changes in every run: among the tests;
//! * the program `fuzz` does the same for as long as it is told to;
//! * the program `guided` lets libFuzzer look for bytes that reach code not reached before.

#![allow(
    missing_docs,
    clippy::expect_used,
    clippy::missing_panics_doc,
    clippy::panic,
    clippy::unwrap_used,
    reason = "called by tests alone, which stop at the first thing that goes wrong"
)]

pub mod memory;
mod scratch;
mod targets;

use kit::chance::Chance;
use kit::mutate::mutated;

/// What bytes are tried on.
pub struct Target {
    pub name: &'static str,
    /// Panics where something does not hold.
    pub run: fn(&[u8]),
    /// Bytes that are as they should be.
    pub seeds: fn() -> Vec<Vec<u8>>,
}

/// All of them.
pub const TARGETS: [Target; 7] = [
    Target {
        name: "session",
        run: targets::session::run,
        seeds: targets::session::seeds,
    },
    Target {
        name: "state",
        run: targets::state::run,
        seeds: targets::state::seeds,
    },
    Target {
        name: "profile",
        run: targets::kept::profile,
        seeds: targets::kept::profile_seeds,
    },
    Target {
        name: "windows",
        run: targets::kept::windows,
        seeds: targets::kept::windows_seeds,
    },
    Target {
        name: "starting-points",
        run: targets::kept::starting_points,
        seeds: targets::kept::starting_points_seeds,
    },
    Target {
        name: "audio",
        run: targets::audio::run,
        seeds: targets::audio::seeds,
    },
    Target {
        name: "engine",
        run: targets::engine::run,
        seeds: targets::engine::seeds,
    },
];

/// The target of this name.
pub fn target(name: &str) -> Option<&'static Target> {
    TARGETS.iter().find(|target| target.name == name)
}

/// Tries the seeds as they are, and then `count` changed ones. `before` gets each before it is
/// tried, so that what crashed is known afterwards.
pub fn bounded(target: &Target, seed: u64, count: usize, mut before: impl FnMut(&[u8])) {
    let seeds = (target.seeds)();
    for bytes in &seeds {
        before(bytes);
        (target.run)(bytes);
    }
    let mut chance = Chance::new(seed);
    for _ in 0..count {
        let bytes = mutated(&seeds, &mut chance);
        before(&bytes);
        (target.run)(&bytes);
    }
}
