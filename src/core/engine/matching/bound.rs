//! How much louder a change of settings can make the paths, at most.
//!
//! Not counted are the times of the bands, corners and the saturator's curve; that it goes off, or that less of what it
//! bends is blended in, is told as [how far the output goes over to the clean path](straightened). Nor is the saturator switched on behind
//! a limiter that works: of the demo songs that was heard up to 4.6 dB over both at 18 dB of push, and
//! 3 at 12; counted, up to 17 dB too low for a third of a second. Nor what a limiter takes behind a
//! saturator, where it goes off: 0.8 dB over what it settles at, of 100 ms, at 9 dB of push, 1.2 at 12
//! and 1.8 at 18; 1.1, 1.5 and 2.1 after a release by hand.

use super::push_db;
use crate::process::{
    BandSettings, BandsSettings, ChainSettings, LimiterSettings, Release, SaturatorSettings,
    ShelvesSettings,
};

/// What a release of half the time lets go of, LU, about: of the demo songs one of a second that became
/// automatic let go of up to 5 dB at 18 dB of push and 3.5 at 12, within 40 ms.
const RELEASE_LU: f64 = 1.0;
/// As quick as the automatic release is, about, s.
const AUTOMATIC_S: f64 = 0.03;
/// Louder by so much is louder than [`most_lu`] in any case, LU.
const WITHOUT_END_LU: f64 = 120.0;
/// Bands' curves are looked at from here up, dBFS, in steps of so much: they are all but straight.
const QUIETEST_DBFS: f64 = -66.0;
const STEP_DB: f64 = 6.0;

/// Loudness of the paths over that of the input at most, LU: what push, shelves and make-up raise.
/// All else turns down.
pub(super) fn most_lu(chain: &ChainSettings) -> f64 {
    let makeup_db = |band: &BandSettings| {
        if chain.bands.on && band.enabled {
            BandSettings::MAKEUP_DB.held(band.makeup_db)
        } else {
            0.0
        }
    };
    let makeups_db = chain.bands.bands.iter().map(makeup_db);
    let [low_db, high_db] = shelves_db(chain);
    push_db(chain) + low_db.max(high_db).max(0.0) + makeups_db.fold(f64::MIN, f64::max)
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
    let mut rise_lu = up(push_db(before), push_db(after))
        + up(low_before, low_after).max(up(high_before, high_after));
    if before.bands != after.bands {
        let loudest_dbfs = push_db(after) + low_after.max(high_after).max(0.0);
        rise_lu += bands_rise_db(&before.bands, &after.bands, loudest_dbfs);
    }
    if has_ceiling(before) && has_ceiling(after) {
        let [before, after] = [before, after]
            .map(|chain| LimiterSettings::CEILING_DBTP.held(chain.limiter.ceiling_dbtp));
        rise_lu += up(before, after);
    }
    if before.limiter.enabled && after.limiter.enabled {
        let octaves = release_s(&before.limiter) / release_s(&after.limiter);
        rise_lu += up(0.0, RELEASE_LU * octaves.log2());
    }
    rise_lu
}

/// How far the output path goes over to the clean one, 0…1: all the way where the saturator is switched
/// off, and by its share where less of what it bends is blended in. That is louder where no limiter
/// stands behind it.
pub(super) fn straightened(before: &ChainSettings, after: &ChainSettings) -> f64 {
    let [before, after] = [before, after].map(|chain| {
        let saturator = chain.saturator;
        let blend_percent = SaturatorSettings::BLEND_PERCENT.held(saturator.blend_percent);
        if saturator.enabled {
            blend_percent
        } else {
            0.0
        }
    });
    if after < before {
        1.0 - after / before
    } else {
        0.0
    }
}

/// By how much more a band lets through at most, dB, of levels up to the loudest.
fn bands_rise_db(before: &BandsSettings, after: &BandsSettings, loudest_dbfs: f64) -> f64 {
    let output_db = |bands: &BandsSettings, index: usize, level_dbfs: f64| {
        let band = bands.bands.get(index).filter(|_| bands.on);
        band.map_or(level_dbfs, |band| band.output_db(level_dbfs))
    };
    let mut rise_db = 0.0_f64;
    for index in 0..before.bands.len() {
        let mut level_dbfs = loudest_dbfs;
        while level_dbfs >= QUIETEST_DBFS {
            let rise = output_db(after, index, level_dbfs) - output_db(before, index, level_dbfs);
            rise_db = rise_db.max(rise);
            level_dbfs -= STEP_DB;
        }
    }
    rise_db
}

fn shelves_db(chain: &ChainSettings) -> [f64; 2] {
    let shelves = &chain.shelves;
    [shelves.low_gain_db, shelves.high_gain_db].map(|db| ShelvesSettings::GAIN_DB.held(db))
}

fn release_s(limiter: &LimiterSettings) -> f64 {
    match limiter.release {
        Release::Automatic => AUTOMATIC_S,
        Release::Manual(ms) => LimiterSettings::RELEASE_MS.held(ms) / 1_000.0,
    }
}

/// Limiter and saturator have theirs in common.
fn has_ceiling(chain: &ChainSettings) -> bool {
    chain.limiter.enabled || chain.saturator.enabled
}
