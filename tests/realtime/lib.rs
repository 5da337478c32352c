//! What an audio thread may not do while it processes a block: allocate or free memory, and make a
//! system call, which is the only way to wait. One module a promise.
//!
//! A library of its own, with a test program and a program around it: optimised, as `cargo xtask
//! check` runs it, it is built from what the bundle is built from, and nothing is built twice.

#![allow(
    clippy::cast_sign_loss,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test stops at the first thing that goes wrong, and says what it has measured"
)]

/// The tests of a module, by their names.
macro_rules! tests {
    ($($name:ident),* $(,)?) => {
        pub const TESTS: &[(&str, fn())] = &[$((concat!(module_path!(), "::", stringify!($name)), $name)),*];
    };
}

mod allocation;
mod scenes;
#[cfg(all(target_os = "linux", target_arch = "x86_64"))]
mod system_calls;
#[cfg(all(target_os = "linux", target_arch = "x86_64"))]
mod trap;

use clack_extensions::params::ParamInfoFlags;
use kit::signals::white_noise;
use libtest_mimic::{Arguments, Trial};
use rig::clap_host::{Change, ClapHost};
use std::process::ExitCode;

/// Runs the tests that the arguments ask for, which are those of any test program.
pub fn run() -> ExitCode {
    let allocation = allocation::TESTS.iter().map(|(name, test)| {
        // See the module's head.
        trial(name, *test).with_ignored_flag(cfg!(debug_assertions))
    });
    #[cfg(all(target_os = "linux", target_arch = "x86_64"))]
    let system_calls = system_calls::TESTS;
    #[cfg(not(all(target_os = "linux", target_arch = "x86_64")))]
    let system_calls: &[(&str, fn())] = &[];
    let system_calls = system_calls.iter().map(|(name, test)| trial(name, *test));
    let all = allocation.chain(system_calls).collect();
    libtest_mimic::run(&Arguments::from_args(), all).exit_code()
}

/// A test without the name of this library.
fn trial(name: &str, test: fn()) -> Trial {
    let name = name.split_once("::").map_or(name, |(_, name)| name);
    Trial::test(name, move || {
        test();
        Ok(())
    })
}

const LAYOUTS: [usize; 2] = [2, 1];
const BLOCK_SIZES: [usize; 8] = [512, 1, 64, 1_024, 7, 512, 333, 32];

/// White noise of its own for each channel.
fn noise(channels: usize, frames: usize, peak: f32, seed: u64) -> Vec<Vec<f32>> {
    let channel = |channel| white_noise(100 * seed + channel as u64, f64::from(peak), frames);
    (0..channels).map(channel).collect()
}

fn active_host(channels: usize, sample_rate_hz: f64) -> ClapHost {
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    let layouts = host.layouts().unwrap();
    let layout = layouts
        .iter()
        .find(|layout| layout.main_input_channels as usize == channels)
        .unwrap();
    host.select_layout(layout.id).unwrap();
    host.activate(sample_rate_hz, 1_024).unwrap();
    host
}

/// Every parameter in turn to the top, the bottom and the middle of its range, one every 150
/// frames.
fn every_parameter(host: &mut ClapHost) -> Vec<Change> {
    let params = host.params().unwrap();
    let free = params
        .iter()
        .filter(|param| !param.flags.contains(ParamInfoFlags::IS_READONLY));
    let values = free.flat_map(|param| {
        let (low, high) = (*param.range.start(), *param.range.end());
        [
            high,
            low,
            low + ((high - low) / 2.0).floor(),
            0.3 * low + 0.7 * high,
        ]
        .map(|value| (param.id, value))
    });
    values
        .enumerate()
        .map(|(index, (id, value))| Change {
            frame: 150 * index,
            id,
            value,
        })
        .collect()
}

/// All switches on, except those that take the rest out of the path or restart the measurement.
fn switched_on(host: &mut ClapHost) -> Vec<Change> {
    let params = host.params().unwrap();
    let spared = ["Bypass", "Restart measurement"];
    let switches = params.iter().filter(|param| {
        param.flags.contains(ParamInfoFlags::IS_STEPPED)
            && param.range == (0.0..=1.0)
            && !spared.contains(&param.name.as_str())
    });
    switches
        .map(|param| Change {
            frame: 0,
            id: param.id,
            value: 1.0,
        })
        .collect()
}
