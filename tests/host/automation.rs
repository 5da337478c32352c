//! Automation arrives where the host puts it, in both formats, whatever the block size.

use crate::clap::linked;
use rig::clap_host::{Change, Run};
use rig::vst3_host::{Point, Vst3Host};

const RATE_HZ: usize = 48_000;
/// The level that is pushed: a constant, so that every sample tells the gain.
const LEVEL: f32 = 0.05;
/// Corners of the curve: frame and push, dB. Up at 6 dB/s, down at 12 dB/s.
const CORNERS: [(usize, f64); 4] = [(14_400, 0.0), (62_400, 6.0), (72_000, 6.0), (84_000, 3.0)];
const FRAMES: usize = 96_000;
const BLOCKS: [usize; 9] = [1, 17, 64, 333, 480, 512, 1_024, 2_048, 4_096];
/// What is promised, dB.
const VST3_WITHIN_DB: f64 = 0.01;
const CLAP_WITHIN_DB: f64 = 0.02;
/// Three steps of 32 frames down the steeper line.
const DENSE_WITHIN_DB: f64 = 0.024;
/// Range of push, dB.
const MOST_DB: f64 = 18.0;

/// The curve in closed form, dB.
fn push_db(frame: usize) -> f64 {
    let after = CORNERS.iter().position(|(at, _)| frame < *at);
    match after {
        Some(0) => CORNERS[0].1,
        None => CORNERS[CORNERS.len() - 1].1,
        Some(index) => {
            let ((from, start), (to, end)) = (CORNERS[index - 1], CORNERS[index]);
            start + (end - start) * (frame - from) as f64 / (to - from) as f64
        }
    }
}

/// The furthest that what is heard strays from the curve, later by the latency, dB.
fn furthest_db(heard: &[Vec<f32>], latency: usize) -> f64 {
    heard
        .iter()
        .flat_map(|channel| channel[latency..].iter().enumerate())
        .map(|(frame, sample)| {
            let gain_db = 20.0 * f64::from(*sample / LEVEL).log10();
            (gain_db - push_db(frame)).abs()
        })
        .fold(0.0, f64::max)
}

fn constant() -> Vec<Vec<f32>> {
    vec![vec![LEVEL; FRAMES]; 2]
}

// `ivstparameterchanges.h`: straight lines between the points; a point at the end of each block and
// wherever the curve bends.
#[test]
fn a_vst3_host_draws_the_curve_with_a_point_at_the_end_of_each_block() {
    for block in BLOCKS {
        let mut host = Vst3Host::new(2, block);
        let id = host.param("Push").id;
        let bends = CORNERS.iter().map(|(frame, _)| *frame);
        let ends = (0..FRAMES).step_by(block).map(|start| start + block - 1);
        let mut frames: Vec<_> = ends.chain(bends).filter(|it| *it < FRAMES).collect();
        frames.sort_unstable();
        frames.dedup();
        let point = |&frame: &usize| Point {
            frame,
            id,
            value: push_db(frame) / MOST_DB,
        };
        let points: Vec<_> = frames.iter().map(point).collect();
        let heard = host.run(&constant(), &[block], &points);
        let furthest_db = furthest_db(&heard, rig::raw_host::RawHost::latency(&host.raw));
        println!("VST3, blocks of {block}: {furthest_db:.3} dB");
        assert!(
            furthest_db <= VST3_WITHIN_DB,
            "blocks of {block}: {furthest_db}"
        );
    }
}

/// The furthest that push strays where `others` move as well, all with a point every `spacing`.
fn dense_furthest_db(block: usize, spacing: usize, others: &[&str]) -> f64 {
    let mut host = Vst3Host::new(2, block);
    let push = host.param("Push").id;
    let others: Vec<_> = others.iter().map(|name| host.param(name).id).collect();
    let at = |frame: usize| {
        let value = |id: u32| {
            if id == push {
                push_db(frame) / MOST_DB
            } else {
                frame as f64 / FRAMES as f64
            }
        };
        let ids = others.iter().copied().chain([push]);
        ids.map(move |id| Point {
            frame,
            id,
            value: value(id),
        })
        .collect::<Vec<_>>()
    };
    let points: Vec<_> = (0..FRAMES).step_by(spacing).flat_map(at).collect();
    let heard = host.run(&constant(), &[block], &points);
    furthest_db(&heard, rig::raw_host::RawHost::latency(&host.raw))
}

// A host may pass a point a frame, in blocks as long as it likes.
#[test]
fn a_vst3_host_may_draw_the_curve_with_more_points_than_are_taken() {
    const OTHERS: [&str; 3] = [
        "Low crossover",
        "High crossover",
        "Restart when playback starts",
    ];
    for (block, spacing, others) in [
        (1_024, 1, &OTHERS[..0]),
        (8_192, 1, &OTHERS[..0]),
        (65_536, 1, &OTHERS[..0]),
        (8_192, 4, &OTHERS),
    ] {
        let furthest_db = dense_furthest_db(block, spacing, others);
        println!("VST3, blocks of {block}, a point every {spacing}: {furthest_db:.3} dB");
        assert!(
            furthest_db <= DENSE_WITHIN_DB,
            "blocks of {block}: {furthest_db}"
        );
    }
}

fn clap_furthest_db(block: usize, spacing: usize) -> f64 {
    let mut host = linked();
    host.activate(RATE_HZ as f64, block).unwrap();
    let push = host.param("Push").unwrap();
    let changes: Vec<_> = (0..FRAMES)
        .step_by(spacing)
        .map(|frame| Change {
            frame,
            id: push.id,
            value: push_db(frame) / MOST_DB,
        })
        .collect();
    let heard = host
        .run(Run {
            changes: &changes,
            ..Run::new(&constant(), &[block])
        })
        .unwrap();
    furthest_db(&heard, host.latency().unwrap())
}

// clap/events.h: an event holds from its frame on; a curve is drawn with many of them.
#[test]
fn a_clap_host_draws_the_curve_with_an_event_every_64_frames() {
    for block in BLOCKS {
        let furthest_db = clap_furthest_db(block, 64);
        println!("CLAP, blocks of {block}: {furthest_db:.3} dB");
        assert!(
            furthest_db <= CLAP_WITHIN_DB,
            "blocks of {block}: {furthest_db}"
        );
    }
}

// One value a block is a staircase: what is heard lags by a block at the most, and by nothing of
// ours on top of that.
#[test]
fn a_host_that_sets_one_value_a_block_is_followed_at_once() {
    for block in [512, 2_048, 4_096] {
        let step_db = 12.0 * block as f64 / RATE_HZ as f64;
        let clap_db = clap_furthest_db(block, block);
        let mut host = Vst3Host::new(2, block);
        let id = host.param("Push").id;
        let point = |frame| Point {
            frame,
            id,
            value: push_db(frame) / MOST_DB,
        };
        let points: Vec<_> = (0..FRAMES).step_by(block).map(point).collect();
        let heard = host.run(&constant(), &[block], &points);
        let vst3_db = furthest_db(&heard, rig::raw_host::RawHost::latency(&host.raw));
        println!("blocks of {block}: CLAP {clap_db:.3} dB, VST3 {vst3_db:.3} dB of {step_db:.3}");
        for furthest_db in [clap_db, vst3_db] {
            assert!(furthest_db <= step_db + 0.01, "{block}: {furthest_db}");
        }
    }
}

// A parameter with steps does not glide: it is on from the point on, however many points others
// have, and off again, if only for a moment.
#[test]
fn a_switch_in_vst3_jumps_at_its_points() {
    for pushes in [1, 3_000] {
        let mut host = Vst3Host::new(2, 4_096);
        let id = host.param("Bypass").id;
        let push = host.param("Push").id;
        let at = 3_000;
        let pushed = |frame| Point {
            frame,
            id: push,
            value: 1.0 / 3.0,
        };
        let moment = [(2_500, 1.0), (2_526, 0.0)];
        let switches = moment.into_iter().chain([(at, 1.0), (at + 8, 1.0)]);
        let switched = switches.map(|(frame, value)| Point { frame, id, value });
        let mut points: Vec<_> = (0..pushes).map(pushed).chain(switched).collect();
        points.sort_by_key(|point| point.frame);
        let heard = host.run(&constant(), &[4_096], &points);
        let latency = rig::raw_host::RawHost::latency(&host.raw);
        let gain_db = |frame: usize| 20.0 * f64::from(heard[0][frame] / LEVEL).log10();
        // What is heard changes where the switch is, not where its sound arrives; it fades in 20 ms.
        assert!((gain_db(2_499) - 6.0).abs() < 0.01, "{}", gain_db(2_499));
        assert!(gain_db(2_526) < 5.999, "{}", gain_db(2_526));
        assert!((gain_db(at - 1) - 6.0).abs() < 0.01, "{}", gain_db(at - 1));
        assert!(gain_db(at + 480) < 5.0, "{}", gain_db(at + 480));
        assert!(gain_db(at + 970).abs() < 0.01, "{}", gain_db(at + 970));
        assert!(latency < 2_499);
    }
}
