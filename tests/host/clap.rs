//! The plug-in as a CLAP host meets it: from the library linked into this test, and from the bundle
//! that is shipped.
//!
//! What a host may do is taken from the headers of CLAP 1.2 (`clap/plugin.h`, `clap/process.h`,
//! `clap/ext/*.h`).

#![expect(clippy::cast_sign_loss, reason = "counts and steps are not negative")]
#![expect(
    clippy::unwrap_used,
    reason = "a test stops at the first thing that goes wrong"
)]

use clack_extensions::params::ParamInfoFlags;
use kit::signals::white_noise;
use kit::skip::skip;
use rig::clap_host::{Change, ClapHost, Param, Port, Run, plugin_file};
use serde_json::Value;
use std::path::Path;

/// Far below every ceiling: with neutral settings nothing may touch it.
pub const PEAK: f32 = 0.25;

/// White noise of its own for each channel.
pub fn noise(channels: usize, frames: usize, peak: f32, seed: u64) -> Vec<Vec<f32>> {
    let channel = |channel| white_noise(100 * seed + channel as u64, f64::from(peak), frames);
    (0..channels).map(channel).collect()
}

pub fn linked() -> ClapHost {
    ClapHost::linked(&crestline_plugin::clap_entry).unwrap()
}

fn bundled() -> ClapHost {
    ClapHost::open(&plugin_file(Path::new(
        &std::env::var("CRESTLINE_BUNDLED").unwrap(),
    )))
    .unwrap()
}

/// The output must be the input to the last bit, as much later as the plug-in says, and silence
/// before.
pub fn assert_delayed(output: &[Vec<f32>], input: &[Vec<f32>], latency: usize, what: &str) {
    assert_eq!(output.len(), input.len(), "{what}");
    for (channel, (output, input)) in output.iter().zip(input).enumerate() {
        let silence = std::iter::repeat_n(&0.0, latency);
        for (frame, (out, wanted)) in output.iter().zip(silence.chain(input)).enumerate() {
            assert_eq!(
                out.to_bits(),
                wanted.to_bits(),
                "{what}: channel {channel}, frame {frame}: {out}, not {wanted}"
            );
        }
    }
}

/// Frames to play so that some thousands come out.
pub fn frames(host: &mut ClapHost) -> usize {
    host.latency().unwrap() + 5_000
}

/// The parameters that a host may change.
pub fn free(host: &mut ClapHost) -> Vec<Param> {
    let all = host.params().unwrap();
    all.into_iter()
        .filter(|param| !param.flags.contains(ParamInfoFlags::IS_READONLY))
        .collect()
}

/// A value that is not the default; another one for each seed where there are so many.
pub fn other_value(param: &Param, seed: usize) -> f64 {
    let (low, high) = (*param.range.start(), *param.range.end());
    if param.flags.contains(ParamInfoFlags::IS_STEPPED) {
        let steps = (high - low) as usize;
        let from_default = 1 + seed % steps.max(1);
        return low + ((param.default - low) as usize + from_default).rem_euclid(steps + 1) as f64;
    }
    let share = (0.137 + 0.618_034 * seed as f64).fract();
    let value = low + share * (high - low);
    if (value - param.default).abs() < 0.05 * (high - low) {
        low + (share + 0.3).fract() * (high - low)
    } else {
        value
    }
}

/// Every parameter but `spared`, with a value that is not the default.
pub fn others(host: &mut ClapHost, seed: usize, spared: &[&str]) -> Vec<(Param, f64)> {
    let params = free(host)
        .into_iter()
        .filter(|param| !spared.contains(&param.name.as_str()));
    let chosen = params.enumerate().map(|(index, param)| {
        let value = other_value(&param, seed + index);
        (param, value)
    });
    chosen.collect()
}

/// These values at the first frame.
pub fn at_once(chosen: &[(Param, f64)]) -> Vec<Change> {
    let change = |(param, value): &(Param, f64)| Change {
        frame: 0,
        id: param.id,
        value: *value,
    };
    chosen.iter().map(change).collect()
}

/// Changes every parameter but `spared` at the first frame of a short run.
fn change_all(host: &mut ClapHost, seed: usize, spared: &[&str]) -> Vec<(Param, f64)> {
    let chosen = others(host, seed, spared);
    let changes = at_once(&chosen);
    let channels = host.ports(false).unwrap()[0].channels;
    host.run(Run {
        changes: &changes,
        ..Run::new(&noise(channels, 64, PEAK, 1), &[64])
    })
    .unwrap();
    chosen
}

/// The values of the parameters that a host may change.
fn values(host: &mut ClapHost) -> Vec<(String, f64)> {
    let params = free(host);
    let value = |param: Param| (param.name, host.value(param.id).unwrap());
    params.into_iter().map(value).collect()
}

fn assert_same_values(is: &[(String, f64)], wanted: &[(String, f64)], what: &str) {
    assert_eq!(is.len(), wanted.len(), "{what}");
    for ((name, is), (_, wanted)) in is.iter().zip(wanted) {
        // Values travel through the state as plain f32.
        assert!(
            (is - wanted).abs() <= 1e-5 * wanted.abs().max(1.0),
            "{what}: {name} is {is}, not {wanted}"
        );
    }
}

#[test]
fn stereo_comes_first_and_mono_second_each_with_a_side_chain_of_its_width() {
    let mut host = linked();
    let layouts = host.layouts().unwrap();
    let widths = |layout: &rig::clap_host::Layout| {
        (
            layout.input_ports,
            layout.main_input_channels,
            layout.main_output_channels,
        )
    };
    assert_eq!(
        layouts.iter().map(widths).collect::<Vec<_>>(),
        [(2, 2, 2), (2, 1, 1)]
    );
    let shape = |ports: Vec<Port>| {
        ports
            .iter()
            .map(|port| (port.channels, port.is_main))
            .collect::<Vec<_>>()
    };
    for (layout, channels) in [
        (None, 2),
        (Some(layouts[1].id), 1),
        (Some(layouts[0].id), 2),
    ] {
        if let Some(id) = layout {
            host.select_layout(id).unwrap();
        }
        assert_eq!(
            shape(host.ports(true).unwrap()),
            [(channels, true), (channels, false)]
        );
        assert_eq!(shape(host.ports(false).unwrap()), [(channels, true)]);
    }
}

fn audio_passes_bit_for_bit(open: fn() -> ClapHost) {
    let mut host = open();
    for layout in host.layouts().unwrap() {
        host.select_layout(layout.id).unwrap();
        let channels = layout.main_input_channels as usize;
        for rate in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            for block in [1, 32, 512, 1_024] {
                host.activate(rate, block).unwrap();
                let main = noise(channels, frames(&mut host), PEAK, 2);
                let side = noise(channels, main[0].len(), 1.0, 3);
                let output = host
                    .run(Run {
                        side_chain: Some(&side),
                        ..Run::new(&main, &[block])
                    })
                    .unwrap();
                let latency = host.latency().unwrap();
                assert_delayed(
                    &output,
                    &main,
                    latency,
                    &format!("{channels} channels, {rate} Hz, blocks of {block}"),
                );
            }
        }
    }
}

#[test]
fn with_neutral_settings_audio_passes_bit_for_bit_later_by_the_reported_latency() {
    audio_passes_bit_for_bit(linked);
}

#[test]
fn odd_sample_rates_pass_audio_too() {
    let mut host = linked();
    for rate in [
        8_000.0, 11_025.0, 22_050.5, 47_952.048, 88_200.0, 176_400.0, 384_000.0,
    ] {
        host.activate(rate, 441).unwrap();
        let main = noise(2, frames(&mut host), PEAK, 4);
        let output = host.run(Run::new(&main, &[441])).unwrap();
        let latency = host.latency().unwrap();
        assert_delayed(&output, &main, latency, &format!("{rate} Hz"));
    }
}

#[test]
fn blocks_may_change_their_size_at_any_time() {
    let mut host = linked();
    host.activate(48_000.0, 1_024).unwrap();
    let main = noise(2, frames(&mut host), PEAK, 5);
    let side = noise(2, main[0].len(), 1.0, 6);
    let sizes = [1, 64, 0, 7, 512, 333, 2, 0, 1_024];
    let output = host
        .run(Run {
            side_chain: Some(&side),
            ..Run::new(&main, &sizes)
        })
        .unwrap();
    assert_delayed(
        &output,
        &main,
        host.latency().unwrap(),
        "blocks of many sizes",
    );
}

fn a_side_chain_may_come_and_go(open: fn() -> ClapHost) {
    let mut host = open();
    host.activate(48_000.0, 1_024).unwrap();
    let main = noise(2, 3 * frames(&mut host), PEAK, 7);
    let third = main[0].len() / 3;
    let part = |index: usize| -> Vec<_> {
        main.iter()
            .map(|channel| channel[index * third..(index + 1) * third].to_vec())
            .collect()
    };
    let side = noise(2, third, 1.0, 8);
    let mut output = vec![Vec::new(); 2];
    // Longer blocks after the change than before it, and the other way round.
    for (index, (side_chain, block)) in [(Some(&side), 64), (None, 1_024), (Some(&side), 16)]
        .into_iter()
        .enumerate()
    {
        let main = part(index);
        let side_chain = side_chain.map(Vec::as_slice);
        let played = host
            .run(Run {
                side_chain,
                ..Run::new(&main, &[block])
            })
            .unwrap();
        for (output, played) in output.iter_mut().zip(played) {
            output.extend(played);
        }
    }
    assert_delayed(
        &output,
        &main,
        host.latency().unwrap(),
        "side-chain on, off, on",
    );
}

#[test]
fn a_side_chain_may_be_connected_and_disconnected_while_audio_runs() {
    a_side_chain_may_come_and_go(linked);
}

#[test]
fn every_parameter_takes_the_value_that_a_host_sends() {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    for seed in 0..4 {
        for (param, sent) in change_all(&mut host, seed, &[]) {
            let value = host.value(param.id).unwrap();
            assert!(param.range.contains(&value), "{}: {value}", param.name);
            // A parameter with steps of its own takes the nearest one: what can be read is what was
            // sent.
            let (shown, wanted) = (
                host.text(param.id, value).unwrap(),
                host.text(param.id, sent).unwrap(),
            );
            assert_eq!(shown, wanted, "{}", param.name);
            assert!(!shown.is_empty(), "{}", param.name);
        }
    }
}

#[test]
fn parameters_have_names_of_their_own_and_one_of_them_is_the_bypass() {
    let params = linked().params().unwrap();
    let bypasses = params
        .iter()
        .filter(|param| param.flags.contains(ParamInfoFlags::IS_BYPASS));
    assert_eq!(
        bypasses
            .map(|param| param.name.as_str())
            .collect::<Vec<_>>(),
        ["Bypass"]
    );
    let mut names: Vec<_> = params.iter().map(|param| &param.name).collect();
    names.sort();
    names.dedup();
    assert_eq!(names.len(), params.len());
    assert!(
        params
            .iter()
            .all(|param| param.range.contains(&param.default))
    );
}

#[test]
fn bypass_passes_audio_bit_for_bit_whatever_else_is_set() {
    let mut host = linked();
    let bypass = host.param("Bypass").unwrap();
    for seed in 0..6 {
        host.activate(48_000.0, 512).unwrap();
        let on = Change {
            frame: 0,
            id: bypass.id,
            value: *bypass.range.end(),
        };
        change_all(&mut host, seed, &["Bypass"]);
        // Time for a rise by more than 3 dB, which takes a second.
        let lead_in = 72_000;
        let main = noise(2, lead_in + frames(&mut host), 1.0, 9);
        let output = host
            .run(Run {
                changes: &[on],
                ..Run::new(&main, &[512, 100])
            })
            .unwrap();
        let latency = host.latency().unwrap();
        for (output, input) in output.iter().zip(&main) {
            let after = &output[lead_in + latency..];
            let wanted = &input[lead_in..][..after.len()];
            let equal = after
                .iter()
                .zip(wanted)
                .all(|(output, input)| output.to_bits() == input.to_bits());
            assert!(equal, "settings {seed}");
        }
    }
}

#[test]
fn bypass_may_be_switched_within_a_block() {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    let bypass = host.param("Bypass").unwrap();
    let main = noise(2, frames(&mut host), PEAK, 10);
    let changes: Vec<_> = (0..20)
        .map(|index| Change {
            frame: 200 * index + index,
            id: bypass.id,
            value: (index % 2) as f64,
        })
        .collect();
    let output = host
        .run(Run {
            changes: &changes,
            ..Run::new(&main, &[512])
        })
        .unwrap();
    assert_delayed(&output, &main, host.latency().unwrap(), "bypass on and off");
}

fn a_state_comes_back(open: fn() -> ClapHost) {
    let mut host = open();
    host.activate(48_000.0, 64).unwrap();
    let defaults = host.save().unwrap();
    let default_values = values(&mut host);
    change_all(&mut host, 11, &[]);
    let (state, wanted) = (host.save().unwrap(), values(&mut host));
    assert_ne!(state, defaults);

    change_all(&mut host, 12, &[]);
    host.load_state(&state).unwrap();
    assert_same_values(&values(&mut host), &wanted, "loaded while active");
    assert_eq!(host.save().unwrap(), state);
    host.deactivate();
    host.load_state(&defaults).unwrap();
    assert_same_values(&values(&mut host), &default_values, "loaded while inactive");

    let mut fresh = open();
    fresh.load_state(&state).unwrap();
    assert_same_values(&values(&mut fresh), &wanted, "loaded into a fresh instance");
}

#[test]
fn a_saved_state_comes_back_as_it_was() {
    a_state_comes_back(linked);
}

/// The framework's envelope: the length as a 64-bit little-endian number, then JSON.
fn enveloped(json: &[u8]) -> Vec<u8> {
    [&(json.len() as u64).to_le_bytes(), json].concat()
}

#[test]
fn a_damaged_state_is_refused_and_changes_nothing() {
    let mut host = linked();
    host.activate(48_000.0, 64).unwrap();
    change_all(&mut host, 13, &[]);
    let (state, wanted) = (host.save().unwrap(), values(&mut host));
    let mut damaged: Vec<Vec<u8>> = (0..state.len())
        .step_by(7)
        .map(|length| state[..length].to_vec())
        .collect();
    damaged.push([&u64::MAX.to_le_bytes(), &state[8..]].concat());
    damaged.push(enveloped(b""));
    damaged.push(enveloped(b"null"));
    damaged.push(enveloped(b"{\"params\":7}"));
    damaged.push(enveloped(&[0xff; 300]));
    damaged.push(enveloped("[".repeat(100_000).as_bytes()));
    damaged.push(b"a state of some other program, and no short one at that".to_vec());
    for damaged in &damaged {
        assert!(
            host.load_state(damaged).is_err(),
            "{:?}",
            String::from_utf8_lossy(damaged)
        );
        assert_same_values(&values(&mut host), &wanted, "after a damaged state");
    }
    host.load_state(&state).unwrap();
}

#[test]
fn a_state_with_senseless_values_does_no_harm() {
    let mut host = linked();
    let state = host.save().unwrap();
    let sound: Value = serde_json::from_slice(&state[8..]).unwrap();
    let ids: Vec<_> = sound["params"]
        .as_object()
        .unwrap()
        .keys()
        .cloned()
        .collect();
    for senseless in [
        r#"{"f32": 1e30}"#,
        r#"{"f32": -1e38}"#,
        r#"{"i32": 2147483647}"#,
        r#"{"i32": -2147483648}"#,
        r#"{"bool": true}"#,
        r#"{"string": "nonsense"}"#,
    ] {
        let mut json = sound.clone();
        for id in &ids {
            json["params"][id] = serde_json::from_str(senseless).unwrap();
        }
        json["params"]["no such parameter"] = serde_json::from_str(senseless).unwrap();
        for field in json["fields"].as_object_mut().unwrap().values_mut() {
            *field = Value::from("{ this is no JSON");
        }
        host.activate(48_000.0, 512).unwrap();
        host.load_state(&enveloped(json.to_string().as_bytes()))
            .unwrap();
        for param in host.params().unwrap() {
            let value = host.value(param.id).unwrap();
            assert!(
                param.range.contains(&value),
                "{senseless}: {} is {value}",
                param.name
            );
        }
        let output = host
            .run(Run::new(&noise(2, 20_000, 1.0, 14), &[512]))
            .unwrap();
        assert!(
            output.iter().flatten().all(|sample| sample.is_finite()),
            "{senseless}"
        );
    }
}

#[test]
fn a_parameter_that_an_older_state_does_not_know_takes_its_default() {
    let mut host = linked();
    host.activate(48_000.0, 64).unwrap();
    change_all(&mut host, 15, &[]);
    let state: Value = serde_json::from_slice(&host.save().unwrap()[8..]).unwrap();
    let (used, defaults) = (values(&mut host), values(&mut linked()));
    for ((name, used), (_, default)) in used.iter().zip(&defaults) {
        assert!((used - default).abs() > 1e-6, "{name} was not changed");
    }
    let mut older = state.clone();
    older["params"] = Value::Object(serde_json::Map::new());
    older["fields"] = Value::Object(serde_json::Map::new());
    host.load_state(&enveloped(older.to_string().as_bytes()))
        .unwrap();
    assert_same_values(&values(&mut host), &defaults, "all parameters missing");

    // One parameter known, all others not: only that one may differ from its default.
    let mut kept = 0;
    for (id, value) in state["params"].as_object().unwrap() {
        older["params"] = serde_json::json!({ id: value });
        host.load_state(&enveloped(older.to_string().as_bytes()))
            .unwrap();
        let now = values(&mut host);
        let changed = now
            .iter()
            .zip(&defaults)
            .filter(|((_, is), (_, default))| (is - default).abs() > 1e-6);
        let changed = changed.count();
        assert!(changed <= 1, "{id}");
        kept += changed;
    }
    assert_eq!(kept, defaults.len());
}

#[test]
fn activating_again_starts_from_silence_with_the_same_latency() {
    let mut host = linked();
    for rate in [48_000.0, 96_000.0] {
        host.activate(rate, 512).unwrap();
        let latency = host.latency().unwrap();
        for block in [512, 512, 64, 2_048] {
            host.activate(rate, block).unwrap();
            assert_eq!(
                host.latency().unwrap(),
                latency,
                "{rate} Hz, blocks of {block}"
            );
            let main = noise(2, frames(&mut host), PEAK, 16);
            let output = host.run(Run::new(&main, &[block])).unwrap();
            assert_delayed(&output, &main, latency, "activated again");
        }
        host.activate(rate, 512).unwrap();
        host.deactivate();
    }
}

#[test]
fn the_latency_does_not_depend_on_any_parameter() {
    let mut host = linked();
    host.activate(48_000.0, 64).unwrap();
    let latency = host.latency().unwrap();
    for seed in 0..8 {
        change_all(&mut host, seed, &[]);
        assert_eq!(host.latency().unwrap(), latency);
    }
}

#[test]
fn nothing_of_what_was_played_before_a_reset_is_heard_after_it() {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    let before = noise(2, frames(&mut host), PEAK, 17);
    host.run(Run::new(&before, &[512])).unwrap();
    host.reset();
    let silence = vec![vec![0.0; before[0].len()]; 2];
    let output = host.run(Run::new(&silence, &[512])).unwrap();
    assert!(output.iter().flatten().all(|sample| *sample == 0.0));
}

/// Noise with a bad sample here and there.
fn poisoned(bad: &[f32]) -> Vec<Vec<f32>> {
    let mut main = noise(2, 20_000, PEAK, 19);
    for (index, bad) in bad.iter().cycle().take(40).enumerate() {
        main[index % 2][97 * index] = *bad;
    }
    // A whole block of them as well.
    main[0][10_000..10_600].fill(bad[0]);
    main
}

#[test]
fn samples_that_are_no_numbers_do_no_lasting_harm() {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    let bad = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, -f32::NAN];
    let output = host
        .run(Run {
            side_chain: Some(&poisoned(&bad)),
            ..Run::new(&poisoned(&bad), &[512])
        })
        .unwrap();
    assert!(output.iter().flatten().all(|sample| sample.is_finite()));
    let latency = host.latency().unwrap();
    let clean = noise(2, latency + 48_000, PEAK, 20);
    let output = host.run(Run::new(&clean, &[512])).unwrap();
    for (output, input) in output.iter().zip(&clean) {
        assert!(output[latency..] == input[..input.len() - latency]);
    }
}

#[test]
fn samples_of_any_size_do_no_lasting_harm() {
    // Matched listening moves, on purpose, too slowly to be heard moving.
    let spared = ["Bypass", "Matched listening"];
    let mut host = linked();
    for seed in 0..4 {
        host.activate(48_000.0, 512).unwrap();
        if seed > 0 {
            change_all(&mut host, seed, &spared);
        }
        let bad = [
            f32::MAX,
            f32::MIN,
            f32::MIN_POSITIVE,
            f32::from_bits(1),
            1e9,
            -1e20,
        ];
        let output = host
            .run(Run {
                side_chain: Some(&poisoned(&bad)),
                ..Run::new(&poisoned(&bad), &[512])
            })
            .unwrap();
        assert!(
            output.iter().flatten().all(|sample| sample.is_finite()),
            "settings {seed}"
        );
        // Long enough for the slowest release; then all settings must do what they do in an
        // instance that never saw such samples.
        let clean = noise(2, 480_000, PEAK, 21);
        let after = host.run(Run::new(&clean, &[512])).unwrap();
        let mut fresh = linked();
        fresh.activate(48_000.0, 512).unwrap();
        if seed > 0 {
            change_all(&mut fresh, seed, &spared);
        }
        let wanted = fresh.run(Run::new(&clean, &[512])).unwrap();
        let level_db = |audio: &[Vec<f32>]| {
            let squares: f64 = audio
                .iter()
                .flat_map(|channel| &channel[432_000..])
                .map(|x| f64::from(*x).powi(2))
                .sum();
            10.0 * squares.log10()
        };
        let difference = level_db(&after) - level_db(&wanted);
        assert!(difference.abs() < 0.1, "settings {seed}: {difference} dB");
    }
}

#[test]
fn two_instances_know_nothing_of_each_other() {
    let (mut one, mut other) = (linked(), linked());
    one.activate(48_000.0, 256).unwrap();
    other.activate(96_000.0, 64).unwrap();
    change_all(&mut one, 22, &[]);
    assert_same_values(
        &values(&mut other),
        &values(&mut linked()),
        "the other instance",
    );
    let main = noise(2, frames(&mut other), PEAK, 23);
    drop(one);
    let output = other.run(Run::new(&main, &[64])).unwrap();
    assert_delayed(
        &output,
        &main,
        other.latency().unwrap(),
        "the other instance",
    );
}

#[test]
fn the_bundle_does_the_same() {
    if std::env::var_os("CRESTLINE_BUNDLED").is_none() {
        return skip("the CLAP bundle", kit::skip::NO_BUNDLE);
    }
    audio_passes_bit_for_bit(bundled);
    a_side_chain_may_come_and_go(bundled);
    a_state_comes_back(bundled);
    let names = |mut host: ClapHost| {
        host.params()
            .unwrap()
            .into_iter()
            .map(|param| param.name)
            .collect::<Vec<_>>()
    };
    assert_eq!(names(bundled()), names(linked()));
}

// clap/ext/params.h: a value and its modulation are two things, and `get_value` writes "the parameter
// plain value". A host asks for it after it has loaded a state.
#[test]
fn what_a_modulator_adds_is_not_told_as_set() {
    let mut host = linked();
    for (name, amount) in [("Push", 0.3), ("Limiter", 1.0), ("Listen", 2.0)] {
        let id = host.param(name).unwrap().id;
        let set = host.value(id).unwrap();
        let state = host.save().unwrap();
        host.modulate(id, amount).unwrap();
        assert_eq!(host.value(id).unwrap(), set, "{name}");
        host.load_state(&state).unwrap();
        assert_eq!(host.value(id).unwrap(), set, "{name} after loading");
    }
}

// clap/events.h, `CLAP_EVENT_PARAM_MOD`: modulation is added to the value and leaves it as it is, so
// what is set meanwhile is there once it ends, also where the sum lies beyond an end of the range.
#[test]
fn what_is_set_under_modulation_is_kept() {
    for (name, low, high) in [("Push", 0.25, 0.75), ("Limiter", 0.0, 1.0)] {
        let mut host = linked();
        let id = host.param(name).unwrap().id;
        let set = |host: &mut ClapHost, value: f64| {
            let change = Change {
                frame: 0,
                id,
                value,
            };
            host.flush(&[change]).unwrap();
        };
        let told = |host: &mut ClapHost, wanted: f64, when: &str| {
            let value = host.value(id).unwrap();
            assert!((value - wanted).abs() < 1e-6, "{name}, {when}: {value}");
        };
        set(&mut host, low);
        let state = host.save().unwrap();
        set(&mut host, high);
        host.modulate(id, 1.0).unwrap();
        host.load_state(&state).unwrap();
        told(&mut host, low, "loaded");
        host.modulate(id, -1.0).unwrap();
        set(&mut host, high);
        told(&mut host, high, "set in a flush");
        let change = Change {
            frame: 100,
            id,
            value: low,
        };
        let main = noise(2, 512, 0.1, 3);
        let run = Run {
            changes: &[change],
            ..Run::new(&main, &[256])
        };
        host.activate(48_000.0, 256).unwrap();
        host.run(run).unwrap();
        host.deactivate();
        told(&mut host, low, "set in a block");
        host.modulate(id, 0.0).unwrap();
        told(&mut host, low, "once it has ended");
        let loaded_anew = host.save().unwrap();
        assert_eq!(loaded_anew, state, "{name}");
    }
}
