//! The `crestline` command, as its users run it. One module a promise.

#![allow(
    clippy::cast_sign_loss,
    clippy::expect_used,
    clippy::items_after_statements,
    clippy::manual_midpoint,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test is written as its formula reads, stops at the first thing that goes wrong, and says what it has measured"
)]

mod audition;
mod compare;
mod containers;
mod decoders;
mod encoded;
mod faults;
mod forecast;
#[cfg(unix)]
mod interrupt;
mod measure;
mod metadata;
mod outputs;
mod recordings;
mod reduction;
mod render;
mod render_refused;
mod report;
mod sound_files;
mod usage;
