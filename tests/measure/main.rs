//! Signal to numbers, against the standards. One module a promise.

mod balance;
mod invariance;
mod levels;
mod loudness;
mod microdynamics;
mod range;
mod reference;
mod true_peak;
