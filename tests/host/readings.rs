//! What is measured, as a host can show and speak it.

use crate::clap::linked;
use clack_extensions::params::ParamInfoFlags;
use kit::engine_run::loudness_lufs;
use kit::signals::white_noise;
use rig::clap_host::Run;
use rig::vst3_host::{CAN_AUTOMATE, HIDDEN, READ_ONLY, Vst3Host};
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

fn main() -> Vec<Vec<f32>> {
    (0..2)
        .map(|n| white_noise(60 + n, 0.2, SECONDS * 48_000))
        .collect()
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

// The `ebur128` crate over what was played.
#[test]
fn what_is_read_is_what_was_played_and_is_told_at_most_five_times_a_second() {
    let wanted = format!("{:.1} LUFS", loudness_lufs(&main(), 48_000));
    let mut clap = linked();
    clap.activate(48_000.0, 512).unwrap();
    let told = Mutex::new(Vec::new());
    clap.run(Run {
        told: Some(&told),
        ..Run::new(&main(), &[512])
    })
    .unwrap();
    let mut vst3 = Vst3Host::new(2, 512);
    vst3.run(&main(), &[512], &[]);
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
    let integrated = clap.param("Integrated loudness").unwrap().id;
    let value = clap.value(integrated).unwrap();
    assert_eq!(clap.text(integrated, value).unwrap(), wanted);
}

#[test]
fn readings_do_not_change_what_is_saved() {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    let before = host.save().unwrap();
    host.run(Run::new(&main(), &[512])).unwrap();
    assert_eq!(host.save().unwrap(), before);
}
