//! Blocks in all the ways that the formats allow a host to pass them, and some that they do not:
//! over their inputs, with hints, with changes in any place, on any thread.

use crate::clap::{at_once, linked, noise, others};
use kit::signals::white_noise;
use rig::clap_host::Run;
use rig::raw_host::clap::Event;
use rig::raw_host::{Block, Port, Ports, RawClap, RawHost, RawVst3, both};
use rig::vst3_host::{Point, Vst3Host};

const FRAMES: usize = 256;
const BLOCKS: usize = 60;

/// The chain at work, and a tap that listens: parameters by name, and shares of their ranges.
const CHAIN: [(&str, f64); 7] = [
    ("Push", 0.5),
    ("Bands", 1.0),
    ("Low compressed", 1.0),
    ("Limiter", 1.0),
    ("Saturator", 1.0),
    ("Low shelf gain", 0.8),
    ("Side-chain carries the signal from before", 1.0),
];

fn changes(host: &dyn RawHost) -> Vec<(u32, f64)> {
    CHAIN
        .map(|(name, value)| (host.param(name).unwrap().0, value))
        .to_vec()
}

fn sound(number: usize) -> Vec<Vec<f32>> {
    (0..2)
        .map(|channel| white_noise(90 + 2 * number as u64 + channel, 0.6, FRAMES))
        .collect()
}

/// What comes out of the chain for these inputs and side-chains, one block a pair.
fn played(
    host: &mut dyn RawHost,
    outputs: &Ports,
    side_chain: impl Fn(usize) -> Vec<Vec<f32>>,
) -> Vec<Vec<f32>> {
    let mut heard = Vec::new();
    for number in 0..BLOCKS {
        let mut block = Block {
            frames: FRAMES,
            inputs: Ports::Passed(vec![
                Port::of(&sound(number)),
                Port::of(&side_chain(number)),
            ]),
            outputs: outputs.clone(),
            changes: if number == 0 {
                changes(host)
            } else {
                Vec::new()
            },
        };
        assert!(host.process(&mut block));
        let written = match block.outputs {
            Ports::InPlace => block.inputs,
            outputs => outputs,
        };
        heard.extend(written.channels().take(2).cloned());
    }
    heard
}

fn apart() -> Ports {
    Ports::Passed(vec![Port::of(&vec![vec![0.7; FRAMES]; 2])])
}

// clap/audio-buffer.h, `in_place_pair`; VST3 allows it without a word.
#[test]
fn audio_is_processed_in_place_as_it_is_from_one_buffer_to_another() {
    for ((format, mut one), (_, mut other)) in both(2, FRAMES).into_iter().zip(both(2, FRAMES)) {
        let out_of_place = played(&mut *one, &apart(), sound);
        let in_place = played(&mut *other, &Ports::InPlace, sound);
        assert!(out_of_place == in_place, "{format}");
        assert!(out_of_place.iter().flatten().any(|sample| *sample != 0.0));
    }
}

// clap/audio-buffer.h, `constant_mask`: "a hint"; `ivstaudioprocessor.h`, `silenceFlags`: a host
// sets them for what is silent, whose samples are still there to be read.
#[test]
fn what_is_said_to_be_constant_is_read_all_the_same() {
    for ((format, mut one), (_, mut other)) in both(2, FRAMES).into_iter().zip(both(2, FRAMES)) {
        let silent = |_| vec![vec![0.0; FRAMES]; 2];
        let unsaid = played(&mut *one, &apart(), silent);
        // Of the main port it is not true, and a host that says so is heard none the less.
        other.say_constant(0b11);
        let said = played(&mut *other, &apart(), silent);
        assert!(unsaid == said, "{format}");
    }
}

// The tails that are told: with sound still to come at least the latency, and an end to it in
// silence.
#[test]
fn the_tail_is_the_latency_while_sound_is_still_to_come() {
    for (format, mut host) in both(2, FRAMES) {
        let latency = host.latency();
        assert!(latency > FRAMES, "{format}");
        let play = |host: &mut dyn RawHost, main: Vec<Vec<f32>>| {
            let mut block = Block {
                frames: FRAMES,
                inputs: Ports::Passed(vec![Port::of(&main)]),
                outputs: apart(),
                changes: Vec::new(),
            };
            assert!(host.process(&mut block));
        };
        play(&mut *host, sound(0));
        assert!(host.tail() >= latency, "{format}: {}", host.tail());
        for _ in 0..=latency.div_ceil(FRAMES) {
            play(&mut *host, vec![vec![0.0; FRAMES]; 2]);
        }
        assert_eq!(host.tail(), 0, "{format}");
    }
}

// A host that stops calling at the end of the tail leaves a step behind where filters still sound.
#[test]
fn the_tail_lasts_for_as_long_as_anything_sounds() {
    let lean = [
        ("Saturator", 1.0),
        ("Lean", 1.0),
        ("Push", 0.7),
        ("Limiter", 1.0),
    ];
    let shelf = [("Low shelf gain", 1.0), ("Low shelf corner", 0.0)];
    for chain in [&lean[..], &shelf[..]] {
        for (format, mut host) in both(2, FRAMES) {
            let changes: Vec<_> = chain
                .iter()
                .map(|(name, value)| (host.param(name).unwrap().0, *value))
                .collect();
            let play = |host: &mut dyn RawHost, main: Vec<Vec<f32>>, changes| {
                let mut block = Block {
                    frames: FRAMES,
                    inputs: Ports::Passed(vec![Port::of(&main)]),
                    outputs: apart(),
                    changes,
                };
                assert!(host.process(&mut block));
                block
                    .outputs
                    .channels()
                    .flatten()
                    .any(|sample| *sample != 0.0)
            };
            play(&mut *host, sound(0), changes);
            for number in 1..BLOCKS {
                play(&mut *host, sound(number), Vec::new());
            }
            assert!(host.tail() >= host.latency() + 96_000, "{format}");
            let silence = || vec![vec![0.0; FRAMES]; 2];
            let mut blocks = 0;
            while host.tail() > 0 {
                blocks += 1;
                assert!(
                    blocks * FRAMES < 3 * 48_000,
                    "{format}: {chain:?} never ends"
                );
                let sounds = play(&mut *host, silence(), Vec::new());
                assert!(
                    host.tail() > 0 || !sounds,
                    "{format}: {chain:?}, block {blocks}"
                );
            }
            // Longer than the latency took to drain.
            assert!(
                blocks * FRAMES > host.latency() + 4_800,
                "{format}: {blocks}"
            );
            assert!(!play(&mut *host, silence(), Vec::new()), "{format}");
        }
    }
}

/// Places of a change within a block and past it.
const PLACES: [u32; 8] = [
    0,
    1,
    FRAMES as u32 - 1,
    FRAMES as u32,
    FRAMES as u32 + 1,
    100_000,
    i32::MAX as u32,
    u32::MAX,
];

/// Values that parameters have, and that they do not.
const VALUES: [f64; 9] = [
    0.0,
    0.5,
    1.0,
    -3.0,
    7.0,
    f64::NAN,
    f64::INFINITY,
    f64::NEG_INFINITY,
    1e300,
];

fn assert_sound(host: &dyn RawHost, block: &Block, what: &str) {
    let heard = block.outputs.channels().flatten();
    assert!(heard.copied().all(f32::is_finite), "{what}");
    for value in host.normalized() {
        assert!((0.0..=1.0).contains(&value), "{what}: {value}");
    }
}

/// A block behind whose samples lie others that are nobody's to read or to write to: those behind
/// the inputs are `behind`.
fn guarded(behind: f32) -> (Block, impl Fn(&Block, &str)) {
    const BEHIND: usize = 4_096;
    let output = vec![0.7; FRAMES + BEHIND];
    let mut input = sound(1);
    for channel in &mut input {
        channel.extend([behind; BEHIND]);
    }
    let block = Block {
        frames: FRAMES,
        inputs: Ports::Passed(vec![Port::of(&input), Port::of(&input)]),
        outputs: Ports::Passed(vec![Port::of(&[output.clone(), output])]),
        changes: Vec::new(),
    };
    let check = |block: &Block, what: &str| {
        for output in block.outputs.channels() {
            assert!(output[FRAMES..].iter().all(|x| *x == 0.7), "{what}");
        }
    };
    (block, check)
}

// clap/process.h: events are sorted and lie within the block. A host that has them otherwise gets
// no less than its audio; memory that is not the block's is not touched.
#[test]
fn changes_may_lie_anywhere_in_any_order_with_any_value_in_clap() {
    assert!(changed_anywhere_in_clap(0.5) == changed_anywhere_in_clap(-0.5));
}

/// What comes out, with samples `behind` every input.
fn changed_anywhere_in_clap(behind: f32) -> Vec<Vec<f32>> {
    let mut heard = Vec::new();
    let mut host = RawClap::active(2, FRAMES);
    let ids: Vec<_> = CHAIN.map(|(name, _)| host.param(name).unwrap().0).into();
    let (block, untouched) = guarded(behind);
    for (turn, value) in VALUES
        .into_iter()
        .cycle()
        .take(3 * VALUES.len())
        .enumerate()
    {
        let mut events: Vec<_> = PLACES
            .into_iter()
            .flat_map(|frame| ids.iter().map(move |&id| Event { frame, id, value }))
            .collect();
        // As they lie, backwards, and mixed.
        match turn / VALUES.len() {
            0 => {}
            1 => events.reverse(),
            _ => events.sort_by_key(|event| event.id.wrapping_mul(event.frame) % 13),
        }
        events.push(Event {
            frame: 3,
            id: u32::MAX,
            value,
        });
        let mut block = block.clone();
        let what = format!("{value}, turn {turn}");
        assert!(host.process_with(&mut block, &events), "{what}");
        untouched(&block, &what);
        assert_sound(&host, &block, &what);
        heard.extend(
            block
                .outputs
                .channels()
                .map(|output| output[..FRAMES].to_vec()),
        );
    }
    // What came last counts, wherever it was to be.
    let (push, _) = host.param("Push").unwrap();
    let late = Event {
        frame: u32::MAX,
        id: push,
        value: 0.25,
    };
    assert!(host.process_with(&mut block.clone(), &[late]));
    assert_eq!(host.param("Push").unwrap().1, 0.25);
    assert!(heard.iter().flatten().any(|sample| *sample != 0.0));
    heard
}

#[test]
fn changes_may_lie_anywhere_in_any_order_with_any_value_in_vst3() {
    assert!(changed_anywhere_in_vst3(0.5) == changed_anywhere_in_vst3(-0.5));
}

/// What comes out, with samples `behind` every input.
fn changed_anywhere_in_vst3(behind: f32) -> Vec<Vec<f32>> {
    let mut heard = Vec::new();
    let mut host = RawVst3::active(2, FRAMES);
    let ids: Vec<_> = CHAIN.map(|(name, _)| host.param(name).unwrap().0).into();
    let (block, untouched) = guarded(behind);
    for backwards in [false, true] {
        for value in VALUES {
            let mut places: Vec<_> = PLACES
                .into_iter()
                .filter(|frame| i32::try_from(*frame).is_ok())
                .map(|frame| (frame as usize, value))
                .collect();
            if backwards {
                places.reverse();
            }
            let queues = ids.iter().chain([&u32::MAX, &ids[0]]);
            let points = queues.map(|id| (*id, places.clone())).collect();
            let mut block = block.clone();
            let what = format!("{value}, backwards {backwards}");
            assert!(host.process_with(&mut block, points), "{what}");
            untouched(&block, &what);
            assert_sound(&host, &block, &what);
            heard.extend(
                block
                    .outputs
                    .channels()
                    .map(|output| output[..FRAMES].to_vec()),
            );
        }
    }
    assert!(heard.iter().flatten().any(|sample| *sample != 0.0));
    heard
}

// clap/plugin.h and the extensions name the thread of each function. Hosts err; what is asked on
// another thread than it should is answered, while audio runs.
#[test]
fn questions_on_the_wrong_thread_are_answered() {
    let mut host = RawClap::active(2, FRAMES);
    let asking = host.any_thread();
    std::thread::scope(|scope| {
        let asked = scope.spawn(move || {
            let asking = asking;
            (0..40).map(|_| asking.ask_everything()).min()
        });
        // On the test's own thread, which is the main one as well.
        let heard = played(&mut host, &apart(), sound);
        assert!(heard.iter().flatten().all(|sample| sample.is_finite()));
        assert_eq!(asked.join().unwrap(), Some(host.param_count() as usize));
    });
    // Nor does it matter on which thread it begins and ends to process.
    host.set_processing(false);
    host.set_processing(true);
    assert!(host.process(&mut Block {
        frames: FRAMES,
        inputs: Ports::Passed(vec![Port::of(&sound(0))]),
        outputs: apart(),
        changes: Vec::new(),
    }));
}

/// The largest difference between the two formats that is allowed.
const SAME: f32 = 1e-6;

// One engine: whatever is set, both formats make the same of the same audio.
#[test]
fn both_formats_make_the_same_of_the_same_audio() {
    for seed in 0..4 {
        let mut clap = linked();
        clap.activate(48_000.0, 512).unwrap();
        let set = others(&mut clap, seed, &["Bypass"]);
        let changes = at_once(&set);
        let main = noise(2, 96_000, 0.7, 60 + seed as u64);
        let from_clap = clap
            .run(Run {
                changes: &changes,
                playing: false,
                ..Run::new(&main, &[512, 64, 333])
            })
            .unwrap();
        let mut vst3 = Vst3Host::new(2, 512);
        let points: Vec<_> = set
            .iter()
            .map(|(param, value)| Point {
                frame: 0,
                id: vst3.param(&param.name).id,
                value: value / param.range.end(),
            })
            .collect();
        let from_vst3 = vst3.run(&main, &[512, 64, 333], &points);
        let furthest = from_clap
            .iter()
            .flatten()
            .zip(from_vst3.iter().flatten())
            .map(|(one, other)| (one - other).abs())
            .fold(0.0, f32::max);
        println!("settings {seed}: CLAP and VST3 differ by {furthest:e}");
        assert!(furthest <= SAME, "settings {seed}: {furthest}");
        assert!(from_clap.iter().flatten().any(|sample| sample.abs() > 0.01));
    }
}
