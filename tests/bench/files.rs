//! Measuring files beside ffmpeg's loudness filter, which decodes and measures them too.

#![expect(
    clippy::expect_used,
    reason = "a bench stops where it cannot do its work"
)]

use super::figures::{Figures, Wanted, median, seconds};
use super::programme::RATE_HZ;
use crestline_core::measure::Meter;
use crestline_files::{AudioFile, SampleFormat, WavFile, decode_ahead};
use std::fs;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread;

const BLOCK: usize = 4096;
/// Minutes of programme in each of two files.
const MINUTES: u32 = 25;
const RUNS: usize = 3;

/// 50 minutes of 16-bit FLAC in two files: both cores of ours, one file each, against ffmpeg, one
/// file after the other with as many threads as it likes. Then one of them alone, decoded on one
/// thread and measured on another.
pub fn speed(programme: &[Vec<f32>; 2], figures: &mut Figures) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("bench_files");
    fs::create_dir_all(&folder).expect("a folder to work in");
    let Some(files) = write(programme, &folder) else {
        figures.note("no ffmpeg, so files are not compared with it");
        return;
    };
    let (mut batch, mut single) = (Vec::new(), Vec::new());
    for _ in 0..RUNS {
        let theirs = files.each_ref().map(|file| seconds(|| filter(file)));
        let ours = seconds(|| {
            thread::scope(|scope| {
                for file in &files {
                    scope.spawn(|| measure(file, false));
                }
            });
        });
        batch.push(theirs.iter().sum::<f64>() / ours);
        single.push(theirs[0] / seconds(|| measure(&files[0], true)));
    }
    let wanted = Wanted::AtLeast(3.0);
    figures.add("files_batch_vs_ffmpeg", median(&mut batch), 2, "x", wanted);
    let alone = median(&mut single);
    figures.note(&format!(
        "one file alone is measured {alone:.2} times as fast"
    ));
    fs::remove_dir_all(folder).expect("our own folder");
}

/// The programme over and over as two files; `None` without ffmpeg.
fn write(programme: &[Vec<f32>; 2], folder: &Path) -> Option<[PathBuf; 2]> {
    let once = folder.join("once.wav");
    let mut wav = WavFile::create(&once, RATE_HZ, 2, SampleFormat::Int16, true).ok()?;
    wav.write(&[&programme[0], &programme[1]]).ok()?;
    wav.finish().ok()?;
    let length = (MINUTES * 60).to_string();
    let files = ["first.flac", "second.flac"].map(|name| folder.join(name));
    for file in &files {
        let encoded = ffmpeg(&["-y", "-stream_loop", "-1", "-t", &length, "-i"])
            .arg(&once)
            .arg(file)
            .output();
        encoded.ok().filter(|output| output.status.success())?;
    }
    Some(files)
}

fn ffmpeg(arguments: &[&str]) -> Command {
    let mut command = Command::new("ffmpeg");
    command.args(["-nostdin", "-nostats", "-v", "error"]);
    command.args(arguments);
    command
}

fn filter(file: &Path) {
    let output = ffmpeg(&["-i"])
        .arg(file)
        .args(["-af", "ebur128", "-f", "null", "-"])
        .output()
        .expect("it ran before");
    assert!(output.status.success());
}

fn measure(path: &Path, ahead: bool) {
    let mut file = AudioFile::open(path).expect("a file of ours");
    let mut meter = Meter::new(RATE_HZ.into(), file.roles(), BLOCK).told_at_end();
    let mut take = |planes: &[Vec<f32>]| {
        for (left, right) in planes[0].chunks(BLOCK).zip(planes[1].chunks(BLOCK)) {
            meter.process(&[left, right]);
        }
    };
    if ahead {
        decode_ahead(&mut file, |planes, _| take(planes)).expect("a file of ours");
    } else {
        while let Some(planes) = file.next_block().expect("a file of ours") {
            take(planes);
        }
    }
    meter.finish();
    black_box(meter.readings());
}
