//! The scale of ITU-R BS.1770-5: from a weighted mean square to LUFS, and the absolute gate.

use crate::dsp::decibel::db_from_power;

/// The constant of BS.1770-5, Annex 1, equation 2: it cancels the weighting's gain at 997 Hz.
const OFFSET_LU: f64 = -0.691;
/// Absolute gate, LUFS (BS.1770-5, Annex 1): what lies below is not heard.
pub(crate) const ABSOLUTE_GATE_LUFS: f64 = -70.0;

/// Loudness of a weighted mean square (full scale is 1), LUFS; `None` for silence.
pub(crate) fn lufs(mean_square: f64) -> Option<f64> {
    db_from_power(mean_square).map(|db| db + OFFSET_LU)
}

/// Whether a weighted mean square lies above the absolute gate.
pub(super) fn audible(mean_square: f64) -> bool {
    lufs(mean_square).is_some_and(|loudness| loudness > ABSOLUTE_GATE_LUFS)
}
