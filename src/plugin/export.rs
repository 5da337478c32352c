//! What a host loads, and a guard around what the framework exports.

pub mod denormals;
pub mod ports;
