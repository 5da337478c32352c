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
//!
//! Wanted is that ours reaches every loudness that the library reaches, with not more push and not
//! more distortion, 2 dB less of it on average, and with microdynamics at most 0.05 dB below.
//! Where it falls short the row says in what, and the last lines count it.

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
/// How much lower microdynamics may be than the library's, dB.
const LDR_BELOW_DB: f64 = 0.05;
/// How exactly a push is known, dB: the loudness that it is for is met within 0.01 LU.
const PUSH_NEAR_DB: f64 = 0.02;
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
        "{:<16} {:>3}   {:>7} {:>10} {:>8}   {:>7} {:>10} {:>8}   short in",
        "", "", "push", "distortion", "LDR", "push", "distortion", "LDR"
    );
    let (mut gains_db, mut rows, mut short) = (Vec::new(), 0, 0);
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
            let short_in = library.map_or_else(Vec::new, |library| short_in(own, library));
            println!(
                "{title:<16} {louder_lu:>+3}   {}   {}   {}",
                columns(own),
                columns(library),
                short_in.join(", ")
            );
            rows += usize::from(library.is_some());
            short += usize::from(!short_in.is_empty());
            if let (Some(own), Some(library)) = (own, library) {
                gains_db.push(library.distortion_db - own.distortion_db);
            }
        }
    }
    println!(
        "short of the library's best in {short} of {rows} rows that it reaches (wanted: none)"
    );
    if !gains_db.is_empty() {
        let mean_db = gains_db.iter().sum::<f64>() / gains_db.len() as f64;
        println!("distortion below the library's best: {mean_db:.1} dB on average (wanted: 2)");
    }
    ExitCode::SUCCESS
}

/// What ours is worse in than the library at its best.
fn short_in(own: Option<Verdict>, library: Verdict) -> Vec<&'static str> {
    let Some(own) = own else {
        return vec!["reach"];
    };
    [
        (own.push_db > library.push_db + PUSH_NEAR_DB, "push"),
        (own.distortion_db > library.distortion_db, "distortion"),
        (own.ldr_db < library.ldr_db - LDR_BELOW_DB, "LDR"),
    ]
    .into_iter()
    .filter_map(|(is_short, what)| is_short.then_some(what))
    .collect()
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
