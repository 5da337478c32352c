//! `fuzz TARGET SECONDS [SEED]`: changes the target's seeds by chance for so long, and tries what
//! comes out. `fuzz seeds FOLDER` writes the seeds of all targets. `fuzz try TARGET FILE` tries the
//! bytes of a file. `fuzz targets` lists them.
//!
//! What is being tried lies in the file that is named first: after a crash it is what crashed.

#![allow(
    clippy::expect_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test stops at the first thing that goes wrong, and its figures are its output"
)]

use fuzz::{TARGETS, Target, target};
use kit::chance::Chance;
use kit::mutate::mutated;
use std::num::NonZeroU64;
use std::path::Path;
use std::process::ExitCode;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

#[cfg(not(debug_assertions))]
#[global_allocator]
static ALLOCATOR: fuzz::memory::Bounded = fuzz::memory::Bounded;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let now = SystemTime::now().duration_since(UNIX_EPOCH);
    let now = now.map_or(0, |since| since.as_secs());
    match words[..] {
        ["targets"] => TARGETS
            .iter()
            .for_each(|target| println!("{}", target.name)),
        ["seeds", folder] => write_seeds(Path::new(folder)),
        ["try", name, file] if target(name).is_some() => {
            let bytes = std::fs::read(file).expect("a file that can be read");
            target(name).inspect(|target| (target.run)(&bytes));
        }
        [name, seconds, ref seed @ ..] if target(name).is_some() && seed.len() <= 1 => {
            let seed = seed.first().map_or(Ok(now), |seed| seed.parse());
            let (Ok(seconds), Ok(seed)) = (seconds.parse::<NonZeroU64>(), seed) else {
                return usage();
            };
            let length = Duration::from_secs(seconds.get());
            target(name).inspect(|target| try_for(target, length, seed));
        }
        _ => return usage(),
    }
    ExitCode::SUCCESS
}

fn usage() -> ExitCode {
    eprintln!(
        "fuzz: wanted are a target, whole seconds and perhaps a seed, `seeds FOLDER`, `try TARGET FILE`, or `targets`"
    );
    ExitCode::from(2)
}

fn write_seeds(folder: &Path) {
    for target in &TARGETS {
        let folder = folder.join(target.name);
        std::fs::create_dir_all(&folder).expect("a folder");
        for (number, bytes) in (target.seeds)().iter().enumerate() {
            std::fs::write(folder.join(format!("seed-{number}")), bytes).expect("a file");
        }
    }
}

fn try_for(target: &Target, length: Duration, seed: u64) {
    let name = format!("crestline-fuzz-{}-{}", target.name, std::process::id());
    let tried = std::env::temp_dir().join(name);
    println!("{}: seed {seed}, trying {}", target.name, tried.display());
    let seeds = (target.seeds)();
    let mut chance = Chance::new(seed);
    let (began, mut count) = (Instant::now(), 0_u64);
    let (mut slowest, mut slow) = (Duration::ZERO, Vec::new());
    while began.elapsed() < length {
        let bytes = mutated(&seeds, &mut chance);
        std::fs::write(&tried, &bytes).expect("a file");
        let start = Instant::now();
        (target.run)(&bytes);
        count += 1;
        if start.elapsed() > slowest {
            slowest = start.elapsed();
            slow = bytes;
        }
    }
    println!(
        "{}: {count} inputs in {:.0} s, the slowest {} bytes in {:.0} ms",
        target.name,
        began.elapsed().as_secs_f64(),
        slow.len(),
        1e3 * slowest.as_secs_f64(),
    );
    let _ = std::fs::remove_file(tried);
}
