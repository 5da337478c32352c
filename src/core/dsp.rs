//! Signal processing without policy: decibels, filters, windows. Everything here is pure; nothing
//! knows what it is used for.

pub mod biquad;
pub mod crossover;
pub mod decibel;
pub mod delay;
pub mod fault;
pub mod fir;
pub mod level_histogram;
pub mod oversample;
pub mod quad;
pub mod quantum;
pub mod ramp;
pub mod run;
pub mod setting;
pub mod solve;
