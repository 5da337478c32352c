//! Signal to numbers: loudness, true peak, microdynamics, levels, spectral balance. Knows nothing
//! of what is done to the signal.

mod alignment;
mod balance;
mod clipping;
mod gating;
mod histogram;
mod k_weighting;
mod level;
mod loudness;
mod lowest_plr;
mod lufs;
mod meter;
mod microdynamics;
mod percentiles;
mod range;
mod readings;
mod reduction;
mod sliding;
mod tap;
mod time_grid;
mod true_peak;

pub use alignment::{Aligner, Alignment, Relation};
pub use balance::{band_edge_hz, mid_band_hz};
pub use k_weighting::{KWeighting, Section};
pub use meter::Meter;
pub use readings::{AES17_OFFSET_DB, BAND_COUNT, Balance, ChannelRole, Readings};
pub use reduction::{BandReduction, GainMemory, Reduction, ReductionMeter, RestGain, Trend};
pub use tap::{LONGEST_DELAY_MS, TapMeter, longest_delay_frames};
