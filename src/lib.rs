//! Crestline: a mix-bus insert (CLAP and VST3) and a command that show what each decibel of loudness costs.
//!
//! One [`engine`] processes and measures; the plug-in and the command run the same one, so that a number never differs between them.
//!
//! | module | what it holds |
//! | --- | --- |
//! | [`dsp`] | filters, crossovers, oversampling, delays, ramps: pure, no policy |
//! | [`measure`] | signal to numbers |
//! | [`process`] | signal to signal |
//! | [`handover`] | what passes between the audio thread and the editor |
//! | [`engine`] | one block of audio: chain and measurements |
//! | [`session`] | what outlives a block |
//! | [`offline`] | whole files, reports, the demo songs |
//! | [`params`] | what a host can see, automate and save |
//! | [`editor`] | the window |
//! | [`plugin`] | the glue to the plug-in framework |
//!
//! The arrows between them run one way; `tests/architecture.rs` walks the imports. DEVELOPERS.md is the guide for contributors.

pub mod dsp;
pub mod editor;
pub mod engine;
pub mod handover;
pub mod measure;
pub mod offline;
pub mod params;
pub mod plugin;
pub mod process;
pub mod session;

pub use plugin::Crestline;

nice_plug::nice_export_clap!(Crestline);
nice_plug::nice_export_vst3!(Crestline);
