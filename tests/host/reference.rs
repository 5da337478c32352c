//! The reference in what a host saves: its profile goes with the session, in both formats, and a
//! session from before there were references opens.

#![expect(
    clippy::unwrap_used,
    reason = "a test stops at the first thing that goes wrong"
)]

use crestline_core::session::Session;
use crestline_core::session::reference::{Figures, PROFILE_VERSION, Profile, Reference};
use kit::pause::pause;
use kit::signals::white_noise;
use kit::sound_files::{Stored, wav};
use rig::clap_host::ClapHost;
use rig::raw_host::{Block, Port, Ports, RawHost, both};
use rig::vst3_host::Vst3Host;
use serde_json::Value;
use std::time::{Duration, Instant};

fn reference() -> Reference {
    let figures = Figures {
        end_s: 30.0,
        integrated_lufs: Some(-8.125),
        plr_db: Some(7.5),
        band_crest_db: [Some(9.5), None, Some(12.25), Some(14.0)],
        balance_db: std::array::from_fn(|band| (band > 2).then_some(-20.0 - band as f64)),
        ..Figures::default()
    };
    Reference {
        profile: Profile {
            version: PROFILE_VERSION,
            name: "Turnstile.wav".into(),
            sample_rate_hz: 44_100,
            channels: 2,
            lossy: true,
            section: "loudest".parse().unwrap(),
            whole: figures,
            part: figures,
        },
        file: Some("/somewhere/else/Turnstile.wav".into()),
    }
}

/// Where the state's JSON begins, and what it says. Either format puts something ahead of it, or
/// nothing.
fn parsed(state: &[u8]) -> (usize, Value) {
    let start = state.iter().position(|byte| *byte == b'{').unwrap();
    (start, serde_json::from_slice(&state[start..]).unwrap())
}

fn session_in(state: &[u8]) -> Value {
    let (_, json) = parsed(state);
    serde_json::from_str(json["fields"]["session"].as_str().unwrap()).unwrap()
}

/// The same state with another session. The length ahead of it is that of CLAP states.
fn with_session(state: &[u8], session: &Value) -> Vec<u8> {
    let (start, mut json) = parsed(state);
    json["fields"]["session"] = Value::String(session.to_string());
    let json = json.to_string().into_bytes();
    if start == 0 {
        return json;
    }
    assert_eq!(start, 8);
    [(json.len() as u64).to_le_bytes().to_vec(), json].concat()
}

/// Saves, puts a reference in, loads, and saves again; then the same with a session that has none.
fn comes_back(state: &[u8], mut load_and_save: impl FnMut(&[u8]) -> Vec<u8>) {
    let mut session = session_in(state);
    session["reference"] = serde_json::to_value(reference()).unwrap();
    let saved = load_and_save(&with_session(state, &session));
    let read: Session = serde_json::from_value(session_in(&saved)).unwrap();
    assert_eq!(read.reference, Some(reference()));
    // A session of version 1 as it was saved before there were references.
    let older: Value =
        serde_json::from_str(r#"{"version":1,"editor_size":[1000.0,700.0],"theme":"light"}"#)
            .unwrap();
    let saved = load_and_save(&with_session(state, &older));
    let read: Session = serde_json::from_value(session_in(&saved)).unwrap();
    assert_eq!(read.reference, None);
    assert_eq!(read.editor_size, [1_000.0, 700.0]);
}

#[test]
fn the_reference_goes_with_the_session_in_clap() {
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    let state = host.save().unwrap();
    comes_back(&state, |state| {
        host.load_state(state).unwrap();
        host.save().unwrap()
    });
}

#[test]
fn the_reference_goes_with_the_session_in_vst3() {
    let mut host = Vst3Host::new(2, 64);
    let state = host.save();
    comes_back(&state, |state| {
        host.load(state);
        host.save()
    });
}

/// dB of what comes out of a quiet mix.
fn heard_db(host: &mut dyn RawHost) -> f64 {
    const FRAMES: usize = 512;
    let mix: Vec<_> = (0..2).map(|n| white_noise(9 + n, 0.01, FRAMES)).collect();
    let mut block = Block {
        frames: FRAMES,
        inputs: Ports::Passed(vec![Port::of(&mix)]),
        outputs: Ports::Passed(vec![Port::of(&mix)]),
        changes: vec![],
    };
    assert!(host.process(&mut block));
    let samples = block.outputs.channels().flatten();
    let energy: f64 = samples.map(|sample| f64::from(*sample).powi(2)).sum();
    10.0 * (energy / (2 * FRAMES) as f64).log10()
}

// Hosts load states while they play: when a preset is chosen, when a step is undone.
#[test]
fn a_state_that_is_loaded_while_it_plays_brings_its_own_reference_or_none() {
    let file = concat!(env!("CARGO_TARGET_TMPDIR"), "/reference of a state.wav");
    let tone: Vec<f64> = (0..480_000)
        .map(|n| 0.5 * (0.05 * f64::from(n)).sin())
        .collect();
    std::fs::write(
        file,
        wav(48_000, Stored::Int24, None, &[tone.clone(), tone]),
    )
    .unwrap();
    for (name, mut host) in both(2, 512) {
        let without = host.save_in_pieces(usize::MAX);
        let mut session = session_in(&without);
        let mut reference = reference();
        reference.file = Some(file.into());
        reference.profile.part.end_s = 10.0;
        session["reference"] = serde_json::to_value(reference).unwrap();
        let heard = |state: &[u8]| {
            let (start, mut json) = parsed(state);
            json["params"]["listenrf"] = serde_json::json!({"bool": true});
            let json = json.to_string().into_bytes();
            let length = (json.len() as u64).to_le_bytes();
            [&length[..start], &json].concat()
        };
        let with = heard(&with_session(&without, &session));
        let mut until = |state: &[u8], holds: &dyn Fn(f64) -> bool| {
            assert!(host.load_in_pieces(state, usize::MAX));
            let start = Instant::now();
            while !holds(heard_db(&mut *host)) {
                assert!(start.elapsed().as_secs() < 30, "{name}");
                pause(Duration::from_millis(1));
            }
        };
        until(&with, &|level_db| level_db > -15.0);
        until(&heard(&without), &|level_db| level_db < -40.0);
    }
}
