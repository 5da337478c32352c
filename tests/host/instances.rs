//! Many instances in one process, as a large session has them: one thread for all, and little memory
//! each. Linux only: there a process can be asked what it holds (proc(5)).
#![cfg(target_os = "linux")]

use kit::pause::pause;
use kit::signals::white_noise;
use rig::clap_host::{Change, ClapHost, Result, Run};
use rig::raw_host::{RawHost, RawVst3};
use std::fs;
use std::io::Write;
use std::process::Command;
use std::time::Duration;

const RATE_HZ: f64 = 48_000.0;
const BLOCK: usize = 512;
const INSTANCES: usize = 20;
const MIB: f64 = 1_048_576.0;
/// What an instance may hold, averaged over all.
const MOST_MIB: f64 = 16.0;

/// Runs a test of this file in a process of its own: what others hold would count as well.
fn alone(test: &str, work: fn() -> Result<()>) {
    const CHILD: &str = "CRESTLINE_INSTANCES_TEST";
    if std::env::var_os(CHILD).is_some() {
        return work().unwrap();
    }
    let output = Command::new(std::env::current_exe().unwrap())
        .args([&format!("instances::{test}"), "--exact", "--nocapture"])
        .env(CHILD, "1")
        // What is given back goes back to the system at once, so that what the process holds is
        // what is in use.
        .env("GLIBC_TUNABLES", "glibc.malloc.mmap_threshold=131072:glibc.malloc.trim_threshold=131072:glibc.malloc.arena_max=1")
        .output()
        .unwrap();
    let printed = String::from_utf8_lossy(&output.stdout);
    let complained = String::from_utf8_lossy(&output.stderr);
    let status = output.status;
    assert!(status.success(), "{status}\n{printed}\n{complained}");
    for line in printed.lines().filter(|line| line.contains("instances: ")) {
        let _ = writeln!(std::io::stderr(), "{line}");
    }
}

/// Resident memory, MiB.
fn resident_mib() -> Result<f64> {
    const BYTES_PER_PAGE: f64 = 4_096.0;
    let statm = fs::read_to_string("/proc/self/statm")?;
    let pages: f64 = statm.split(' ').nth(1).ok_or("statm")?.parse()?;
    Ok(pages * BYTES_PER_PAGE / MIB)
}

/// Threads of the plug-in's own, by name.
fn threads() -> Result<Vec<String>> {
    let mut names = Vec::new();
    for task in fs::read_dir("/proc/self/task")? {
        // One that ends meanwhile has no name any more.
        let name = fs::read_to_string(task?.path().join("comm")).unwrap_or_default();
        if name.starts_with("crestline") {
            names.push(name.trim().to_owned());
        }
    }
    Ok(names)
}

fn noise(seconds: usize, seed: u64) -> Vec<Vec<f32>> {
    let channel = |channel| white_noise(2 * seed + channel, 0.3, seconds * 48_000);
    (0..2).map(channel).collect()
}

/// Plays to an instance whose tap is on, with or without a side-chain.
fn play(host: &mut ClapHost, input: &[Vec<f32>], side: Option<&[Vec<f32>]>) -> Result<()> {
    let id = host.param("Side-chain carries the signal from before")?.id;
    let on = [Change {
        frame: 0,
        id,
        value: 1.0,
    }];
    let run = Run {
        side_chain: side,
        changes: &on,
        ..Run::new(input, &[BLOCK])
    };
    host.run(run)?;
    Ok(())
}

/// Opens twenty, plays to them, and closes them again. Returns what each held, MiB.
fn session(input: &[Vec<f32>]) -> Result<f64> {
    let empty_mib = resident_mib()?;
    let mut hosts = Vec::new();
    for _ in 0..INSTANCES {
        let mut host = ClapHost::linked(&crestline_plugin::clap_entry)?;
        host.activate(RATE_HZ, BLOCK)?;
        play(&mut host, input, None)?;
        hosts.push(host);
    }
    assert_eq!(threads()?, ["crestline work"]);
    let each_mib = (resident_mib()? - empty_mib) / INSTANCES as f64;

    // Only those whose side-chain carries something need more.
    let before_mib = resident_mib()?;
    for host in &mut hosts[..2] {
        play(host, input, Some(input))?;
    }
    // Time for the worker to look at it, which nothing here depends on.
    pause(Duration::from_secs(1));
    let tapped_mib = (resident_mib()? - before_mib) / 2.0;
    println!("instances: {tapped_mib:.2} MiB more for one with something in its tap");
    assert_eq!(threads()?, ["crestline work"]);
    drop(hosts);
    assert_eq!(threads()?, [""; 0], "a thread outlives the last instance");
    Ok(each_mib)
}

#[test]
fn twenty_share_one_thread_and_take_little_memory() {
    alone("twenty_share_one_thread_and_take_little_memory", || {
        let input = noise(4, 1);
        // What all have in common, such as tables and code, counts for none of them.
        let mut first = ClapHost::linked(&crestline_plugin::clap_entry)?;
        first.activate(RATE_HZ, BLOCK)?;
        play(&mut first, &input, Some(&input))?;
        assert_eq!(threads()?, ["crestline work"]);
        drop(first);
        assert_eq!(threads()?, [""; 0], "a thread outlives the last instance");

        let each_mib = session(&input)?;
        println!("instances: {each_mib:.2} MiB each, taps on and nothing in them");
        assert!(each_mib <= MOST_MIB, "{each_mib} MiB each");
        // Told, not judged: what of this the allocator keeps for later is not known here.
        let kept_mib = resident_mib()?;
        session(&input)?;
        let grown_mib = resident_mib()? - kept_mib;
        println!("instances: {grown_mib:.2} MiB more after a second session");
        Ok(())
    });
}

// ivstaudioprocessor.h: a host may set up and activate on another thread than the one that made the
// instance, as those do that look through plug-ins or load on several threads.
#[test]
fn an_instance_in_vst3_may_go_right_after_it_was_used_on_another_thread() {
    let test = "an_instance_in_vst3_may_go_right_after_it_was_used_on_another_thread";
    alone(test, || {
        let state = RawVst3::inactive().save_in_pieces(usize::MAX);
        for _ in 0..60 {
            let (host, loaded) = RawVst3::inactive().on_another_thread(|host| {
                host.activate(2, BLOCK);
                host.load_in_pieces(&state, usize::MAX)
            });
            assert!(loaded);
            drop(host);
        }
        Ok(())
    });
}

// What a forecast needs is shared by all: an instance for which there was nothing left has it, as
// the host activates it again, once others have gone.
#[test]
fn memory_for_a_forecast_that_others_gave_back_is_taken() {
    alone(
        "memory_for_a_forecast_that_others_gave_back_is_taken",
        || {
            let mut hosts = Vec::new();
            for _ in 0..7 {
                let mut host = ClapHost::linked(&crestline_plugin::clap_entry)?;
                host.activate(RATE_HZ, BLOCK)?;
                hosts.push(host);
            }
            let mut last = hosts.pop().ok_or("no instance")?;
            drop(hosts);
            let before_mib = resident_mib()?;
            last.activate(RATE_HZ, BLOCK)?;
            play(&mut last, &noise(70, 1), None)?;
            let taken_mib = resident_mib()? - before_mib;
            println!("instances: {taken_mib:.1} MiB taken as others have gone");
            assert!(taken_mib > 8.0, "{taken_mib} MiB");
            Ok(())
        },
    );
}
