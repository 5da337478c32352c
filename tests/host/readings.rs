//! What is measured, as a host can show and speak it.

use crate::clap::linked;
use clack_extensions::params::ParamInfoFlags;
use kit::engine_run::{loudness_lufs, true_peak_dbtp};
use kit::signals::white_noise;
use rig::clap_host::{Change, ClapHost, Run};
use rig::vst3_host::{CAN_AUTOMATE, HIDDEN, Point, READ_ONLY, Vst3Host};
use std::sync::Mutex;

const NAMES: [&str; 6] = [
    "Short-term loudness",
    "Integrated loudness",
    "PLR",
    "True peak",
    "Microdynamics",
    "Target",
];
const SECONDS: usize = 8;

/// Noise without what lies near half the rate, where true-peak meters differ by a decibel.
fn main() -> Vec<Vec<f32>> {
    let dull = |n: u64| {
        let mut noise = white_noise(60 + n, 0.3, SECONDS * 48_000);
        let mean = |of: &[f32]| of.iter().sum::<f32>() / of.len() as f32;
        for length in [2, 3, 4] {
            noise = noise.windows(length).map(mean).collect();
        }
        noise
    };
    (0..2).map(dull).collect()
}

#[test]
fn readings_are_there_to_be_seen_and_not_to_be_set() {
    let mut clap = linked();
    let vst3 = Vst3Host::new(2, 512);
    for name in NAMES {
        let flags = clap.param(name).unwrap().flags;
        assert!(flags.contains(ParamInfoFlags::IS_READONLY), "{name}");
        assert!(!flags.intersects(ParamInfoFlags::IS_HIDDEN | ParamInfoFlags::IS_AUTOMATABLE));
        let flags = vst3.param(name).flags;
        assert_eq!(
            flags & (READ_ONLY | HIDDEN | CAN_AUTOMATE),
            READ_ONLY,
            "{name}"
        );
    }
}

#[test]
fn before_any_audio_they_are_dashes() {
    let mut clap = linked();
    let vst3 = Vst3Host::new(2, 512);
    for name in NAMES {
        let id = clap.param(name).unwrap().id;
        let value = clap.value(id).unwrap();
        assert_eq!(clap.text(id, value).unwrap(), "—", "{name}");
        let id = vst3.param(name).id;
        assert_eq!(vst3.text(id, vst3.value(id)), "—", "{name}");
    }
}

// The `ebur128` crate over what was heard, which 6 dB of push set apart from what was played.
#[test]
fn what_is_read_is_what_was_heard_and_is_told_at_most_five_times_a_second() {
    let mut clap = linked();
    clap.activate(48_000.0, 512).unwrap();
    let told = Mutex::new(Vec::new());
    let push = clap.param("Push").unwrap().id;
    let changes = [Change {
        frame: 0,
        id: push,
        value: 6.0 / 18.0,
    }];
    let heard = clap.run(Run {
        told: Some(&told),
        changes: &changes,
        ..Run::new(&main(), &[512])
    });
    let heard = heard.unwrap();
    let mut vst3 = Vst3Host::new(2, 512);
    let points = [Point {
        frame: 0,
        id: vst3.param("Push").id,
        value: 6.0 / 18.0,
    }];
    vst3.run(&main(), &[512], &points);
    let told = told.into_inner().unwrap();
    for name in NAMES {
        let id = clap.param(name).unwrap().id;
        let value = clap.value(id).unwrap();
        let text = clap.text(id, value).unwrap();
        println!("{name}: {text}");
        assert_ne!(text, "—", "{name}");
        let number = vst3.param(name).id;
        assert_eq!(vst3.text(number, vst3.value(number)), text, "{name}");
        let of_clap: Vec<_> = told.iter().filter(|it| it.0 == id).map(|it| it.1).collect();
        let of_vst3: Vec<_> = vst3.raw.told.iter().filter(|it| it.0 == number).collect();
        assert_eq!(of_clap.last(), Some(&value), "{name}");
        assert_eq!(of_vst3.len(), of_clap.len(), "{name}");
        assert!(
            of_clap.len() <= 5 * SECONDS + 1,
            "{name}: {}",
            of_clap.len()
        );
        assert!(of_clap.windows(2).all(|two| two[0] != two[1]), "{name}");
    }
    let shown = |clap: &mut ClapHost, name: &str| -> f64 {
        let id = clap.param(name).unwrap().id;
        let value = clap.value(id).unwrap();
        let text = clap.text(id, value).unwrap().replace('−', "-");
        text.split_whitespace().next().unwrap().parse().unwrap()
    };
    let integrated_lufs = loudness_lufs(&heard, 48_000);
    let peak_dbtp = true_peak_dbtp(&heard, 48_000);
    // A step of what is shown, and a tenth for how differently true peaks are looked for.
    for (name, expected, within) in [
        ("Integrated loudness", integrated_lufs, 0.06),
        ("True peak", peak_dbtp, 0.15),
        ("PLR", peak_dbtp - integrated_lufs, 0.15),
    ] {
        let found = shown(&mut clap, name);
        println!("{name}: {found} for {expected:.2}");
        assert!(
            (found - expected).abs() < within,
            "{name}: {found} for {expected}"
        );
    }
}

#[test]
fn readings_do_not_change_what_is_saved() {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    let before = host.save().unwrap();
    host.run(Run::new(&main(), &[512])).unwrap();
    assert_eq!(host.save().unwrap(), before);
}

/// A host that stands still after a change of rate would show what was measured before it.
#[test]
fn after_a_change_of_rate_they_are_dashes_again() {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    host.run(Run::new(&main(), &[512])).unwrap();
    let texts = |host: &mut ClapHost| {
        NAMES.map(|name| {
            let id = host.param(name).unwrap().id;
            let value = host.value(id).unwrap();
            host.text(id, value).unwrap()
        })
    };
    host.activate(48_000.0, 64).unwrap();
    assert!(texts(&mut host).iter().all(|text| text != "—"));
    host.activate(96_000.0, 512).unwrap();
    assert_eq!(texts(&mut host), ["—"; 6]);
}

/// A state that was saved while a restart was switched on is none.
#[test]
fn a_loaded_state_measures_nothing_anew() {
    let mut host = linked();
    let [restart, integrated] =
        ["Restart measurement", "Integrated loudness"].map(|name| host.param(name).unwrap().id);
    let switch = |value: f64| {
        [Change {
            frame: 0,
            id: restart,
            value,
        }]
    };
    let is_known = |host: &mut ClapHost| {
        let value = host.value(integrated).unwrap();
        host.text(integrated, value).unwrap() != "—"
    };
    host.flush(&switch(1.0)).unwrap();
    let on = host.save().unwrap();
    host.flush(&switch(0.0)).unwrap();
    host.activate(48_000.0, 512).unwrap();
    host.run(Run::new(&main(), &[512])).unwrap();
    assert!(is_known(&mut host));
    let quarter: Vec<Vec<f32>> = main().iter().map(|of| of[..12_000].to_vec()).collect();
    let play = |host: &mut ClapHost, changes: &[Change]| {
        let run = Run::new(&quarter, &[512]);
        host.run(Run { changes, ..run }).unwrap();
        is_known(host)
    };
    for _ in 0..2 {
        host.load_state(&on).unwrap();
        assert!(play(&mut host, &[]));
    }
    // Switched on anew it is one.
    assert!(play(&mut host, &switch(0.0)));
    assert!(!play(&mut host, &switch(1.0)));
}
