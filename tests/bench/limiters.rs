//! Our limiter beside a general-purpose library's, on the same programmes, at equal loudness and
//! equal true peak.
//!
//! Each programme is first brought to a true peak of −1 dBTP. Then both limiters are pushed until
//! it is 2, 4 and 7 LU louder, its true peak still −1 dBTP, and told are the push that took, the
//! added distortion (the share of the output that no moving gain of four bands explains: both
//! limiters are a gain and a delay, so there is no filter in either for the measure to be fooled
//! by) and the microdynamics that are left. The library is ffmpeg's `alimiter`, with attacks of 5
//! and 10 ms and releases of 50, 100 and 200 ms; each of its figures is that of its best setting
//! for that figure.

#![expect(clippy::print_stdout, reason = "the table is this program's output")]

#[path = "limiters/alimiter.rs"]
mod alimiter;
#[path = "limiters/judge.rs"]
mod judge;
#[path = "limiters/material.rs"]
mod material;

use alimiter::Alimiter;
use crestline_core::process::{Limiter, LimiterSettings};
use judge::{Sound, Verdict, verdict_at};
use std::process::ExitCode;

/// How much louder than it is a programme is to become, LU.
const LOUDER_LU: [f64; 3] = [2.0, 4.0, 7.0];
const BLOCK: usize = 512;

fn main() -> ExitCode {
    // `cargo bench` hands its own switches on.
    let files: Vec<String> = std::env::args()
        .skip(1)
        .filter(|argument| !argument.starts_with("--"))
        .collect();
    if !alimiter::is_there() {
        println!("no comparison of limiters: ffmpeg is missing (apt-get install ffmpeg)");
        return ExitCode::SUCCESS;
    }
    let programmes = match material::programmes(&files) {
        Ok(programmes) => programmes,
        Err(message) => {
            println!("no comparison of limiters: {message}");
            return ExitCode::FAILURE;
        }
    };
    println!("loudest 20 s of each programme, true peak -1 dBTP on both sides");
    println!(
        "{:<16} {:>3}   {:^27}   {:^27}",
        "", "LU", "own, automatic release", "library, best of 6 settings"
    );
    println!(
        "{:<16} {:>3}   {:>7} {:>10} {:>8}   {:>7} {:>10} {:>8}",
        "", "", "push", "distortion", "LDR", "push", "distortion", "LDR"
    );
    let mut gains_db = Vec::new();
    for (title, sound) in &programmes {
        for louder_lu in LOUDER_LU {
            let own = verdict_at(sound, louder_lu, |drive_db| Some(limited(sound, drive_db)));
            let library = Alimiter::SETTINGS
                .iter()
                .filter_map(|library| {
                    verdict_at(sound, louder_lu, |drive_db| {
                        library.limited(sound, drive_db)
                    })
                })
                .reduce(Verdict::best_of);
            println!(
                "{title:<16} {louder_lu:>+3}   {}   {}",
                columns(own),
                columns(library)
            );
            if let (Some(own), Some(library)) = (own, library) {
                gains_db.push(library.distortion_db - own.distortion_db);
            }
        }
    }
    if !gains_db.is_empty() {
        let mean_db = gains_db.iter().sum::<f64>() / gains_db.len() as f64;
        println!("distortion below the library's best: {mean_db:.1} dB on average");
    }
    ExitCode::SUCCESS
}

fn columns(verdict: Option<Verdict>) -> String {
    verdict.map_or_else(
        || format!("{:>7} {:>10} {:>8}", "-", "-", "-"),
        |told| {
            format!(
                "{:>7.2} {:>10.1} {:>8.2}",
                told.push_db, told.distortion_db, told.ldr_db
            )
        },
    )
}

/// The sound pushed by so much through our limiter, its delay taken out.
fn limited(sound: &Sound, drive_db: f64) -> Sound {
    let mut limiter = Limiter::new(f64::from(sound.rate_hz), 2);
    let late = limiter.latency_frames();
    let mut pushed = sound.pushed(drive_db);
    let settings = LimiterSettings {
        enabled: true,
        ..LimiterSettings::default()
    };
    for channel in &mut pushed.channels {
        channel.extend(std::iter::repeat_n(0.0, late));
    }
    let [left, right] = &mut pushed.channels;
    for (left, right) in left.chunks_mut(BLOCK).zip(right.chunks_mut(BLOCK)) {
        limiter.process(&mut [left, right], &settings);
    }
    for channel in &mut pushed.channels {
        channel.drain(..late);
    }
    pushed
}
