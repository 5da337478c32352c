//! Offline, a host writes the output, whatever is being listened to, and listening goes on after it
//! as before.

use crate::clap::linked;
use kit::signals::white_noise;
use rig::clap_host::{Change, ClapHost, Run};
use rig::raw_host::vst3::OFFLINE;
use rig::vst3_host::{Point, Vst3Host};

/// The chain at work: parameters by name, and shares of their ranges.
const CHAIN: [(&str, f64); 5] = [
    ("Push", 0.5),
    ("Bands", 1.0),
    ("Low compressed", 1.0),
    ("Limiter", 1.0),
    ("Saturator", 1.0),
];
/// What only serves listening.
const LISTENING: [&[(&str, f64)]; 4] = [
    &[("Listen", 1.0 / 3.0)],
    &[("Listen", 1.0), ("Matched listening", 1.0)],
    &[("Matched listening", 1.0)],
    &[("Low solo", 1.0)],
];

fn main() -> Vec<Vec<f32>> {
    (0..2).map(|n| white_noise(40 + n, 0.5, 96_000)).collect()
}

fn changes_of(host: &mut ClapHost, settings: &[(&str, f64)]) -> Vec<Change> {
    let change = |(name, share): &(&str, f64)| {
        let param = host.param(name).unwrap();
        Change {
            frame: 0,
            id: param.id,
            value: share * param.range.end(),
        }
    };
    settings.iter().map(change).collect()
}

fn clap(listening: &[(&str, f64)], offline: bool) -> Vec<Vec<f32>> {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    host.set_offline(offline).unwrap();
    let changes = changes_of(&mut host, &[&CHAIN, listening].concat());
    host.run(Run {
        changes: &changes,
        ..Run::new(&main(), &[512])
    })
    .unwrap()
}

fn vst3(listening: &[(&str, f64)], offline: bool) -> Vec<Vec<f32>> {
    let mut host = Vst3Host::new(2, 512);
    if offline {
        host.raw.process_mode = OFFLINE;
    }
    let points: Vec<_> = CHAIN
        .iter()
        .chain(listening)
        .map(|(name, value)| Point {
            frame: 0,
            id: host.param(name).id,
            value: *value,
        })
        .collect();
    host.run(&main(), &[512], &points)
}

// clap/ext/render.h, `CLAP_RENDER_OFFLINE`; `ivstaudioprocessor.h`, `kOffline`. Against the same
// chain with nothing but the output to listen to.
#[test]
fn offline_the_output_is_written_in_both_formats() {
    for (format, play) in [("CLAP", clap as fn(&[_], bool) -> _), ("VST3", vst3)] {
        let output = play(&[], false);
        for listening in LISTENING {
            let heard = play(listening, false);
            assert!(heard != output, "{format}: {listening:?} is not heard");
            let written = play(listening, true);
            assert!(written == output, "{format}: {listening:?} is written");
        }
    }
}

// clap/plugin.h: a host that is asked for a restart deactivates and activates, which empties the
// chain: amid a file that is a hole as long as the latency. Rendering needs none.
#[test]
fn rendering_asks_for_no_restart() {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    host.run(Run::new(&main(), &[512])).unwrap();
    for offline in [true, false, true] {
        assert!(!host.set_offline(offline).unwrap(), "offline {offline}");
    }
}

#[test]
fn bypass_is_the_input_bit_for_bit() {
    let main = main();
    for (format, play) in [("CLAP", clap as fn(&[_], bool) -> _), ("VST3", vst3)] {
        let bypassed: Vec<Vec<f32>> = play(&[("Bypass", 1.0)], false);
        let latency = rig::raw_host::RawHost::latency(&Vst3Host::new(2, 512).raw);
        // After a rise by more than 3 dB, which takes a second.
        for (heard, input) in bypassed.iter().zip(&main) {
            let heard = &heard[72_000..];
            assert!(heard.len() > 10_000);
            let wanted = &input[72_000 - latency..][..heard.len()];
            assert!(heard == wanted, "{format}");
        }
    }
}

#[test]
fn bypass_is_written_as_it_is() {
    for (format, play) in [("CLAP", clap as fn(&[_], bool) -> _), ("VST3", vst3)] {
        let bypassed = play(&[("Bypass", 1.0)], false);
        assert!(bypassed != play(&[], false), "{format}");
        assert!(play(&[("Bypass", 1.0)], true) == bypassed, "{format}");
    }
}

/// As much is listened to before the host goes offline, frames: more than every fade, and not a
/// whole number of blocks or of the engine's quanta.
const BEFORE: usize = 30_011;

fn parted() -> [Vec<Vec<f32>>; 2] {
    let main = main();
    [&(0..BEFORE), &(BEFORE..96_000)].map(|range| {
        let part = main.iter().map(|channel| channel[range.clone()].to_vec());
        part.collect()
    })
}

/// What is written once a host goes offline in the midst of listening.
fn clap_going_offline(settings: &[(&str, f64)]) -> Vec<Vec<f32>> {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    let changes = changes_of(&mut host, settings);
    let [heard, written] = parted();
    host.run(Run {
        changes: &changes,
        ..Run::new(&heard, &[512])
    })
    .unwrap();
    host.set_offline(true).unwrap();
    host.run(Run::new(&written, &[512])).unwrap()
}

fn vst3_going_offline(settings: &[(&str, f64)]) -> Vec<Vec<f32>> {
    let mut host = Vst3Host::new(2, 512);
    let points: Vec<_> = settings
        .iter()
        .map(|(name, value)| Point {
            frame: 0,
            id: host.param(name).id,
            value: *value,
        })
        .collect();
    let [heard, written] = parted();
    host.run(&heard, &[512], &points);
    host.raw.process_mode = OFFLINE;
    host.run(&written, &[512], &[])
}

// Against the same chain with nothing but the output to listen to, bit for bit from the first frame
// on.
#[test]
fn going_offline_leaves_no_fade_in_what_is_written() {
    for (format, play) in [
        ("CLAP", clap_going_offline as fn(&[_]) -> _),
        ("VST3", vst3_going_offline),
    ] {
        for listening in LISTENING {
            let output = play(&CHAIN);
            let written = play(&[&CHAIN, listening].concat());
            for (written, output) in written.iter().zip(&output) {
                let mut pairs = written.iter().zip(output);
                let last = pairs.rposition(|(written, output)| written != output);
                assert_eq!(last, None, "{format}: {listening:?}");
            }
        }
    }
}

/// How a host goes offline and comes back.
#[derive(Clone, Copy, Debug)]
enum Around {
    Nothing,
    Reset,
    Activation,
}

// By construction: the reference in the side-chain is 20 dB below the mix, which is turned down to
// it once it has been listened to, and nothing has changed when the file is written.
#[test]
fn a_mix_that_is_turned_down_to_its_reference_still_is_after_a_file_is_written() {
    use kit::engine_run::noise;
    let on = |reference: f64| {
        [
            ("Listen to reference", reference),
            ("Side-chain is the reference", 1.0),
            ("Matched listening", 1.0),
        ]
    };
    let level_db = |planes: &[Vec<f32>]| {
        let samples = planes.iter().flat_map(|channel| &channel[48_000..]);
        let squares: f64 = samples.map(|sample| f64::from(*sample).powi(2)).sum();
        10.0 * (squares / 96_000.0).log10()
    };
    for around in [Around::Nothing, Around::Reset, Around::Activation] {
        let mut host = linked();
        host.activate(48_000.0, 512).unwrap();
        let (main, side) = (noise(2, 96_000, 0.3, 1), noise(2, 96_000, 0.03, 2));
        let play = |host: &mut ClapHost, changes: &[Change]| {
            let run = Run {
                side_chain: Some(&side),
                changes,
                ..Run::new(&main, &[512])
            };
            level_db(&host.run(run).unwrap())
        };
        let go = |host: &mut ClapHost, offline: bool| match around {
            Around::Nothing => {
                host.set_offline(offline).unwrap();
            }
            Around::Reset => {
                host.reset();
                host.set_offline(offline).unwrap();
            }
            Around::Activation => {
                host.deactivate();
                host.set_offline(offline).unwrap();
                host.activate(48_000.0, 512).unwrap();
            }
        };
        let heard = changes_of(&mut host, &on(1.0));
        let reference = [play(&mut host, &heard), play(&mut host, &[])][1];
        let output = changes_of(&mut host, &on(0.0));
        let before = play(&mut host, &output);
        go(&mut host, true);
        let written = play(&mut host, &[]);
        go(&mut host, false);
        let after = play(&mut host, &[]);
        println!(
            "{around:?}: reference {reference:.2} dB, output {before:.2}, written {written:.2}, then {after:.2}"
        );
        assert!((before - reference).abs() < 0.3 && (written - before - 20.0).abs() < 0.3);
        assert!((after - before).abs() < 0.3);
    }
}
