//! The `crestline` command, as its users run it. One module a promise.

mod faults;
mod measure;
mod recordings;
mod reduction;
mod render;
mod sound_files;
mod usage;
