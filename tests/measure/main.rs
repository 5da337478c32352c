//! Signal to numbers, against the standards. One module a promise.

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

mod balance;
mod band_crest;
mod invariance;
mod levels;
mod loudness;
mod microdynamics;
mod range;
mod reference;
mod true_peak;
