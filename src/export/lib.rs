//! The plug-in's library as hosts load it: the entry points of CLAP and VST3, nothing else.

pub use crestline_plugin::*;
