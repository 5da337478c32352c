//! Signal to numbers: loudness, true peak, microdynamics, levels, spectral balance. Knows nothing of what is done to the signal.

mod balance;
mod gating;
mod histogram;
mod k_weighting;
mod level;
mod loudness;
mod meter;
mod microdynamics;
mod range;
mod readings;
mod sliding;
mod time_grid;
mod true_peak;

pub use balance::{band_edge_hz, mid_band_hz};
pub use k_weighting::{KWeighting, Section};
pub use meter::Meter;
pub use readings::{AES17_OFFSET_DB, BAND_COUNT, Balance, ChannelRole, Readings};
