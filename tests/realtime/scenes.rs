//! What is played to be watched, in either way: blocks as hosts of both formats may pass them, and
//! an engine of which the editor asks everything.

use crate::{BLOCK_SIZES, LAYOUTS, noise};
use crestline_core::engine::{Engine, EngineSpec, Settings};
use crestline_core::handover::{handover, recent, tap};
use rig::raw_host::{Block, Port, Ports, RawHost, both};

/// Does a call of the audio thread's, and watches it.
pub type Around = fn(&mut dyn FnMut());

/// The longest block that is promised.
const MOST_FRAMES: usize = 1_024;

/// Plays every shape of a block in both formats and both layouts: with and without a side-chain,
/// without a main bus, with more changes than there is room for.
pub fn blocks_of_every_shape(around: Around) {
    for channels in LAYOUTS {
        let there = Port::of(&noise(channels, MOST_FRAMES, 1.0, 12));
        let nulls = Port::Channels(vec![None; channels]);
        let none = Port::NoPointers(channels);
        let passed = |ports: &[&Port]| Ports::Passed(ports.iter().copied().cloned().collect());
        let shapes = [
            (passed(&[&there]), passed(&[&there])),
            (passed(&[&there, &there]), passed(&[&there])),
            (passed(&[&there, &nulls]), passed(&[&there])),
            (passed(&[&there, &none]), passed(&[&there])),
            (passed(&[&there, &there]), Ports::InPlace),
            (passed(&[&none, &there]), passed(&[&there])),
            (passed(&[&nulls, &none]), passed(&[&there])),
            (Ports::Null(0), passed(&[&there])),
            (passed(&[&there]), passed(&[&none])),
            (Ports::Null(0), Ports::Null(0)),
        ];
        for (_, mut host) in both(channels, MOST_FRAMES) {
            host.set_around(around);
            let (push, _) = host.param("Push").unwrap();
            let most = (0..3_000).map(|step| (push, (0.618 * f64::from(step)).fract()));
            for changes in [switches(&*host), most.collect(), Vec::new()] {
                for (frames, (inputs, outputs)) in BLOCK_SIZES.iter().cycle().zip(&shapes) {
                    assert!(host.process(&mut Block {
                        frames: *frames,
                        inputs: inputs.clone(),
                        outputs: outputs.clone(),
                        changes: changes.clone(),
                    }));
                }
            }
        }
    }
}

/// Uses the side-chain for all that it can be used for.
fn switches(host: &dyn RawHost) -> Vec<(u32, f64)> {
    [
        "Side-chain carries the signal from before",
        "Side-chain is the reference",
    ]
    .map(|name| (host.param(name).unwrap().0, 1.0))
    .to_vec()
}

/// Plays a side-chain that is taken for the reference, in both formats and both layouts, and has it
/// end and begin again. After that the host stops, starts, and clears what is heard.
pub fn side_chains_that_end(around: Around) {
    /// Blocks after which it is known how loud it is, and blocks after which it is no reference any
    /// more: each a second more than that takes (`engine/audition/live.rs`).
    const SOUNDS: usize = 2 * 48_000 / MOST_FRAMES;
    const IS_SILENT: usize = 4 * 48_000 / MOST_FRAMES;
    for channels in LAYOUTS {
        let main = Port::of(&noise(channels, MOST_FRAMES, 0.5, 13));
        let sound = Port::of(&noise(channels, MOST_FRAMES, 0.25, 14));
        let silence = Port::of(&vec![vec![0.0; MOST_FRAMES]; channels]);
        for (_, mut host) in both(channels, MOST_FRAMES) {
            host.set_around(around);
            host.play();
            let parts = [(&sound, SOUNDS), (&silence, IS_SILENT), (&sound, SOUNDS)];
            for (side, blocks) in parts {
                for _ in 0..blocks {
                    assert!(host.process(&mut Block {
                        frames: MOST_FRAMES,
                        inputs: Ports::Passed(vec![main.clone(), side.clone()]),
                        outputs: Ports::InPlace,
                        changes: switches(&*host),
                    }));
                }
            }
            host.process_anew();
            host.reset();
            assert!(host.process(&mut Block {
                frames: MOST_FRAMES,
                inputs: Ports::Passed(vec![main.clone(), sound.clone()]),
                outputs: Ports::InPlace,
                changes: Vec::new(),
            }));
        }
    }
}

/// Plays `seconds` through an engine that has everything a plug-in's has, while the editor asks for
/// all it can ask for, and keeps the music still in between.
pub fn engine(
    around: Around,
    spec: EngineSpec,
    seconds: usize,
    settings: impl Fn(usize) -> Settings,
) {
    let (writer, _thread) = tap(spec.sample_rate_hz, spec.channels).unwrap();
    let mut engine = Engine::new(spec).with_tap(writer).with_undo();
    let music = recent(spec.sample_rate_hz, spec.channels).map(|(writer, reader)| {
        engine.keep_input(writer);
        reader
    });
    let (mut audio, editor) = handover();
    let noise = noise(spec.channels, MOST_FRAMES, 0.5, 7);
    let side: Vec<&[f32]> = noise.iter().map(Vec::as_slice).collect();
    let mut buffer = noise.clone();
    let frames = seconds * spec.sample_rate_hz as usize;
    let (mut played, mut blocks) = (0, 0);
    while played < frames {
        let size = BLOCK_SIZES[blocks % BLOCK_SIZES.len()];
        for (buffer, noise) in buffer.iter_mut().zip(&noise) {
            buffer.copy_from_slice(noise);
        }
        let mut views: Vec<_> = buffer
            .iter_mut()
            .map(|channel| &mut channel[..size])
            .collect();
        let settings = settings(blocks);
        match blocks % 250 {
            70 => editor.restart(),
            80 => {
                editor.undo_restart();
                editor.clear_overs();
                editor.clear_faults();
            }
            _ => {}
        }
        if let Some(music) = &music {
            music.keep_still(blocks % 100 > 70);
        }
        let song_s = played as f64 / spec.sample_rate_hz;
        around(&mut || {
            engine.obey(&mut audio, blocks % 250 == 110);
            engine.process_and_record(&mut views, &side, &settings, Some(song_s), &mut audio);
            audio.publish(engine.snapshot());
            if blocks % 250 == 90 {
                engine.reset();
            }
        });
        played += size;
        blocks += 1;
    }
}
