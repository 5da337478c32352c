//! Crestline's engine, without framework, window or file format.
//!
//! One [`engine`] processes and measures; the plug-in and the command run the same one, so that a
//! number never differs between them.
//!
//! | module | what it holds |
//! | --- | --- |
//! | [`dsp`] | filters, crossovers, oversampling, delays, ramps: pure, no policy |
//! | [`measure`] | signal to numbers |
//! | [`process`] | signal to signal |
//! | [`engine`] | one block of audio: chain and measurements |
//! | [`handover`] | what passes between the audio thread and the editor |
//! | [`session`] | what outlives a block |
//! | `worker` | the thread that all instances share |
//!
//! `measure` and `process` do not know each other: what matched listening has to know is worked out
//! in `engine` and passed in as numbers. DEVELOPERS.md is the guide for contributors.

pub mod dsp;
pub mod engine;
pub mod handover;
pub mod measure;
pub mod process;
pub mod session;
mod worker;
