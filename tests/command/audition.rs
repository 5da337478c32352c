//! A stretch of a file to listen to: as loud as it is in the file, in step with it, at any rate and
//! on any channels; and refusals.

use std::f64::consts::TAU;
use std::fs;

use super::sound_files::{Stored, folder, tone, wav};
use crestline_core::handover::AuditionLoop;
use crestline_core::session::Section;
use crestline_files::{AuditionFailure, audition};
use kit::engine_run::loudness_lufs;
use songs::{rink_lights, turnstile};

fn write(folder: &std::path::Path, name: &str, rate_hz: u32, planes: &[Vec<f32>]) {
    let planes: Vec<Vec<f64>> = planes
        .iter()
        .map(|plane| plane.iter().map(|sample| f64::from(*sample)).collect())
        .collect();
    fs::write(
        folder.join(name),
        wav(rate_hz, Stored::Float32, None, &planes),
    )
    .unwrap();
}

/// Two rounds of a loop, as it is played.
fn played(of: &AuditionLoop) -> Vec<Vec<f32>> {
    let mut planes = vec![vec![0.0; 2 * of.frames()]; 2];
    let [left, right] = &mut planes[..] else {
        unreachable!()
    };
    of.play(0, [left, right]);
    planes
}

fn load(
    path: &std::path::Path,
    section: Section,
    rate_hz: f64,
    channels: usize,
) -> Result<AuditionLoop, AuditionFailure> {
    audition(path, section, rate_hz, channels, &mut |_| true)
}

// Loudness by the `ebur128` crate, of the section at the file's rate and of what is played at the
// other. The seam is left out, where the loop is not the file.
#[test]
fn at_another_rate_it_is_as_loud_as_in_the_file() {
    let folder = folder("audition_rates");
    let mut worst = 0.0_f64;
    for from_hz in [44_100_u32, 48_000, 96_000] {
        for (name, song) in [
            ("rink", rink_lights(from_hz)),
            ("turnstile", turnstile(from_hz)),
        ] {
            let second = from_hz as usize;
            let cut = |range: std::ops::Range<usize>| -> Vec<Vec<f32>> {
                let of = |channel: &Vec<f32>| channel[range.clone()].to_vec();
                song.channels.iter().map(of).collect()
            };
            write(&folder, "song.wav", from_hz, &cut(0..second * 24));
            let of_file = loudness_lufs(&cut(second * 8..second * 20), from_hz);
            for to_hz in [44_100_u32, 48_000, 88_200, 192_000] {
                let section = Section::Between(8.0, 20.0);
                let of = load(&folder.join("song.wav"), section, f64::from(to_hz), 2).unwrap();
                let fade = to_hz as usize / 50;
                assert!((of.frames() + fade).abs_diff(12 * to_hz as usize) <= 1);
                let mut once = played(&of);
                for plane in &mut once {
                    plane.truncate(of.frames());
                }
                let heard = loudness_lufs(&once, to_hz);
                let off = (heard - of_file)
                    .abs()
                    .max((of.integrated_lufs() - of_file).abs());
                println!("{name}, {from_hz} to {to_hz} Hz: {of_file:.3}, {heard:.3} LUFS");
                worst = worst.max(off);
            }
        }
    }
    println!("at most {worst:.4} LU");
    assert!(worst < 0.05);
}

// A sine is the same function of time at any rate. What the best-fitting sine of that frequency
// (least squares) leaves is the resampler's error; where that sine lies, its delay.
#[test]
fn at_another_rate_a_sine_stays_one_and_lies_where_it_lay() {
    let folder = folder("audition_step");
    for (from_hz, to_hz) in [
        (44_100_u32, 48_000.0),
        (48_000, 47_952.048),
        (96_000, 44_100.0),
    ] {
        let plane: Vec<f64> = tone(from_hz, 997.0, -6.0, 8.0);
        fs::write(
            folder.join("tone.wav"),
            wav(from_hz, Stored::Float32, None, std::slice::from_ref(&plane)),
        )
        .unwrap();
        let section = Section::Between(2.0, 6.0);
        let of = load(&folder.join("tone.wav"), section, to_hz, 2).unwrap();
        let heard = &played(&of)[1];
        let frames = 2_000..of.frames() - 2_000;
        let angle = |frame: usize| TAU * 997.0 * (2.0 + frame as f64 / to_hz);
        let (mut aa, mut ab, mut bb, mut ay, mut by) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for frame in frames.clone() {
            let ((a, b), y) = (angle(frame).sin_cos(), f64::from(heard[frame]));
            (aa, ab, bb) = (aa + a * a, ab + a * b, bb + b * b);
            (ay, by) = (ay + a * y, by + b * y);
        }
        let determinant = aa * bb - ab * ab;
        let sine = (ay * bb - by * ab) / determinant;
        let cosine = (by * aa - ay * ab) / determinant;
        let peak = sine.hypot(cosine);
        let error = |frame: usize| {
            let (a, b) = angle(frame).sin_cos();
            (f64::from(heard[frame]) - sine * a - cosine * b).abs()
        };
        let worst_db = 20.0 * (frames.map(error).fold(0.0, f64::max) / peak).log10();
        let peak_db = 20.0 * peak.log10();
        let delay = -cosine.atan2(sine) / (TAU * 997.0) * to_hz;
        println!(
            "{from_hz} to {to_hz} Hz: {peak_db:.4} dBFS, error {worst_db:.1} dB, {delay:.2} frames late"
        );
        assert!(worst_db < -90.0 && (peak_db + 6.0).abs() < 0.01 && delay.abs() < 1.0);
    }
}

#[test]
fn the_loudest_part_is_found_and_a_long_file_is_cut() {
    let folder = folder("audition_section");
    let loud = |second: usize| {
        if (40..75).contains(&second) {
            -10.0
        } else {
            -30.0
        }
    };
    let plane: Vec<f64> = (0..100)
        .flat_map(|second| tone(8_000, 500.0, loud(second), 1.0))
        .collect();
    let bytes = wav(8_000, Stored::Float32, None, &[plane.clone(), plane]);
    fs::write(folder.join("parts.wav"), bytes).unwrap();
    let path = folder.join("parts.wav");
    let loudest = load(&path, Section::Loudest, 8_000.0, 2).unwrap();
    assert!(loudest.frames().abs_diff(30 * 8_000) < 1_000);
    let heard = played(&loudest);
    let quiet = heard[0]
        .chunks(80)
        .any(|chunk| chunk.iter().all(|sample| sample.abs() < 0.2));
    assert!(!quiet);
    let whole = load(&path, Section::Whole, 8_000.0, 2).unwrap();
    assert!(whole.frames().abs_diff(100 * 8_000) < 1_000);
    let minutes: Vec<f64> = tone(8_000, 500.0, -10.0, 700.0);
    let bytes = wav(8_000, Stored::Int16, None, &[minutes]);
    fs::write(folder.join("long.wav"), bytes).unwrap();
    let long = load(&folder.join("long.wav"), Section::Whole, 8_000.0, 1).unwrap();
    assert!(long.frames().abs_diff(600 * 8_000) < 1_000);
}

#[test]
fn what_cannot_be_listened_to_is_refused_in_one_line() {
    let folder = folder("audition_refused");
    let planes = |count: usize| vec![tone(48_000, 100.0, -20.0, 4.0); count];
    for (name, planes) in [
        ("surround.wav", planes(6)),
        ("silent.wav", vec![vec![0.0; 4 * 48_000]; 2]),
        ("short.wav", vec![tone(48_000, 100.0, -20.0, 2.0)]),
    ] {
        fs::write(
            folder.join(name),
            wav(48_000, Stored::Float32, None, &planes),
        )
        .unwrap();
    }
    let refused = |name: &str| {
        let path = folder.join(name);
        load(&path, Section::Whole, 48_000.0, 2)
            .unwrap_err()
            .to_string()
    };
    for (name, cause) in [
        ("surround.wav", "6 channels"),
        ("silent.wav", "silent"),
        ("short.wav", "shorter than 3 s"),
        ("missing.wav", "no such file"),
    ] {
        let line = refused(name);
        println!("{line}");
        assert!(line.contains(name) && line.contains(cause) && !line.contains('\n'));
    }
    let path = folder.join("surround.wav");
    write(&folder, "mono.wav", 48_000, &[vec![0.1; 48_000 * 4]]);
    let mut asked = 0;
    let cancelled = audition(
        &path.with_file_name("mono.wav"),
        Section::Whole,
        96_000.0,
        2,
        &mut |_| {
            asked += 1;
            asked < 10
        },
    );
    assert!(matches!(cancelled, Err(AuditionFailure::Cancelled)));
    assert_eq!(asked, 10);
}

/// The first half of the work finds the loudest part, the second half takes it from the file.
#[test]
fn of_a_file_that_is_exported_again_meanwhile_nothing_is_played() {
    let folder = folder("audition_changed");
    let song = rink_lights(48_000);
    let planes: Vec<Vec<f32>> = song
        .channels
        .iter()
        .map(|plane| plane[..1_920_000].to_vec())
        .collect();
    let later: Vec<Vec<f32>> = planes
        .iter()
        .map(|plane| plane[480_000..].to_vec())
        .collect();
    write(&folder, "mix.wav", 48_000, &planes);
    write(&folder, "later.wav", 48_000, &later);
    let path = folder.join("mix.wav");
    let failure = audition(&path, Section::Loudest, 48_000.0, 2, &mut |share| {
        if share >= 0.5 {
            let _ = fs::rename(folder.join("later.wav"), &path);
        }
        true
    });
    let line = failure.err().unwrap().to_string();
    assert!(
        line.ends_with("mix.wav: changed while it was read; try again"),
        "{line}"
    );
}
