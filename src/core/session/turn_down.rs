//! What playback levelled to one loudness does to a master.

use crate::dsp::setting::Setting;

/// Loudness to which playback is levelled, LUFS. The default is common practice, not a standard's
/// figure.
pub const PLAYBACK_LUFS: Setting = Setting::new(-30.0, -5.0, -14.0);
/// True peak up to which a quiet master is turned up, dBTP: what AES TD1008 allows at the input of
/// a codec.
pub const PLAYBACK_CEILING_DBTP: f64 = -1.0;

/// A master at a playback level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TurnDown {
    /// Gain of the playback, dB; negative where the master is louder than the level.
    pub gain_db: f64,
    /// Loudness as played, LUFS.
    pub loudness_lufs: f64,
    /// True peak as played, dBTP.
    pub true_peak_dbtp: f64,
    /// PLR as played, dB. A gain leaves it as it is.
    pub plr_db: f64,
    /// Peaks could be higher by this at the same loudness as played, dB: what was squashed for
    /// nothing. Negative where they are above the ceiling.
    pub unused_peak_db: f64,
}

/// Plays a master of this integrated loudness and true peak at `playback_lufs` (held to
/// [`PLAYBACK_LUFS`]).
///
/// A louder master is turned down to the level, whatever its peaks. A quieter one is turned up to
/// it, but not so far that its true peak passes [`PLAYBACK_CEILING_DBTP`]; one whose peaks pass
/// that already is left alone. `None` while loudness or peak are unknown.
pub fn turn_down(
    playback_lufs: f64,
    integrated_lufs: Option<f64>,
    true_peak_dbtp: Option<f64>,
) -> Option<TurnDown> {
    let finite = |value: &f64| value.is_finite();
    let loudness = integrated_lufs.filter(finite)?;
    let peak = true_peak_dbtp.filter(finite)?;
    let wanted_db = playback_level(playback_lufs) - loudness;
    let headroom_db = (PLAYBACK_CEILING_DBTP - peak).max(0.0);
    let gain_db = wanted_db.min(headroom_db);
    Some(TurnDown {
        gain_db,
        loudness_lufs: loudness + gain_db,
        true_peak_dbtp: peak + gain_db,
        plr_db: peak - loudness,
        unused_peak_db: PLAYBACK_CEILING_DBTP - (peak + gain_db),
    })
}

/// `lufs` brought into the range of playback levels; the default for what is not a number.
pub(super) fn playback_level(lufs: f64) -> f64 {
    if lufs.is_finite() {
        PLAYBACK_LUFS.held(lufs)
    } else {
        PLAYBACK_LUFS.default
    }
}
