//! The plug-in in a host. One module a promise.

mod clap;
mod listen;
mod malformed;
mod reduction;
mod vst3;
mod vst3_class;
mod window;
