//! How much louder a change of settings can make the paths, at most.

use super::push_db;
use crate::process::{BandSettings, ChainSettings, LimiterSettings, ShelvesSettings};

/// Louder by so much is louder than [`most_lu`] in any case, LU.
const WITHOUT_END_LU: f64 = 120.0;

/// Loudness of the paths over that of the input at most, LU: what push, shelves and make-up raise.
/// All else turns down.
pub(super) fn most_lu(chain: &ChainSettings) -> f64 {
    let [low_db, high_db] = shelves_db(chain);
    push_db(chain) + low_db.max(high_db).max(0.0) + makeup_db(chain)
}

/// By how much the paths can become louder, LU, unless they come to [`most_lu`] before: 0 where a
/// change only turns down.
pub(super) fn rise_lu(before: &ChainSettings, after: &ChainSettings) -> f64 {
    let off = |before: bool, after: bool| before && !after;
    if off(before.limiter.enabled, after.limiter.enabled) || off(before.bands.on, after.bands.on) {
        return WITHOUT_END_LU;
    }
    let up = |before: f64, after: f64| (after - before).max(0.0);
    let [low_before, high_before] = shelves_db(before);
    let [low_after, high_after] = shelves_db(after);
    let bands = before.bands.bands.iter().zip(&after.bands.bands);
    let loudest_db = push_db(after);
    let bands = bands.map(|(before, after)| less_reduction_db(before, after, loudest_db));
    let [ceiling_before, ceiling_after] =
        [before, after].map(|chain| LimiterSettings::CEILING_DBTP.held(chain.limiter.ceiling_dbtp));
    let mut rise_lu = up(push_db(before), push_db(after))
        + up(low_before, low_after).max(up(high_before, high_after))
        + up(makeup_db(before), makeup_db(after));
    if after.bands.on && before.bands.on {
        rise_lu += bands.fold(0.0, f64::max);
    }
    if after.limiter.enabled && before.limiter.enabled {
        rise_lu += up(ceiling_before, ceiling_after);
    }
    rise_lu
}

/// By how much less a band turns down at most, dB, of levels up to the loudest, dBFS.
fn less_reduction_db(before: &BandSettings, after: &BandSettings, loudest_db: f64) -> f64 {
    let reduction_db = |band: &BandSettings, level_db: f64| {
        let over_db = level_db - BandSettings::THRESHOLD_DB.held(band.threshold_db);
        over_db.max(0.0) * (1.0 - 1.0 / BandSettings::RATIO.held(band.ratio))
    };
    let less_at = |level_db| reduction_db(before, level_db) - reduction_db(after, level_db);
    // Both are straight but for their thresholds.
    let threshold_db = BandSettings::THRESHOLD_DB.held(after.threshold_db);
    less_at(threshold_db).max(less_at(loudest_db)).max(0.0)
}

fn shelves_db(chain: &ChainSettings) -> [f64; 2] {
    let shelves = &chain.shelves;
    [shelves.low_gain_db, shelves.high_gain_db].map(|db| ShelvesSettings::GAIN_DB.held(db))
}

/// The highest make-up of the bands; 0 at least, and while they are off.
fn makeup_db(chain: &ChainSettings) -> f64 {
    let makeups = chain.bands.bands.iter().map(|band| band.makeup_db);
    let highest_db = makeups.fold(0.0, |most, db| BandSettings::MAKEUP_DB.held(db).max(most));
    if chain.bands.on { highest_db } else { 0.0 }
}
