//! What the tests of the plug-in share: a host in the process, a window's screen, the editor's
//! pictures.

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

pub mod clap_host;
pub mod editor_stage;
#[cfg(target_os = "linux")]
pub mod held;
pub mod picture;
pub mod raw_host;
#[cfg(target_os = "linux")]
pub mod screen;
pub mod vst3_host;

/// Debug builds of the framework log what a host may well do, thousands of times over and on the audio
/// thread, and reroute panics into that log as well. They do neither where a subscriber is there before
/// them, so every way to an instance comes by here first.
fn keep_the_framework_from_logging() {
    let _ = tracing::subscriber::set_global_default(tracing::subscriber::NoSubscriber::new());
}
