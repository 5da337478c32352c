//! The meter's own cost: against the library, block by block, over a whole day, and in memory.

use super::figures::{Figures, Wanted, median, seconds};
use super::library;
use super::programme::{RATE_HZ, blocks};
use crestline_core::measure::{ChannelRole, Meter};
use kit::allocator::{allocations, held_bytes};
use std::hint::black_box;

const BLOCK: usize = 512;
/// Runs of every side, taken in turn so that what else the machine does falls on all of them alike.
const RUNS: usize = 7;

fn meter() -> Meter {
    Meter::new(RATE_HZ.into(), &[ChannelRole::Front; 2], BLOCK)
}

/// The meters of an engine's three measuring points: input, clean and output.
fn three_points() -> Vec<Meter> {
    [0.0, 1.0 / 3.0, 2.0 / 3.0]
        .map(|stagger| meter().with_balance([stagger; 2]))
        .into()
}

/// One block, and what it did to the readings.
fn measure(meters: &mut [Meter], block: &[&[f32]]) {
    for meter in meters {
        meter.process(block);
        black_box(meter.readings());
    }
}

/// One meter, and three with balance, against the library. Every run makes its meters afresh; the
/// ratio is taken run by run.
pub fn speed(programme: &[Vec<f32>; 2], figures: &mut Figures) {
    let pass = |mut meters: Vec<Meter>| {
        seconds(|| {
            for block in blocks(programme, BLOCK) {
                measure(&mut meters, &block);
            }
        })
    };
    let (mut speed, mut cost, mut load) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..RUNS {
        let (one, three) = (pass(vec![meter()]), pass(three_points()));
        let reference = library::pass(programme, BLOCK);
        speed.push(reference / one);
        cost.push(three / reference);
        load.push(100.0 * one * f64::from(RATE_HZ) / programme[0].len() as f64);
    }
    let wanted = Wanted::AtLeast(3.5);
    figures.add(
        "measure_speed_vs_ebur128",
        median(&mut speed),
        2,
        "x",
        wanted,
    );
    let wanted = Wanted::AtMost(3.5);
    figures.add(
        "measure_all_points_cost",
        median(&mut cost),
        2,
        "x_ebur128",
        wanted,
    );
    let load = median(&mut load);
    figures.note(&format!(
        "one meter without balance takes {load:.3} % of one core"
    ));
}

/// 99.9th percentile of the block time over its median, for the three points together.
///
/// A block's time is its least over the runs: what the same work costs when nothing else gets in
/// its way.
pub fn block_time(programme: &[Vec<f32>; 2], figures: &mut Figures) {
    let mut least = vec![f64::INFINITY; programme[0].len().div_ceil(BLOCK)];
    for _ in 0..RUNS {
        let mut meters = three_points();
        for (least, block) in least.iter_mut().zip(blocks(programme, BLOCK)) {
            *least = least.min(seconds(|| measure(&mut meters, &block)));
        }
    }
    let middle = median(&mut least);
    let high = least[least.len() * 999 / 1000];
    let wanted = Wanted::AtMost(3.0);
    figures.add(
        "measure_block_p999_over_median",
        high / middle,
        2,
        "x",
        wanted,
    );
    let middle_us = middle * 1e6;
    figures.note(&format!(
        "{BLOCK} frames: median {middle_us:.1} µs; each block at its least of {RUNS} runs"
    ));
}

/// Cost of a minute after 24 h against that of a minute after 3 min.
///
/// What a meter keeps grows with time, not with samples, so the day is metered at 8 kHz in one
/// channel; most of a minute's cost is then that of the histories, which makes this the harder
/// case. Programme at levels from 0 to −59 dB fills the histories over their whole width.
pub fn growth(figures: &mut Figures) {
    const RATE: u32 = 8_000;
    const MINUTES_A_DAY: usize = 24 * 60;
    let song = songs::rink_lights(RATE);
    let minute = &song.channels[0][..60 * RATE as usize];
    let minutes: Vec<Vec<f32>> = (0..60_u8)
        .map(|n| {
            // Every level once an hour, in an order that mixes them.
            let gain = 10.0_f32.powf(-f32::from(n * 23 % 60) / 20.0);
            minute.iter().map(|sample| sample * gain).collect()
        })
        .collect();
    let new = || [Meter::new(RATE.into(), &[ChannelRole::Front], BLOCK).with_balance([0.0; 2])];
    let feed = |meter: &mut [Meter], minute: &[f32]| {
        seconds(|| {
            for block in minute.chunks(BLOCK) {
                measure(meter, &[block]);
            }
        })
    };
    let (mut old, mut young) = (new(), new());
    for minute in minutes.iter().cycle().take(MINUTES_A_DAY) {
        feed(&mut old, minute);
    }
    for minute in &minutes[..3] {
        feed(&mut young, minute);
    }
    let mut growth = Vec::new();
    for minute in minutes.iter().take(3 * RUNS) {
        let before = feed(&mut young, minute);
        growth.push(feed(&mut old, minute) / before);
    }
    let wanted = Wanted::AtMost(1.1);
    figures.add(
        "measure_cost_growth_24h",
        median(&mut growth),
        3,
        "x",
        wanted,
    );
    figures.note("24 h metered in full at 8 kHz mono; what is kept goes by time, not by samples");
}

/// Bytes that one meter with balance holds, and how often it allocates while it works.
pub fn memory(programme: &[Vec<f32>; 2], figures: &mut Figures) {
    let before = held_bytes();
    let mut meter = [meter().with_balance([0.0; 2])];
    let bytes = held_bytes() - before + size_of::<Meter>();
    let made = allocations();
    for block in blocks(programme, BLOCK) {
        measure(&mut meter, &block);
        black_box(meter[0].balance());
    }
    let later = allocations() - made;
    drop(meter);
    let wanted = Wanted::AtMost(1_700_000.0);
    figures.add("measure_bytes", bytes as f64, 0, "bytes", wanted);
    let wanted = Wanted::AtMost(0.0);
    figures.add(
        "measure_allocations_at_work",
        later as f64,
        0,
        "allocations",
        wanted,
    );
}
