//! Crestline.

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
