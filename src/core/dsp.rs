//! Signal processing without policy: decibels, filters, windows. Everything here is pure; nothing
//! knows what it is used for.

pub mod biquad;
pub mod crossover;
pub mod decibel;
pub(crate) mod delay;
pub mod fault;
pub(crate) mod fir;
pub mod level_histogram;
pub mod oversample;
pub mod quad;
pub mod quantum;
pub(crate) mod ramp;
pub(crate) mod run;
pub mod setting;
pub(crate) mod solve;
