//! The stages, each by itself. One module a promise.

mod limiter;
mod linear;
mod saturator;
