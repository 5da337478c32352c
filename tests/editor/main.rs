//! The editor, without a window. One module a promise.

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
mod colours;
mod compare;
mod controls;
mod decision;
mod files;
mod forecast;
mod frames;
mod gestures;
mod handles;
mod history;
mod in_turn;
mod late_host;
mod listening;
mod pictures;
mod raster;
mod reference;
mod steady;
mod tiles;
mod window;
mod words;
