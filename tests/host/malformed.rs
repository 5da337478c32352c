//! What a host may pass for ports and does: nothing, too little, too much, null. In both formats.
//!
//! The shapes are those that the headers allow a host to express (CLAP 1.2, `clap/process.h` and
//! `clap/audio-buffer.h`; VST3, `ivstaudioprocessor.h`, `ProcessData` and `AudioBusBuffers`),
//! whether or not they allow it to pass them.

use crestline_plugin::export::denormals::flushed;
use kit::signals::white_noise;
use rig::raw_host::clap::Event;
use rig::raw_host::vst3::DOUBLE_PRECISION;
use rig::raw_host::{Block, Port, Ports, RawClap, RawHost, RawVst3, both};
use std::hint::black_box;

/// Frames of the blocks that are well formed, and the longest that is promised.
const FRAMES: usize = 256;
/// What lies in an output before the plug-in has written to it.
const LEFT_OVER: f32 = 0.7;
/// Samples behind the end of each output, which are nobody's to write to.
const BEHIND: usize = 8;
/// Far below every ceiling: with neutral settings nothing may touch it.
const PEAK: f64 = 0.25;

fn noise(channels: usize, frames: usize, seed: u64) -> Vec<Vec<f32>> {
    let channel = |channel| white_noise(10 * seed + channel as u64, PEAK, frames);
    (0..channels).map(channel).collect()
}

fn output(frames: usize) -> Vec<f32> {
    vec![LEFT_OVER; frames + BEHIND]
}

fn outputs(channels: usize, frames: usize) -> Port {
    Port::Channels(vec![Some(output(frames)); channels])
}

/// A block as it should be.
fn well_formed(main: &[Vec<f32>], seed: u64) -> Block {
    let frames = main[0].len();
    let side_chain = noise(main.len(), frames, 1_000 + seed);
    Block {
        frames,
        inputs: Ports::Passed(vec![Port::of(main), Port::of(&side_chain)]),
        outputs: Ports::Passed(vec![outputs(main.len(), frames)]),
        changes: Vec::new(),
    }
}

/// A port is not connected in each of these shapes, if it should have `channels` channels of
/// `frames` frames.
fn not_connected(channels: usize, frames: usize) -> Vec<(String, Port)> {
    let there = || Some(output(frames));
    let mut shapes = vec![
        ("no channels".into(), Port::Channels(Vec::new())),
        ("no channels, no pointers".into(), Port::NoPointers(0)),
        (
            "no pointers to the channels".into(),
            Port::NoPointers(channels),
        ),
        ("null channels".into(), Port::Channels(vec![None; channels])),
        (
            "null channels, more than declared".into(),
            Port::Channels(vec![None; channels + 2]),
        ),
    ];
    for there_are in 1..channels {
        shapes.push((
            format!("{there_are} of {channels} channels"),
            Port::Channels(vec![there(); there_are]),
        ));
    }
    for missing in 0..channels {
        let mut some = vec![there(); channels];
        some[missing] = None;
        shapes.push((format!("channel {missing} null"), Port::Channels(some)));
    }
    shapes
}

/// Blocks in which a main port is not connected.
fn without_main_port(channels: usize, frames: usize) -> Vec<(String, Block)> {
    let main = noise(channels, frames, 77);
    let good = well_formed(&main, 77);
    let side_chain = Port::of(&noise(channels, frames, 78));
    let mut blocks = vec![
        (
            "no inputs".to_owned(),
            Block {
                inputs: Ports::Passed(Vec::new()),
                ..good.clone()
            },
        ),
        (
            "null inputs".to_owned(),
            Block {
                inputs: Ports::Null(2),
                ..good.clone()
            },
        ),
        (
            "no outputs".to_owned(),
            Block {
                outputs: Ports::Passed(Vec::new()),
                ..good.clone()
            },
        ),
        (
            "null outputs".to_owned(),
            Block {
                outputs: Ports::Null(1),
                ..good.clone()
            },
        ),
        (
            "nothing at all".to_owned(),
            Block {
                inputs: Ports::Null(0),
                outputs: Ports::Null(0),
                ..good.clone()
            },
        ),
    ];
    for (shape, port) in not_connected(channels, frames) {
        blocks.push((
            format!("main input: {shape}"),
            Block {
                inputs: Ports::Passed(vec![port.clone(), side_chain.clone()]),
                ..good.clone()
            },
        ));
        blocks.push((
            format!("main output: {shape}"),
            Block {
                outputs: Ports::Passed(vec![port.clone()]),
                ..good.clone()
            },
        ));
        blocks.push((
            format!("both: {shape}"),
            Block {
                inputs: Ports::Passed(vec![port.clone()]),
                outputs: Ports::Passed(vec![port]),
                ..good.clone()
            },
        ));
    }
    blocks
}

/// Sound as it passes through the plug-in in pieces, to be compared in one.
#[derive(Default)]
struct Passage {
    sent: Vec<Vec<f32>>,
    received: Vec<Vec<f32>>,
}

impl Passage {
    /// Plays `block`, whose first channels carry `main`, and keeps what comes out of the first
    /// channels.
    fn play(&mut self, host: &mut dyn RawHost, main: &[Vec<f32>], mut block: Block, what: &str) {
        assert!(host.process(&mut block), "{what}");
        self.sent.resize(main.len(), Vec::new());
        self.received.resize(main.len(), Vec::new());
        for (sent, main) in self.sent.iter_mut().zip(main) {
            sent.extend(main);
        }
        for (received, output) in self.received.iter_mut().zip(block.outputs.channels()) {
            received.extend(&output[..block.frames]);
        }
        assert_untouched_behind(&block, what);
    }

    /// With neutral settings what was received is what was sent, later by the latency, to the last
    /// bit.
    fn assert_exact(&self, latency: usize, what: &str) {
        for (sent, received) in self.sent.iter().zip(&self.received) {
            assert_eq!(sent.len(), received.len(), "{what}");
            assert!(received.len() > latency, "{what}: nothing to compare");
            let wanted = std::iter::repeat_n(&0.0, latency).chain(sent);
            for (frame, (received, wanted)) in received.iter().zip(wanted).enumerate() {
                let equal = received.to_bits() == wanted.to_bits();
                assert!(equal, "{what}: frame {frame}: {received}, not {wanted}");
            }
        }
    }
}

fn assert_untouched_behind(block: &Block, what: &str) {
    for output in block.outputs.channels() {
        let behind = &output[block.frames..];
        assert_eq!(behind, [LEFT_OVER; BEHIND], "{what}: behind the end");
    }
}

/// Well-formed blocks, more than the plug-in's latency.
fn play_well_formed(host: &mut dyn RawHost, passage: &mut Passage, channels: usize, what: &str) {
    for block in 0..host.latency().div_ceil(FRAMES) + 2 {
        let seed = (passage.sent.first().map_or(0, Vec::len) + block) as u64;
        let main = noise(channels, FRAMES, seed);
        passage.play(host, &main, well_formed(&main, seed), what);
    }
}

#[test]
fn a_block_without_its_main_port_is_answered_with_silence_and_leaves_no_trace() {
    for channels in [2, 1] {
        for (shape, malformed) in without_main_port(channels, FRAMES) {
            for (format, mut host) in both(channels, FRAMES) {
                let what = format!("{format}, {channels} channels, {shape}");
                let mut passage = Passage::default();
                play_well_formed(&mut *host, &mut passage, channels, &what);
                for _ in 0..2 {
                    let mut block = malformed.clone();
                    assert!(host.process(&mut block), "{what}");
                    for output in block.outputs.channels() {
                        assert!(
                            output[..FRAMES].iter().all(|sample| sample.to_bits() == 0),
                            "{what}: not silent"
                        );
                    }
                    assert_untouched_behind(&block, &what);
                }
                play_well_formed(&mut *host, &mut passage, channels, &what);
                passage.assert_exact(host.latency(), &what);
            }
        }
    }
}

#[test]
fn parameters_change_even_in_a_block_without_its_main_port() {
    for (shape, malformed) in without_main_port(2, FRAMES) {
        for (format, mut host) in both(2, FRAMES) {
            let (push, at_rest) = host.param("Push").unwrap();
            assert_eq!(at_rest, 0.0);
            let mut block = Block {
                changes: vec![(push, 0.5)],
                ..malformed.clone()
            };
            assert!(host.process(&mut block));
            let (_, value) = host.param("Push").unwrap();
            assert_eq!(value, 0.5, "{format}, {shape}");
        }
    }
}

#[test]
fn audio_passes_bit_for_bit_whatever_becomes_of_the_side_chain() {
    for channels in [2, 1] {
        let mut shapes = not_connected(channels, FRAMES);
        shapes.push(("absent".into(), Port::NoPointers(0)));
        for (shape, side_chain) in shapes {
            for (format, mut host) in both(channels, FRAMES) {
                let what = format!("{format}, {channels} channels, side-chain: {shape}");
                let mut passage = Passage::default();
                play_well_formed(&mut *host, &mut passage, channels, &what);
                // Shorter and longer than the block before: nothing may stay from it.
                for frames in [64, FRAMES, 1, 100] {
                    let main = noise(channels, frames, 3);
                    let mut ports = vec![Port::of(&main)];
                    if shape != "absent" {
                        ports.push(side_chain.clone());
                    }
                    let block = Block {
                        inputs: Ports::Passed(ports),
                        ..well_formed(&main, 3)
                    };
                    passage.play(&mut *host, &main, block, &what);
                }
                play_well_formed(&mut *host, &mut passage, channels, &what);
                passage.assert_exact(host.latency(), &what);
            }
        }
    }
}

#[test]
fn channels_and_ports_beyond_the_declared_are_cut_off_and_silent() {
    for channels in [2, 1] {
        for (format, mut host) in both(channels, FRAMES) {
            let what = format!("{format}, {channels} channels and more");
            let mut passage = Passage::default();
            for seed in 0..host.latency().div_ceil(FRAMES) as u64 + 2 {
                let main = noise(channels, FRAMES, seed);
                let surplus = noise(3, FRAMES, 500 + seed);
                let wide = [main.as_slice(), &surplus].concat();
                let mut outputs: Vec<_> = vec![Some(output(FRAMES)); channels + 3];
                outputs[channels + 1] = None;
                let mut block = Block {
                    inputs: Ports::Passed(vec![Port::of(&wide), Port::of(&wide), Port::of(&wide)]),
                    outputs: Ports::Passed(vec![Port::Channels(outputs), Port::NoPointers(2)]),
                    ..well_formed(&main, seed)
                };
                passage.play(&mut *host, &main, block.clone(), &what);
                assert!(host.process(&mut block), "{what}");
                for surplus in block.outputs.channels().skip(channels) {
                    let silent = surplus[..FRAMES].iter().all(|sample| sample.to_bits() == 0);
                    assert!(silent, "{what}");
                }
                // The block was played twice.
                for (channel, main) in main.iter().enumerate() {
                    passage.sent[channel].extend(main);
                    let output = block.outputs.channels().nth(channel).unwrap();
                    passage.received[channel].extend(&output[..FRAMES]);
                }
            }
            passage.assert_exact(host.latency(), &what);
        }
    }
}

#[test]
fn a_block_longer_than_the_host_has_promised_passes_too() {
    for (format, mut host) in both(2, FRAMES) {
        let mut passage = Passage::default();
        for frames in [FRAMES + 1, 4 * FRAMES, 64, 20 * FRAMES] {
            let main = noise(2, frames, frames as u64);
            passage.play(&mut *host, &main, well_formed(&main, 9), format);
            let alone = Block {
                inputs: Ports::Passed(vec![Port::of(&main)]),
                ..well_formed(&main, 9)
            };
            passage.play(&mut *host, &main, alone, format);
        }
        passage.assert_exact(host.latency(), format);
    }
}

#[test]
fn a_block_of_no_frames_may_come_without_any_ports() {
    for (format, mut host) in both(2, FRAMES) {
        for ports in [Ports::Null(0), Ports::Passed(Vec::new()), Ports::Null(2)] {
            let (push, _) = host.param("Push").unwrap();
            let mut block = Block {
                frames: 0,
                inputs: ports.clone(),
                outputs: ports,
                changes: vec![(push, 0.25)],
            };
            assert!(host.process(&mut block), "{format}");
            assert_eq!(host.param("Push").unwrap().1, 0.25, "{format}");
        }
    }
}

#[test]
fn a_block_before_the_plug_in_is_active_is_refused() {
    let main = noise(2, FRAMES, 0);
    assert!(!RawClap::inactive().process(&mut well_formed(&main, 0)));
    assert!(!RawVst3::inactive().process(&mut well_formed(&main, 0)));
    // In VST3 between the set-up and the activation it is a block without buses.
    let mut host = RawVst3::inactive();
    host.set_up(FRAMES);
    let mut block = well_formed(&main, 0);
    assert!(host.process(&mut block));
    let mut outputs = block.outputs.channels();
    assert!(outputs.all(|output| output[..FRAMES].iter().all(|sample| *sample == 0.0)));
}

#[test]
fn samples_of_double_precision_are_refused() {
    let mut host = RawVst3::active(2, FRAMES);
    host.sample_size = DOUBLE_PRECISION;
    assert!(!host.process(&mut well_formed(&noise(2, FRAMES, 0), 0)));
}

#[test]
fn a_parameter_past_the_last_is_refused() {
    for (format, host) in both(2, FRAMES) {
        let count = host.param_count();
        assert!(host.knows_param(count - 1), "{format}");
        // The last one is -1 where indices have a sign.
        for index in [count, count + 1, u32::MAX / 2, u32::MAX] {
            assert!(!host.knows_param(index), "{format}: {index}");
        }
    }
}

/// Whether this thread's arithmetic takes denormal results and operands as zero.
fn flushes() -> (bool, bool) {
    let result = black_box(f32::MIN_POSITIVE) * black_box(0.5);
    let operand = black_box(f32::from_bits(0x0040_0000)) * black_box(2.0);
    (result == 0.0, operand == 0.0)
}

#[cfg(any(target_arch = "x86_64", target_arch = "aarch64"))]
#[test]
fn the_treatment_of_denormal_numbers_is_after_a_block_what_the_host_had_made_it() {
    let main = noise(2, FRAMES, 0);
    let without_ports = Block {
        inputs: Ports::Null(0),
        outputs: Ports::Null(0),
        ..well_formed(&main, 0)
    };
    for block in [well_formed(&main, 0), without_ports] {
        for (format, mut host) in both(2, FRAMES) {
            assert_eq!(flushes(), (false, false));
            assert!(host.process(&mut block.clone()));
            assert_eq!(flushes(), (false, false), "{format}");
            flushed(|| {
                assert!(host.process(&mut block.clone()));
                assert_eq!(flushes(), (true, true), "{format}");
            });
            assert_eq!(flushes(), (false, false));
        }
    }
}

/// Pushed by 6 dB, nine tenths of the smallest normal number would be normal: only an operand taken
/// as zero gives silence.
#[cfg(any(target_arch = "x86_64", target_arch = "aarch64"))]
#[test]
fn denormal_audio_counts_as_silence_where_it_is_worked_on() {
    for (format, mut host) in both(2, FRAMES) {
        let (push, _) = host.param("Push").unwrap();
        let push = [(push, 6.0 / 18.0)];
        for (peak, is_heard) in [(0.9 * f32::MIN_POSITIVE, false), (1e-6, true)] {
            let main = vec![vec![peak; FRAMES]; 2];
            let mut last = 0.0;
            for _ in 0..2 * host.latency().div_ceil(FRAMES) + 40 {
                let mut block = Block {
                    changes: push.to_vec(),
                    ..well_formed(&main, 0)
                };
                assert!(host.process(&mut block));
                last = block.outputs.channels().next().unwrap()[FRAMES - 1];
            }
            assert_eq!(last > 0.0, is_heard, "{format}: {last:e}");
        }
    }
}

// `clap/events.h`: a list hands over as many events as it says. Of one that hands over less the rest
// counts, in a flush as in a block.
#[test]
fn an_event_that_is_missing_is_passed_by_in_a_flush() {
    let host = RawClap::inactive();
    let (id, set) = host.param("Push").unwrap();
    assert!((set - 0.5).abs() > 0.1, "{set}");
    host.flush_behind_nothing(Event {
        frame: 0,
        id,
        value: 0.5,
    });
    let (_, value) = host.param("Push").unwrap();
    assert!((value - 0.5).abs() < 1e-6, "{value}");
}
