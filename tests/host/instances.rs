//! Twenty instances in one process, as a large session has them: one thread for all, and little
//! memory each. Linux only: there a process can be asked what it holds (proc(5)).
#![cfg(target_os = "linux")]

use kit::pause::pause;
use kit::signals::white_noise;
use rig::clap_host::{Change, ClapHost, Result, Run};
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
