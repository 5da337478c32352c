//! The stages, each by itself. One module a promise.

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

mod bands;
mod in_motion;
mod limiter;
mod linear;
mod saturator;
