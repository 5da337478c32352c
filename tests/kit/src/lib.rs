//! What the tests share: signals and their spectra, sound files and hostile bytes, runs of the
//! engine and of the meters.

#![allow(
    missing_docs,
    clippy::expect_used,
    clippy::missing_errors_doc,
    clippy::missing_panics_doc,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "called by tests alone, which stop at the first thing that goes wrong"
)]

pub mod allocator;
pub mod automation;
pub mod before_after;
pub mod chance;
pub mod engine_run;
pub mod growth;
pub mod metering;
pub mod mutate;
pub mod pause;
pub mod recorded;
pub mod reference;
pub mod settings;
pub mod signals;
pub mod skip;
pub mod sound_files;
pub mod spectrum;
