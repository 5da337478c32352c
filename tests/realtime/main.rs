//! What an audio thread may not do while it processes a block: allocate or free memory, and make a
//! system call, which is the only way to wait. One module a promise.

#![allow(
    clippy::cast_sign_loss,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test stops at the first thing that goes wrong, and says what it has measured"
)]

mod allocation;
mod system_calls;
#[cfg(all(target_os = "linux", target_arch = "x86_64"))]
mod trap;

use clack_extensions::params::ParamInfoFlags;
use kit::signals::white_noise;
use rig::clap_host::{Change, ClapHost};

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
