//! Any automation of any setting, for property tests.

use crestline_core::engine::Settings;
use crestline_core::process::{
    BandSettings, BandsSettings, ChainSettings, LimiterSettings, ListenSettings, PushSettings,
    Release, SaturatorSettings, ShelvesSettings, Source,
};
use proptest::prelude::*;

fn band() -> impl Strategy<Value = BandSettings> {
    let level = (
        -70.0..10.0_f64,
        0.5..12.0_f64,
        -1.0..30.0_f64,
        -14.0..14.0_f64,
    );
    (any::<bool>(), level, 0.05..300.0_f64, 1.0..3000.0_f64).prop_map(
        |(enabled, (threshold_db, ratio, knee_db, makeup_db), attack_ms, release_ms)| {
            BandSettings {
                enabled,
                threshold_db,
                ratio,
                knee_db,
                attack_ms,
                release_ms,
                makeup_db,
            }
        },
    )
}

/// Any bands.
pub fn bands() -> impl Strategy<Value = BandsSettings> {
    (
        any::<bool>(),
        [10.0..500.0_f64, 300.0..4_000.0, 2_000.0..20_000.0],
        [band(), band(), band(), band()],
    )
        .prop_map(|(on, crossovers_hz, bands)| BandsSettings {
            on,
            crossovers_hz,
            bands,
        })
}

fn shelves() -> impl Strategy<Value = ShelvesSettings> {
    (
        20.0..500.0_f64,
        -10.0..10.0_f64,
        1_000.0..20_000.0_f64,
        -10.0..10.0_f64,
    )
        .prop_map(
            |(low_hz, low_gain_db, high_hz, high_gain_db)| ShelvesSettings {
                low_hz,
                low_gain_db,
                high_hz,
                high_gain_db,
            },
        )
}

fn saturator() -> impl Strategy<Value = SaturatorSettings> {
    (
        any::<bool>(),
        0.2..14.0_f64,
        -5.0..110.0_f64,
        -5.0..110.0_f64,
    )
        .prop_map(
            |(enabled, shoulder_db, lean_percent, blend_percent)| SaturatorSettings {
                enabled,
                shoulder_db,
                lean_percent,
                blend_percent,
            },
        )
}

fn limiter() -> impl Strategy<Value = LimiterSettings> {
    let release = prop_oneof![
        Just(Release::Automatic),
        (10.0..1_200.0_f64).prop_map(Release::Manual)
    ];
    (any::<bool>(), -14.0..2.0_f64, release, -5.0..110.0_f64).prop_map(
        |(enabled, ceiling_dbtp, release, link_percent)| LimiterSettings {
            enabled,
            ceiling_dbtp,
            release,
            link_percent,
        },
    )
}

/// Any setting, a little beyond its range too: it is clamped then.
pub fn chain() -> impl Strategy<Value = ChainSettings> {
    (-1.0..20.0_f64, shelves(), bands(), saturator(), limiter()).prop_map(
        |(push_db, shelves, bands, saturator, limiter)| ChainSettings {
            push: PushSettings { push_db },
            shelves,
            bands,
            saturator,
            limiter,
        },
    )
}

fn source() -> impl Strategy<Value = Source> {
    use Source::{Clean, Input, Output, Residue};
    prop::sample::select(vec![Output, Clean, Input, Residue])
}

/// Anything to be heard in any way.
pub fn listen() -> impl Strategy<Value = ListenSettings> {
    let switches = (
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        prop::bool::weighted(0.2),
        prop::bool::weighted(0.1),
    );
    let solo = [prop::bool::weighted(0.1); 4];
    (source(), switches, solo).prop_map(
        |(source, (reference, side_chain, matched, bypass, written), solo)| ListenSettings {
            source,
            reference,
            side_chain,
            matched,
            solo,
            bypass,
            written,
        },
    )
}

/// Settings, each for some frames, from 1 to a quarter of a second.
pub fn automation() -> impl Strategy<Value = Vec<(usize, Settings)>> {
    let frames = prop_oneof![1_usize..100, 100_usize..2_000, 2_000_usize..12_000];
    let settings = (chain(), listen()).prop_map(|(chain, listen)| Settings {
        chain,
        listen,
        ..Settings::default()
    });
    prop::collection::vec((frames, settings), 20..60)
}
