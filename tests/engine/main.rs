//! The engine as a whole, and what it hands over. One module a promise.

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

mod arrivals;
mod audition;
mod automation;
mod beside;
mod capture;
mod ceiling;
mod duplicates;
mod flat_tops;
mod forecast;
mod forecast_service;
mod history;
mod history_drawing;
mod history_model;
mod interruptions;
mod listen;
mod live_reference;
mod matching;
mod memory;
mod paths;
mod pauses;
mod recent_model;
mod reference;
mod residue;
mod restart;
mod rises;
mod solo;
mod starting_points;
mod targets;
mod transparency;
