//! While a block is processed the audio thread makes no system call, whatever the rest of the
//! process does meanwhile: in both formats, with everything switched on, and with the window open
//! and a forecast under way.
//!
//! All ways to wait end in a call: for a lock that another holds, for a file, for time to pass. So
//! does giving the scheduler a hint. What [`trap`](crate::trap) notices, the last tests show.

use crate::scenes::{blocks_of_every_shape, engine, side_chains_that_end};
use crate::trap::{first_call, first_call_among_frozen, is_possible};
use crate::{BLOCK_SIZES, LAYOUTS, active_host, every_parameter, noise, switched_on};
use crestline_core::engine::{EngineSpec, Settings};
use kit::pause::pause;
use kit::skip::skip;
use rig::clap_host::{Change, ClapHost, Result, Run};
use rig::screen::{HostWindow, on_a_screen};
use rig::vst3_host::{Param, Point, Vst3Host};
use std::cell::Cell;
use std::fs;
use std::hint::black_box;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// One block of so many is processed while all other threads stand still.
const ONE_OF: u32 = 16;

tests![
    the_plug_in_plays_without_a_system_call_while_the_host_asks_it_everything,
    the_plug_in_plays_without_a_system_call_in_vst3,
    no_shape_of_a_block_makes_the_plug_in_call_the_system,
    a_side_chain_that_ends_does_not_make_the_plug_in_call_the_system,
    the_engine_plays_without_a_system_call,
    no_system_call_while_the_window_draws_and_a_forecast_is_made,
    system_calls_would_be_noticed,
    a_lock_that_others_take_would_be_noticed,
];

thread_local! {
    static BLOCKS: Cell<u32> = const { Cell::new(0) };
}

/// Processes a block, which must make no system call.
fn watched(process: &mut dyn FnMut()) {
    let block = BLOCKS.replace(BLOCKS.get().wrapping_add(1));
    let call = if block.is_multiple_of(ONE_OF) {
        first_call_among_frozen(process)
    } else {
        first_call(process)
    };
    if let Some(number) = call {
        panic!(
            "block {block}: system call {number} (asm/unistd_64.h); gdb stops at `catch syscall`"
        );
    }
}

/// About as fast as in a room.
fn watched_in_real_time(process: &mut dyn FnMut()) {
    pause(Duration::from_millis(5));
    watched(process);
}

/// Does `work`, or says that this system cannot. One test at a time: each stops the threads of all.
fn where_possible(test: &str, work: impl FnOnce()) {
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _turn = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    if is_possible() {
        work();
    } else {
        let hint = "the kernel hands no system calls to the program; Linux does from 5.11 on";
        skip(test, hint);
    }
}

/// What a host's main thread asks of the plug-in while audio runs.
fn ask_everything(host: &mut ClapHost) -> Result<()> {
    let state = host.save()?;
    host.load_state(&state)?;
    for param in host.params()? {
        let value = host.value(param.id)?;
        host.text(param.id, value)?;
    }
    host.latency()?;
    host.idle()
}

fn the_plug_in_plays_without_a_system_call_while_the_host_asks_it_everything() {
    where_possible("system calls of the audio thread, CLAP", || {
        for channels in LAYOUTS {
            let mut host = active_host(channels, 48_000.0);
            let mut changes = switched_on(&mut host);
            let switched = changes.len();
            changes.extend(every_parameter(&mut host));
            let frames = 150 * (changes.len() - switched) + 20_000;
            let (main, side) = (
                noise(channels, frames, 1.0, 3),
                noise(channels, frames, 0.5, 4),
            );
            for side_chain in [None, Some(side.as_slice())] {
                let run = Run {
                    side_chain,
                    changes: &changes,
                    around: watched,
                    ..Run::new(&main, &BLOCK_SIZES)
                };
                let mut asked = 0;
                host.run_during(run, |host| {
                    let start = Instant::now();
                    while asked < 5 || start.elapsed() < Duration::from_millis(400) {
                        ask_everything(host)?;
                        asked += 1;
                    }
                    Ok(())
                })
                .unwrap();
            }
        }
    });
}

fn the_plug_in_plays_without_a_system_call_in_vst3() {
    where_possible("system calls of the audio thread, VST3", || {
        let mut host = Vst3Host::new(2, 1_024);
        let free: Vec<_> = host.params().into_iter().filter(Param::is_free).collect();
        let points: Vec<_> = (1..300)
            .flat_map(|step| {
                let value = (0.618 * step as f64).fract();
                free.iter().take(8 + step % 40).map(move |param| Point {
                    frame: 300 * step,
                    id: param.id,
                    value,
                })
            })
            .collect();
        host.raw.around = watched;
        host.edit(free[5].id, 0.5);
        host.run(&noise(2, 100_000, 1.0, 5), &BLOCK_SIZES, &points);
    });
}

fn no_shape_of_a_block_makes_the_plug_in_call_the_system() {
    where_possible(
        "system calls of the audio thread, blocks of every shape",
        || {
            blocks_of_every_shape(watched);
        },
    );
}

fn a_side_chain_that_ends_does_not_make_the_plug_in_call_the_system() {
    where_possible(
        "system calls of the audio thread, side-chains that end",
        || {
            side_chains_that_end(watched);
        },
    );
}

fn the_engine_plays_without_a_system_call() {
    where_possible("system calls of the audio thread, the engine", || {
        for channels in LAYOUTS {
            let spec = EngineSpec {
                sample_rate_hz: 48_000.0,
                channels,
            };
            engine(watched, spec, 2, |_| Settings::default());
        }
    });
}

/// Time that the worker of the process has worked, seconds (proc(5), `/proc/pid/stat`).
fn worked_s() -> Result<f64> {
    const TICKS_PER_S: f64 = 100.0;
    for task in fs::read_dir("/proc/self/task")? {
        let stat = fs::read_to_string(task?.path().join("stat")).unwrap_or_default();
        if let Some((_, fields)) = stat.split_once("(crestline work) ") {
            let ticks = fields.split(' ').skip(11).take(2).map(str::parse::<f64>);
            return Ok(ticks.sum::<std::result::Result<f64, _>>()? / TICKS_PER_S);
        }
    }
    Err("the worker has no thread".into())
}

fn no_system_call_while_the_window_draws_and_a_forecast_is_made() {
    /// What must have happened meanwhile: pictures of the window, and work of the worker, which has
    /// none but the forecast once the tap is off.
    const PICTURES: usize = 12;
    const WORK_S: f64 = 0.1;
    /// A busy machine may take so long over it.
    const PATIENCE: Duration = Duration::from_mins(10);
    where_possible("system calls of the audio thread, window open", || {
        on_a_screen(
            "system_calls::no_system_call_while_the_window_draws_and_a_forecast_is_made",
            || {
                // In the process of its own, too.
                assert!(is_possible());
                let mut host = active_host(2, 48_000.0);
                let window = HostWindow::show(host.window_size()?)?;
                host.open_window(window.id())?;
                // A forecast is made of ten seconds at least.
                let start = noise(2, 12 * 48_000, 0.5, 6);
                let changes = switched_on(&mut host);
                host.run(Run {
                    side_chain: Some(&start),
                    changes: &changes,
                    around: watched,
                    ..Run::new(&start, &[512])
                })?;
                let rest = noise(2, 60 * 48_000, 0.5, 7);
                let tap_off = Change {
                    frame: 0,
                    id: host.param("Side-chain carries the signal from before")?.id,
                    value: 0.0,
                };
                let stop = AtomicBool::new(false);
                let before_s = worked_s()?;
                let mut pictures = Vec::new();
                let mut work_s = 0.0;
                let played = host.run_during(
                    Run {
                        side_chain: Some(&rest),
                        changes: &[tap_off],
                        around: watched_in_real_time,
                        stop: Some(&stop),
                        ..Run::new(&rest, &[256])
                    },
                    |host| {
                        let since = Instant::now();
                        while since.elapsed() < PATIENCE
                            && (pictures.len() < PICTURES || work_s < WORK_S)
                        {
                            ask_everything(host)?;
                            let picture = window.picture()?;
                            if pictures.last() != Some(&picture) {
                                pictures.push(picture);
                            }
                            pause(Duration::from_millis(40));
                            work_s = worked_s()? - before_s;
                        }
                        stop.store(true, Ordering::Relaxed);
                        Ok(())
                    },
                )?;
                println!(
                    "window: no system call in {:.1} s of audio, {} pictures, worker busy for {work_s:.1} s",
                    played[0].len() as f64 / 48_000.0,
                    pictures.len()
                );
                assert!(pictures.len() >= PICTURES && work_s >= WORK_S);
                host.close_window()
            },
        );
    });
}

fn system_calls_would_be_noticed() {
    where_possible("system calls that are made on purpose", || {
        assert_eq!(first_call(&mut || ()), None);
        let parent = first_call(&mut || {
            black_box(std::os::unix::process::parent_id());
        });
        assert_eq!(parent, Some(libc::SYS_getppid));
        // What is watched goes on as it would have.
        let mut written = 0;
        let write = first_call(&mut || {
            written = black_box(fs::read("/proc/self/comm")).map_or(0, |read| read.len());
        });
        assert!(write.is_some() && written > 0);
        let (lock, never) = (Mutex::new(()), Condvar::new());
        let wait = first_call(&mut || {
            drop(never.wait_timeout(lock.lock().unwrap(), Duration::from_micros(1)));
        });
        assert_eq!(wait, Some(libc::SYS_futex));
        assert_eq!(
            first_call(&mut std::thread::yield_now),
            Some(libc::SYS_sched_yield)
        );
        // Far more than the allocator keeps at hand.
        let grown = first_call(&mut || drop(black_box(vec![1_u8; 100 << 20])));
        assert_eq!(grown, Some(libc::SYS_mmap));
        assert_eq!(first_call(&mut || ()), None);
    });
}

fn a_lock_that_others_take_would_be_noticed() {
    where_possible("locks that are taken on purpose", || {
        let (lock, over) = (Mutex::new(0_u64), AtomicBool::new(false));
        std::thread::scope(|scope| {
            scope.spawn(|| {
                while !over.load(Ordering::Relaxed) {
                    let mut held = lock.lock().unwrap();
                    (0..1_000).for_each(|n| *held = black_box(held.wrapping_add(n)));
                }
            });
            let mut take = || drop(black_box(lock.lock()));
            let found = (0..1_000).find_map(|_| first_call_among_frozen(&mut take));
            over.store(true, Ordering::Relaxed);
            assert_eq!(found, Some(libc::SYS_futex));
        });
        // A free one is taken without a call: this is what others standing still is for.
        assert_eq!(first_call(&mut || drop(black_box(lock.lock()))), None);
    });
}
