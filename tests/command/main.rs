//! The `crestline` command, as its users run it. One module a promise.

mod containers;
mod decoders;
mod faults;
mod forecast;
mod measure;
mod metadata;
mod recordings;
mod reduction;
mod render;
mod sound_files;
mod usage;
