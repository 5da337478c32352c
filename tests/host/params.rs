//! What each parameter is for ever, and what it does to the chain.

#![expect(
    unsafe_code,
    reason = "the framework reads and writes parameters through raw pointers only"
)]

use crestline_core::process::{ListenSettings, Release, Source};
use crestline_plugin::params::CrestlineParams;
use nice_plug::prelude::{ParamPtr, Params};

/// Sets a parameter as a host does that was given a text for it.
fn set(params: &CrestlineParams, id: &str, text: &str) {
    let map = params.param_map();
    let (_, param, _) = map.iter().find(|(known, ..)| known == id).expect(id);
    // SAFETY: the parameters outlive this function.
    let normalized = unsafe { param.string_to_normalized_value(text) };
    // SAFETY: as above.
    unsafe { param._internal_set_normalized_value(normalized.expect(text)) };
}

/// Each parameter has a value of its own.
#[test]
fn every_parameter_reaches_its_setting() {
    let params = CrestlineParams::default();
    for (id, text) in [
        ("push", "4.5"),
        ("lowdb", "-2.5"),
        ("lowhz", "95"),
        ("highdb", "1.5"),
        ("highhz", "7500"),
        ("bands", "on"),
        ("xlow", "110"),
        ("xmid", "900"),
        ("xhigh", "5500"),
        ("sat", "on"),
        ("shldr", "4"),
        ("lean", "30"),
        ("blend", "80"),
        ("limit", "on"),
        ("ceil", "-1.5"),
        ("relaut", "off"),
        ("reltim", "120"),
        ("link", "60"),
        ("listen", "Residue"),
        ("match", "on"),
    ] {
        set(&params, id, text);
    }
    let mut expected = kit::settings::all_different();
    expected.bands.bands[2].enabled = false;
    for (n, band) in (1..).zip(&expected.bands.bands) {
        for (id, value) in [
            ("thr", band.threshold_db),
            ("ratio", band.ratio),
            ("knee", band.knee_db),
            ("attack", band.attack_ms),
            ("releas", band.release_ms),
            ("makeup", band.makeup_db),
        ] {
            set(&params, &format!("{id}_{n}"), &value.to_string());
        }
        let on = if band.enabled { "on" } else { "off" };
        set(&params, &format!("on_{n}"), on);
    }
    // As near as a parameter in `f32` comes to what was typed.
    let [found, expected] = [params.chain_settings(), expected].map(|of| format!("{of:.2?}"));
    assert_eq!(found, expected);
    set(&params, "relaut", "on");
    assert_eq!(params.chain_settings().limiter.release, Release::Automatic);
    let mut listen = ListenSettings {
        source: Source::Residue,
        matched: true,
        ..ListenSettings::default()
    };
    assert_eq!(params.listen_settings(), listen);
    for (text, source) in [
        ("Clean", Source::Clean),
        ("Input", Source::Input),
        ("Output", Source::Output),
    ] {
        set(&params, "listen", text);
        listen.source = source;
        assert_eq!(params.listen_settings(), listen);
    }
    let mut switched = |id: &str, of: fn(&mut ListenSettings) -> &mut bool| {
        set(&params, id, "on");
        *of(&mut listen) = true;
        assert_eq!(params.listen_settings(), listen, "{id}");
    };
    switched("listenrf", |listen| &mut listen.reference);
    switched("siderf", |listen| &mut listen.side_chain);
    switched("bypass", |listen| &mut listen.bypass);
    switched("solo_1", |listen| &mut listen.solo[0]);
    switched("solo_2", |listen| &mut listen.solo[1]);
    switched("solo_3", |listen| &mut listen.solo[2]);
    switched("solo_4", |listen| &mut listen.solo[3]);
}

/// What saved sessions and automation refer to, and what a place in a range means to them: id,
/// name, and the value at the beginning, a quarter, half and the end of the range.
const PINNED: &[Pinned] = &[
    ("bands", "Bands", ["Off", "Off", "Off", "On"]),
    ("blend", "Blend", ["0 %", "25 %", "50 %", "100 %"]),
    ("bypass", "Bypass", ["Off", "Off", "Off", "On"]),
    (
        "ceil",
        "Ceiling",
        ["-12.0 dBTP", "-9.0 dBTP", "-6.0 dBTP", "0.0 dBTP"],
    ),
    (
        "highdb",
        "High shelf gain",
        ["-9.0 dB", "-4.5 dB", "0.0 dB", "+9.0 dB"],
    ),
    (
        "highhz",
        "High shelf corner",
        ["1.50 kHz", "1.71 kHz", "2.98 kHz", "12.00 kHz"],
    ),
    ("lean", "Lean", ["0 %", "25 %", "50 %", "100 %"]),
    ("limit", "Limiter", ["Off", "Off", "Off", "On"]),
    ("link", "Channel link", ["0 %", "25 %", "50 %", "100 %"]),
    ("listen", "Listen", ["Output", "Clean", "Input", "Residue"]),
    (
        "listenrf",
        "Listen to reference",
        ["Off", "Off", "Off", "On"],
    ),
    (
        "lowdb",
        "Low shelf gain",
        ["-9.0 dB", "-4.5 dB", "0.0 dB", "+9.0 dB"],
    ),
    (
        "lowhz",
        "Low shelf corner",
        ["40 Hz", "47 Hz", "91 Hz", "400 Hz"],
    ),
    ("match", "Matched listening", ["Off", "Off", "Off", "On"]),
    ("push", "Push", ["0.0 dB", "4.5 dB", "9.0 dB", "18.0 dB"]),
    (
        "rdintg",
        "Integrated loudness",
        ["—", "-50.1 LUFS", "-30.1 LUFS", "10.0 LUFS"],
    ),
    (
        "rdldr",
        "Microdynamics",
        ["—", "7.4 dB", "15.0 dB", "30.0 dB"],
    ),
    (
        "rdpeak",
        "True peak",
        ["—", "-70.1 dBTP", "-40.1 dBTP", "20.0 dBTP"],
    ),
    ("rdplr", "PLR", ["—", "7.4 dB", "24.9 dB", "60.0 dB"]),
    (
        "rdshrt",
        "Short-term loudness",
        ["—", "-50.1 LUFS", "-30.1 LUFS", "10.0 LUFS"],
    ),
    (
        "rdtrgt",
        "Target",
        [
            "—",
            "PLR above",
            "loudness below, PLR below, short-term loudness above",
            "loudness above, PLR above, true peak above, short-term loudness above",
        ],
    ),
    ("relaut", "Automatic release", ["Off", "Off", "Off", "On"]),
    ("reltim", "Release", ["20 ms", "24 ms", "81 ms", "1000 ms"]),
    ("restrt", "Restart measurement", ["Off", "Off", "Off", "On"]),
    (
        "rstply",
        "Restart when playback starts",
        ["Off", "Off", "Off", "On"],
    ),
    ("sat", "Saturator", ["Off", "Off", "Off", "On"]),
    (
        "shldr",
        "Shoulder",
        ["0.5 dB", "3.4 dB", "6.3 dB", "12.0 dB"],
    ),
    (
        "siderf",
        "Side-chain is the reference",
        ["Off", "Off", "Off", "On"],
    ),
    (
        "tap",
        "Side-chain carries the signal from before",
        ["Off", "Off", "Off", "On"],
    ),
    (
        "tapaut",
        "Automatic gain at rest",
        ["Off", "Off", "Off", "On"],
    ),
    ("taprd", "Before tap reading", ["off", "off", "off", "off"]),
    (
        "taprst",
        "Gain at rest",
        ["-24.0 dB", "-12.0 dB", "0.0 dB", "+24.0 dB"],
    ),
    (
        "xhigh",
        "High crossover",
        ["3.00 kHz", "3.18 kHz", "4.27 kHz", "12.00 kHz"],
    ),
    (
        "xlow",
        "Low crossover",
        ["40 Hz", "47 Hz", "91 Hz", "400 Hz"],
    ),
    (
        "xmid",
        "Mid crossover",
        ["400 Hz", "452 Hz", "766 Hz", "3.00 kHz"],
    ),
];

/// The same of each band, low to high, whose number is part of the id and whose name of the name.
const PINNED_OF_A_BAND: &[Pinned] = &[
    ("attack", "attack", ["0.1 ms", "0.9 ms", "13 ms", "200 ms"]),
    ("knee", "knee", ["0.0 dB", "6.0 dB", "12.0 dB", "24.0 dB"]),
    (
        "makeup",
        "make-up",
        ["-12.0 dB", "-6.0 dB", "0.0 dB", "+12.0 dB"],
    ),
    ("on", "compressed", ["Off", "Off", "Off", "On"]),
    (
        "ratio",
        "ratio",
        ["1.0 : 1", "1.6 : 1", "3.3 : 1", "10.0 : 1"],
    ),
    (
        "releas",
        "release",
        ["5.0 ms", "13 ms", "130 ms", "2000 ms"],
    ),
    ("solo", "solo", ["Off", "Off", "Off", "On"]),
    (
        "thr",
        "threshold",
        ["-60.0 dBFS", "-45.0 dBFS", "-30.0 dBFS", "0.0 dBFS"],
    ),
];
const BANDS: [&str; 4] = ["Low", "Low-mid", "High-mid", "High"];

type Pinned = (&'static str, &'static str, [&'static str; 4]);

#[test]
fn ids_and_ranges_are_what_sessions_were_saved_with() {
    let params = CrestlineParams::default();
    let map = params.param_map();
    let pinned = |(id, param, _): &(String, ParamPtr, String)| {
        // SAFETY: the parameters outlive this function.
        let at = |share: f32| unsafe { param.normalized_value_to_string(share, true) };
        // SAFETY: as above.
        let name = unsafe { param.name() }.to_owned();
        (id.clone(), name, [0.0, 0.25, 0.5, 1.0].map(at))
    };
    let mut found: Vec<_> = map.iter().map(pinned).collect();
    found.sort();
    let owned = |texts: [&str; 4]| texts.map(str::to_owned);
    let alone = PINNED
        .iter()
        .map(|(id, name, texts)| ((*id).to_owned(), (*name).to_owned(), owned(*texts)));
    let of_bands = (1..).zip(BANDS).flat_map(|(n, band)| {
        PINNED_OF_A_BAND.iter().map(move |(id, name, texts)| {
            (format!("{id}_{n}"), format!("{band} {name}"), owned(*texts))
        })
    });
    let mut expected: Vec<_> = alone.chain(of_bands).collect();
    expected.sort();
    assert_eq!(found, expected);
}
