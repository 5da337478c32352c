//! The engine's cost: everything on, nothing on, small blocks, block by block.

use super::figures::{Figures, Wanted, median, seconds};
use super::library;
use super::programme::{RATE_HZ, blocks};
use crestline_core::engine::{Engine, EngineSpec, Settings};
use crestline_core::handover::handover;
use crestline_core::process::BandSettings;
use crestline_plugin::plugin::TOLD_FRAMES;
use std::hint::black_box;

const BLOCK: usize = 512;
const SMALL_BLOCK: usize = 32;
const LARGE_BLOCK: usize = 1024;
/// What is played a frame at a time: both songs would take long, and 10 s tell as much.
const AUTOMATED_FRAMES: usize = 480_000;
/// Runs of every side, taken in turn so that what else the machine does falls on all of them alike.
const RUNS: usize = 7;

/// Every stage at work, both paths running, a matched source heard.
fn everything_on() -> Settings {
    let mut settings = Settings {
        playing: true,
        ..Settings::default()
    };
    let chain = &mut settings.chain;
    chain.push.push_db = 6.0;
    chain.shelves.low_gain_db = 2.0;
    chain.shelves.high_gain_db = 2.0;
    chain.bands.on = true;
    chain.bands.bands = [BandSettings {
        threshold_db: -24.0,
        ..BandSettings::default()
    }; 4];
    chain.saturator.enabled = true;
    chain.saturator.lean_percent = 20.0;
    chain.limiter.enabled = true;
    settings.listen.matched = true;
    settings
}

/// Seconds that one pass takes, a fresh engine a pass; every block's own time goes to `block_took`.
fn pass(
    programme: &[Vec<f32>; 2],
    block: usize,
    settings: &Settings,
    mut block_took: impl FnMut(usize, f64),
) -> f64 {
    let mut engine = Engine::new(EngineSpec {
        sample_rate_hz: RATE_HZ.into(),
        channels: 2,
    });
    let (mut left, mut right) = (vec![0.0; block], vec![0.0; block]);
    let mut total = 0.0;
    for (index, [from_left, from_right]) in blocks(programme, block).enumerate() {
        let frames = from_left.len();
        left[..frames].copy_from_slice(from_left);
        right[..frames].copy_from_slice(from_right);
        let took = seconds(|| {
            engine.process(
                &mut [&mut left[..frames], &mut right[..frames]],
                &[],
                settings,
            );
            black_box(engine.snapshot());
        });
        total += took;
        block_took(index, took);
    }
    total
}

/// Seconds a frame that a host takes which cuts its blocks at every frame because a setting moves;
/// what is told is read as often as the plug-in does.
fn automated(programme: &[Vec<f32>; 2]) -> f64 {
    let mut engine = Engine::new(EngineSpec {
        sample_rate_hz: RATE_HZ.into(),
        channels: 2,
    });
    let mut settings = everything_on();
    let [left, right] = programme;
    let frames = left.iter().zip(right).take(AUTOMATED_FRAMES);
    let took = seconds(|| {
        for (index, (left, right)) in frames.enumerate() {
            settings.chain.push.push_db = 6.0 + (index % RATE_HZ as usize) as f64 * 1e-5;
            let (mut left, mut right) = ([*left], [*right]);
            engine.process(&mut [&mut left, &mut right], &[], &settings);
            black_box((left, right));
            if index.is_multiple_of(TOLD_FRAMES) {
                black_box(engine.snapshot());
            }
        }
    });
    took / AUTOMATED_FRAMES as f64
}

/// Cost of everything and of nothing in units of the library's, of small blocks in units of large
/// ones, of single frames in units of whole blocks, and how even the blocks are.
pub fn cost(programme: &[Vec<f32>; 2], figures: &mut Figures) {
    let (on, idle) = (everything_on(), Settings::default());
    let mut least = vec![f64::INFINITY; programme[0].len().div_ceil(BLOCK)];
    let (mut full, mut rest, mut small) = (Vec::new(), Vec::new(), Vec::new());
    let mut split = Vec::new();
    for _ in 0..RUNS {
        let reference = library::pass(programme, BLOCK);
        let everything = pass(programme, BLOCK, &on, |index, took| {
            least[index] = least[index].min(took);
        });
        full.push(everything / reference);
        rest.push(pass(programme, BLOCK, &idle, |_, _| ()) / reference);
        let in_small_blocks = pass(programme, SMALL_BLOCK, &on, |_, _| ());
        small.push(in_small_blocks / pass(programme, LARGE_BLOCK, &on, |_, _| ()));
        split.push(automated(programme) * programme[0].len() as f64 / everything);
    }
    figures.add(
        "engine_full_cost",
        median(&mut full),
        2,
        "x_ebur128",
        Wanted::AtMost(4.0),
    );
    figures.add(
        "engine_idle_cost",
        median(&mut rest),
        2,
        "x_ebur128",
        Wanted::AtMost(1.4),
    );
    figures.add(
        "engine_single_frame_ratio",
        median(&mut split),
        2,
        "x",
        Wanted::AtMost(4.0),
    );
    figures.add(
        "engine_small_block_ratio",
        median(&mut small),
        2,
        "x",
        Wanted::AtMost(2.0),
    );
    let middle = median(&mut least);
    let high = least[least.len() * 999 / 1000];
    figures.add(
        "engine_block_p999_over_median",
        high / middle,
        2,
        "x",
        Wanted::AtMost(3.0),
    );
    let middle_us = middle * 1e6;
    figures.note(&format!(
        "{BLOCK} frames: median {middle_us:.1} µs; each block at its least of {RUNS} runs"
    ));
}

/// Bytes of the session's history, a constant.
pub fn history(figures: &mut Figures) {
    let (_audio, editor) = handover();
    let bytes = editor.history().bytes() as f64;
    figures.add(
        "history_bytes",
        bytes,
        0,
        "bytes",
        Wanted::AtMost(8.0 * 1024.0 * 1024.0),
    );
}
