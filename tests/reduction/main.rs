//! What was done to a signal, from before and after. One module a promise.

mod alignment;
mod bands;
mod devices;
mod distortion;
mod paths;
mod processes;
