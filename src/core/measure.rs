//! Signal to numbers: loudness, true peak, microdynamics, levels, spectral balance. Knows nothing
//! of what is done to the signal.

mod alignment;
mod balance;
mod band_crest;
mod clipping;
mod dc_offset;
mod flat_tops;
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
mod through;
mod time_grid;
mod transfer;
mod true_peak;
mod weighted_energy;

pub use alignment::{Aligner, Alignment, LONGEST_DELAY_MS, Relation, longest_delay_frames, mono};
pub use balance::{band_edge_hz, mid_band_hz, nominal_hz};
pub use band_crest::{BandCrest, FAINT_DB};
pub use dc_offset::DcOffset;
pub use flat_tops::FlatTops;
pub(crate) use gating::RELATIVE_GATE_LU;
pub(crate) use k_weighting::KWeighting;
pub(crate) use lufs::{ABSOLUTE_GATE_LUFS, lufs};
pub use meter::Meter;
pub(crate) use meter::MeterGroup;
pub use readings::{AES17_OFFSET_DB, BAND_COUNT, Balance, ChannelRole, Placed, Readings};
pub use reduction::{BandReduction, GainMemory, Reduction, ReductionMeter, RestGain, Trend};
pub use through::ThroughMeter;
pub use transfer::{Estimate, Estimator, LinearPart, Stretch};
pub(crate) use weighted_energy::WeightedEnergy;
