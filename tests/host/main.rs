//! The plug-in in a host. One module a promise.

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

mod automation;
mod blocks;
mod clap;
mod edits;
mod fuzz;
mod instances;
mod lifecycle;
mod listen;
mod malformed;
mod params;
mod readings;
mod reduction;
mod reference;
mod rendering;
mod sleep;
mod states;
mod surfaces;
mod texts;
mod vst3;
mod vst3_class;
mod window;
mod window_edits;
mod window_host;
