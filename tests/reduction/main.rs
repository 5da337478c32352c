//! What was done to a signal, from before and after. One module a promise.

mod alignment;
mod bands;
mod distortion;
mod paths;
