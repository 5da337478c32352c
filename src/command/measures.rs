//! The numbers of one signal from its start to its end, as every command reports them.

use serde::{Serialize, Serializer};

use crestline_core::measure::Readings;

/// Length of a gating block, seconds (ITU-R BS.1770-5, Annex 1): in less there is nothing to gate.
const GATING_BLOCK_S: f64 = 0.4;

/// Whether a signal is too short to have a loudness.
pub(super) fn too_short(frames: u64, sample_rate_hz: f64) -> bool {
    (frames as f64) < (GATING_BLOCK_S * sample_rate_hz).round()
}

/// What was measured of one file. Serialises to the object of `--json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct MeasuredFile {
    pub file: String,
    pub sample_rate_hz: u32,
    pub channels: usize,
    #[serde(serialize_with = "to_thousandths")]
    pub duration_s: f64,
    #[serde(flatten)]
    pub measures: Measures,
    /// Mean of the samples; `None` also where it is not asked for.
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub dc_offset_dbfs: Option<f64>,
    /// Is the file long enough for its loudness range to be relied on?
    #[serde(skip)]
    pub loudness_range_settled: bool,
    /// What the reader should know besides; told on standard error.
    #[serde(skip)]
    pub notes: Vec<String>,
}

/// Measurements of a whole signal. Serialises to the measuring keys of `--json`; `None` is what
/// cannot be measured.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Measures {
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub integrated_lufs: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub loudness_range_lu: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub momentary_max_lufs: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub short_term_max_lufs: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub true_peak_dbtp: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub sample_peak_dbfs: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub plr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub short_term_plr_min_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub ldr_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub rms_dbfs: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    pub crest_factor_db: Option<f64>,
    pub clipped_runs: Option<u64>,
}

impl Measures {
    /// Of a finished measurement; nothing at all of silence.
    pub fn new(readings: &Readings) -> Self {
        let measured = readings.sample_peak_dbfs.is_some().then_some(readings);
        let reading = |of: fn(&Readings) -> Option<f64>| measured.and_then(of);
        Self {
            integrated_lufs: reading(|r| r.integrated_lufs),
            loudness_range_lu: reading(|r| r.loudness_range_lu),
            momentary_max_lufs: reading(|r| r.momentary_max_lufs),
            short_term_max_lufs: reading(|r| r.short_term_max_lufs),
            true_peak_dbtp: reading(|r| r.true_peak_dbtp),
            sample_peak_dbfs: reading(|r| r.sample_peak_dbfs),
            plr_db: reading(|r| r.plr_db),
            short_term_plr_min_db: reading(|r| r.short_term_plr_min_db),
            ldr_db: reading(|r| r.ldr_db),
            rms_dbfs: reading(|r| r.rms_dbfs),
            crest_factor_db: reading(|r| r.crest_factor_db),
            clipped_runs: measured.map(|r| r.clipped_runs),
        }
    }
}

#[expect(
    clippy::trivially_copy_pass_by_ref,
    reason = "serde hands over a reference to the field"
)]
pub(super) fn to_thousandths<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    // The sum turns -0 into 0.
    serializer.serialize_f64((value * 1000.0).round() / 1000.0 + 0.0)
}

#[expect(
    clippy::ref_option,
    reason = "serde hands over a reference to the field"
)]
pub(super) fn to_thousandths_if_any<S: Serializer>(
    value: &Option<f64>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    match value {
        Some(value) => to_thousandths(value, serializer),
        None => serializer.serialize_none(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_rounded_to_thousandths_and_never_minus_zero() {
        let json = |value: f64| {
            let mut bytes = Vec::new();
            to_thousandths(&value, &mut serde_json::Serializer::new(&mut bytes)).unwrap();
            String::from_utf8(bytes).unwrap()
        };
        assert_eq!(json(-22.993_34), "-22.993");
        assert_eq!(json(0.000_5), "0.001");
        assert_eq!(json(-0.000_04), "0.0");
    }
}
