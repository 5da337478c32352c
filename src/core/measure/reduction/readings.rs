//! What a pair of signals reports.

use crate::dsp::setting::Setting;
/// One quantity over several spans of time, dB. `None`: cannot be told (yet), because there was too
/// little signal.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Trend {
    /// Over the last 40 ms (a Hann window, like 20 ms); distortion but for the lowest band over the
    /// 20 ms in their middle.
    pub now_db: Option<f32>,
    /// Energy-weighted mean over the last 3 s.
    pub mean_3s_db: Option<f32>,
    /// Energy-weighted mean since the last restart.
    pub mean_db: Option<f32>,
    /// Highest since the last restart.
    pub max_db: Option<f32>,
}

/// What happened to one band.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BandReduction {
    /// Gain at rest, dB: what the band's gain is compared with.
    pub rest_gain_db: Option<f32>,
    /// Gain at rest less gain, dB: positive where the band is turned down.
    pub reduction: Trend,
    /// Share of the band's output that no gain explains, dB, 0 or less.
    pub distortion: Trend,
}

/// What happened between one signal and another, band by band, low to high.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Reduction {
    /// The bands.
    pub bands: [BandReduction; 4],
    /// Share of the whole output that no gain of its band explains, dB: of all bands together, over
    /// 20 ms. The lowest band's own is over 40 ms, so this may lie below that of every band.
    pub distortion: Trend,
}

/// Where the gain at rest is taken from.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum RestGain {
    /// The 95th percentile of each band's gain over the span that the meter was made with.
    #[default]
    Automatic,
    /// The same known gain in every band, dB.
    Known(f64),
}

impl RestGain {
    /// What a gain at rest set by hand may be, dB.
    pub const KNOWN_DB: Setting = Setting::new(-24.0, 24.0, 0.0);
}
