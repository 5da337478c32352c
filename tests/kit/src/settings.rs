//! Settings of which no two values are alike, so that what is wired to another place shows.

use crestline_core::process::{
    BandSettings, BandsSettings, ChainSettings, LimiterSettings, PushSettings, Release,
    SaturatorSettings, ShelvesSettings,
};

/// Every stage on and every value its own, within its range and not its default.
pub fn all_different() -> ChainSettings {
    let band = |n: u8| {
        let of = f64::from(n);
        BandSettings {
            enabled: true,
            threshold_db: -30.0 - of,
            ratio: 1.0 + of,
            knee_db: 6.0 + of,
            attack_ms: 20.0 + of,
            release_ms: 200.0 + 10.0 * of,
            makeup_db: of,
        }
    };
    ChainSettings {
        push: PushSettings { push_db: 4.5 },
        shelves: ShelvesSettings {
            low_hz: 95.0,
            low_gain_db: -2.5,
            high_hz: 7_500.0,
            high_gain_db: 1.5,
        },
        bands: BandsSettings {
            on: true,
            crossovers_hz: [110.0, 900.0, 5_500.0],
            bands: [band(1), band(2), band(3), band(4)],
        },
        saturator: SaturatorSettings {
            enabled: true,
            shoulder_db: 4.0,
            lean_percent: 30.0,
            blend_percent: 80.0,
        },
        limiter: LimiterSettings {
            enabled: true,
            ceiling_dbtp: -1.5,
            release: Release::Manual(120.0),
            link_percent: 60.0,
        },
    }
}
