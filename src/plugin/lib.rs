//! Crestline as a plug-in: a mix-bus insert that shows what each decibel of loudness costs.
//!
//! | module | what it holds |
//! | --- | --- |
//! | [`params`] | what a host can see, automate and save |
//! | [`editor`] | the window; it never sees the engine |
//! | [`plugin`] | the glue to the plug-in framework |
//! | [`export`] | what hosts talk to |

pub mod editor;
pub mod export;
pub mod params;
pub mod plugin;

pub use plugin::Crestline;

nice_plug::nice_export_clap!(Crestline);
nice_plug::nice_export_vst3!(Crestline);
