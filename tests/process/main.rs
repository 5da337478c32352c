//! The stages, each by itself. One module a promise.

mod bands;
mod limiter;
mod linear;
mod saturator;
