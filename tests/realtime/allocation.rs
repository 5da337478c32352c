//! Processing a block neither allocates nor frees memory: in the engine, and in the plug-in as a
//! host calls it.
//!
//! Every allocation of this program goes through [`Counting`]. It counts what a thread does while
//! that thread is being watched; the plug-in is linked in, so nothing that it does escapes. The
//! last tests show that an allocation would be noticed.
//!
//! With debug assertions the framework's own guard holds the one place there is for an allocator,
//! in all tests: it ends the process if the audio thread allocates. So these count in an optimised
//! build.

#![cfg_attr(
    debug_assertions,
    allow(dead_code, reason = "the allocator is the framework's then")
)]

use crate::scenes::{blocks_of_every_shape, engine, side_chains_that_end};
use crate::{BLOCK_SIZES, LAYOUTS, active_host, every_parameter, noise, switched_on};
use crestline_core::engine::{Engine, EngineSpec, Settings, TapSettings};
use crestline_core::handover::{AuditionLoop, audition, tap};
use crestline_core::measure::RestGain;
use crestline_core::process::ListenSettings;
use kit::automation::automation;
use kit::pause::pause;
use proptest::prelude::*;
use rig::clap_host::Run;
use rig::vst3_host::{Param, Point, Vst3Host};
use std::alloc::{GlobalAlloc, Layout, System};
use std::backtrace::Backtrace;
use std::cell::{Cell, RefCell};

tests![
    the_plug_in_plays_without_allocating_from_its_first_block_on,
    the_plug_in_follows_every_line_in_vst3_without_allocating,
    the_plug_in_follows_every_parameter_without_allocating,
    the_plug_in_plays_with_everything_switched_on_without_allocating,
    bad_samples_do_not_make_the_plug_in_allocate,
    no_shape_of_a_block_makes_the_plug_in_allocate,
    a_side_chain_that_ends_does_not_make_the_plug_in_allocate,
    the_engine_plays_without_allocating,
    no_automation_makes_the_engine_allocate,
    a_tap_is_handed_over_without_allocating,
    references_are_handed_over_and_back_without_allocating,
    the_engine_plays_for_a_quarter_of_an_hour_without_allocating,
    an_allocation_would_be_counted,
    plays_with_a_deliberate_allocation,
    an_allocation_on_the_audio_thread_would_fail_this_test,
];

thread_local! {
    static WATCHED: Cell<bool> = const { Cell::new(false) };
    static COUNT: Cell<Count> = const { Cell::new(Count { allocated: 0, freed: 0 }) };
    static FIRST: RefCell<Option<Backtrace>> = const { RefCell::new(None) };
}

/// What happened while a thread was watched.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Count {
    allocated: usize,
    freed: usize,
}

struct Counting;

impl Counting {
    fn note(allocated: usize, freed: usize) {
        // Nobody is watched while a thread is torn down.
        if !WATCHED.try_with(Cell::get).unwrap_or(false) {
            return;
        }
        let count = COUNT.get();
        COUNT.set(Count {
            allocated: count.allocated + allocated,
            freed: count.freed + freed,
        });
        if count == Count::default() {
            // Taking a backtrace allocates, and must not count itself.
            WATCHED.set(false);
            FIRST.set(Some(Backtrace::force_capture()));
            WATCHED.set(true);
        }
    }
}

#[expect(unsafe_code, reason = "an allocator can only be made this way")]
// SAFETY: everything is passed on to the system's allocator as it is.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        Self::note(1, 0);
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        Self::note(0, 1);
        unsafe { System.dealloc(pointer, layout) }
    }
    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        Self::note(1, 1);
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[cfg(not(debug_assertions))]
#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// What `work` allocates and frees on this thread.
fn count(work: &mut dyn FnMut()) -> Count {
    COUNT.set(Count::default());
    WATCHED.set(true);
    work();
    WATCHED.set(false);
    COUNT.get()
}

/// Does `work`, which must neither allocate nor free.
fn watched(work: &mut dyn FnMut()) {
    let count = count(work);
    if count != Count::default() {
        let first = FIRST.take().unwrap();
        panic!("on the audio thread: {count:?}, first here:\n{first}");
    }
}

fn the_plug_in_plays_without_allocating_from_its_first_block_on() {
    for channels in LAYOUTS {
        for rate in [44_100.0, 96_000.0] {
            let mut host = active_host(channels, rate);
            let (main, side) = (
                noise(channels, 100_000, 1.0, 1),
                noise(channels, 100_000, 1.0, 2),
            );
            for side_chain in [None, Some(side.as_slice()), None] {
                host.run(Run {
                    side_chain,
                    around: watched,
                    ..Run::new(&main, &BLOCK_SIZES)
                })
                .unwrap();
            }
        }
    }
}

/// The same in VST3: lines between points, edits, readings that are told.
fn the_plug_in_follows_every_line_in_vst3_without_allocating() {
    let mut host = Vst3Host::new(2, 1_024);
    let free: Vec<_> = host.params().into_iter().filter(Param::is_free).collect();
    let points: Vec<_> = (1..400)
        .flat_map(|step| {
            let share = 0.618 * step as f64;
            free.iter().take(8 + step % 40).map(move |param| Point {
                frame: 300 * step,
                id: param.id,
                value: share.fract(),
            })
        })
        .collect();
    let main = noise(2, 130_000, 1.0, 5);
    host.raw.around = watched;
    host.edit(free[5].id, 0.5);
    host.run(&main, &BLOCK_SIZES, &points);
    assert!(!host.raw.told.is_empty());
}

fn the_plug_in_follows_every_parameter_without_allocating() {
    for channels in LAYOUTS {
        let mut host = active_host(channels, 48_000.0);
        let changes = every_parameter(&mut host);
        let frames = 150 * changes.len() + 20_000;
        let (main, side) = (
            noise(channels, frames, 1.0, 3),
            noise(channels, frames, 0.5, 4),
        );
        for (side_chain, playing) in [(None, false), (Some(side.as_slice()), true), (None, true)] {
            let run = Run {
                side_chain,
                playing,
                changes: &changes,
                around: watched,
                ..Run::new(&main, &BLOCK_SIZES)
            };
            host.run(run).unwrap();
            host.reset();
        }
    }
}

fn the_plug_in_plays_with_everything_switched_on_without_allocating() {
    let mut host = active_host(2, 48_000.0);
    let changes = switched_on(&mut host);
    let main = noise(2, 480_000, 1.0, 5);
    host.run(Run {
        changes: &changes,
        around: watched,
        ..Run::new(&main, &BLOCK_SIZES)
    })
    .unwrap();
}

fn bad_samples_do_not_make_the_plug_in_allocate() {
    let mut host = active_host(2, 48_000.0);
    let mut main = noise(2, 48_000, 1.0, 6);
    for (frame, bad) in [f32::NAN, f32::INFINITY, f32::MAX, f32::from_bits(1)]
        .into_iter()
        .enumerate()
    {
        main[frame % 2][1_000 * frame..][..700].fill(bad);
    }
    host.run(Run {
        side_chain: Some(&main),
        around: watched,
        ..Run::new(&main, &BLOCK_SIZES)
    })
    .unwrap();
}

fn no_shape_of_a_block_makes_the_plug_in_allocate() {
    blocks_of_every_shape(watched);
}

fn a_side_chain_that_ends_does_not_make_the_plug_in_allocate() {
    side_chains_that_end(watched);
}

fn the_engine_plays_without_allocating() {
    for channels in LAYOUTS {
        for sample_rate_hz in [8_000.0, 44_100.0, 47_952.048, 192_000.0] {
            engine(
                watched,
                EngineSpec {
                    sample_rate_hz,
                    channels,
                },
                4,
                |block| Settings {
                    playing: block % 3 > 0,
                    tap: TapSettings {
                        on: block % 700 > 100,
                        rest_gain: if block % 2 > 0 {
                            RestGain::Automatic
                        } else {
                            RestGain::Known(1.0)
                        },
                    },
                    ..Settings::default()
                },
            );
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

fn no_automation_makes_the_engine_allocate(steps in automation(), sizes in prop::collection::vec(1_usize..1_024, 1..8)) {
        let mut engine = Engine::new(EngineSpec { sample_rate_hz: 48_000.0, channels: 2 });
        let noise = noise(2, 1_024, 0.8, 10);
        let mut buffer = noise.clone();
        let mut sizes = sizes.iter().cycle();
        for (frames, settings) in steps {
            let mut left = frames;
            while left > 0 {
                let size = left.min(*sizes.next().unwrap());
                let [first, second] = &mut buffer[..] else { unreachable!() };
                first.copy_from_slice(&noise[0]);
                second.copy_from_slice(&noise[1]);
                watched(&mut || {
                    engine.process(&mut [&mut first[..size], &mut second[..size]], &[], &settings);
                });
                left -= size;
            }
        }
    }
}

fn a_tap_is_handed_over_without_allocating() {
    for channels in LAYOUTS {
        let (mut writer, thread) = tap(48_000.0, channels).unwrap();
        let noise = noise(channels, 256, 0.5, 9);
        let signal: Vec<&[f32]> = noise.iter().map(Vec::as_slice).collect();
        // The worker makes room once it has heard something.
        writer.begin();
        while writer.behind_frames() == 0 {
            watched(&mut || writer.write(&signal, &signal));
            pause(std::time::Duration::from_millis(1));
        }
        let side_chain = thread.side_chain();
        side_chain.begin();
        for block in 0_u32..4_000 {
            watched(&mut || {
                if writer.is_captured() {
                    writer.capture(&signal);
                }
                if block.is_multiple_of(1_000) {
                    writer.end();
                    writer.begin();
                    writer.restart();
                }
                writer.set(
                    RestGain::Automatic,
                    [100.0 + f64::from(block / 500), 1_000.0, 6_000.0],
                );
                writer.write(&signal, &signal);
                std::hint::black_box(writer.told());
            });
        }
        drop(thread);
    }
}

fn references_are_handed_over_and_back_without_allocating() {
    for channels in LAYOUTS {
        let (mut sender, receiver) = audition();
        let spec = EngineSpec {
            sample_rate_hz: 48_000.0,
            channels,
        };
        let mut engine = Engine::new(spec).with_audition(receiver);
        let noise = noise(channels, 150_000, 0.5, 11);
        let mut buffer = noise.clone();
        for block in 0..800 {
            // Twice in a row, so that one comes back while the last one has not been fetched.
            match block % 40 {
                0 | 1 | 9 => {
                    let made = AuditionLoop::new(48_000.0, channels, noise.clone()).unwrap();
                    sender.send(made).unwrap();
                }
                30 => sender.clear(),
                _ => {}
            }
            let settings = Settings {
                listen: ListenSettings {
                    reference: block % 3 > 0,
                    matched: block % 5 > 2,
                    solo: [block % 7 == 3, block % 11 > 7, false, false],
                    ..ListenSettings::default()
                },
                ..Settings::default()
            };
            let mut views: Vec<_> = buffer
                .iter_mut()
                .map(|channel| &mut channel[..BLOCK_SIZES[block % BLOCK_SIZES.len()]])
                .collect();
            watched(&mut || {
                engine.process(&mut views, &[], &settings);
                std::hint::black_box(engine.snapshot());
            });
        }
    }
}

/// Histories that grow would have to grow by then.
fn the_engine_plays_for_a_quarter_of_an_hour_without_allocating() {
    let mut engine = Engine::new(EngineSpec {
        sample_rate_hz: 8_000.0,
        channels: 1,
    });
    let noise = noise(1, 1_024, 0.5, 8);
    let mut buffer = noise.clone();
    for _ in 0..15 * 60 * 8_000 / 1_024 {
        buffer[0].copy_from_slice(&noise[0]);
        watched(&mut || {
            engine.process(&mut [&mut buffer[0]], &[], &Settings::default());
            std::hint::black_box(engine.snapshot());
        });
    }
}

fn an_allocation_would_be_counted() {
    assert_eq!(count(&mut || ()), Count::default());
    let mut kept = None;
    assert_eq!(
        count(&mut || kept = Some(std::hint::black_box(Box::new(1)))),
        Count {
            allocated: 1,
            freed: 0
        }
    );
    assert_eq!(
        count(&mut || drop(std::hint::black_box(kept.take()))),
        Count {
            allocated: 0,
            freed: 1
        }
    );
    let mut grows = vec![0_u8; 10];
    let grown = count(&mut || std::hint::black_box(&mut grows).reserve_exact(1_000));
    assert_eq!(
        grown,
        Count {
            allocated: 1,
            freed: 1
        }
    );
}

/// Set for a child process that is meant to fail.
const DELIBERATE: &str = "CRESTLINE_ALLOCATE_ON_THE_AUDIO_THREAD";

/// Passes, unless it was told to allocate: then the allocation must make it fail.
fn plays_with_a_deliberate_allocation() {
    let mut host = active_host(2, 48_000.0);
    let main = noise(2, 4_096, 0.5, 9);
    let around: fn(&mut dyn FnMut()) = if std::env::var_os(DELIBERATE).is_some() {
        |process| {
            watched(&mut || {
                process();
                drop(std::hint::black_box(Box::new([0_u8; 64])));
            });
        }
    } else {
        watched
    };
    host.run(Run {
        around,
        ..Run::new(&main, &[512])
    })
    .unwrap();
}

fn an_allocation_on_the_audio_thread_would_fail_this_test() {
    let child = |deliberate: bool| {
        let mut command = std::process::Command::new(std::env::current_exe().unwrap());
        command
            .args([
                "--exact",
                "allocation::plays_with_a_deliberate_allocation",
                "--nocapture",
            ])
            .env_remove(DELIBERATE);
        if deliberate {
            command.env(DELIBERATE, "1");
        }
        let output = command.output().unwrap();
        (
            output.status.success(),
            String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned(),
        )
    };
    let (passed, printed) = child(false);
    assert!(passed && printed.contains("1 passed"), "{printed}");
    let (passed, printed) = child(true);
    assert!(!passed, "{printed}");
    assert!(printed.contains("allocated: 1, freed: 1"), "{printed}");
}
