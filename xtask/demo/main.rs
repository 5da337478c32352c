//! The demo: the whole job as one walk. A song is set beside a denser one, played through the built
//! plug-in in a small host inside this program, forecast, and reported on. No window, sound card or
//! display is needed.
//!
//! Arguments: the folder of the bundles, and the folder to write the songs to. `cargo xtask demo`
//! gives both.

#![expect(clippy::print_stdout, reason = "a command talks to whoever typed it")]

mod beside;
mod editor;
mod price;
mod story;

use beside::Pair;
use crestline_core::measure::{ChannelRole, Meter, Readings};
use crestline_files::{SampleFormat, WavFile};
use rig::clap_host::{ClapHost, Result, Run, plugin_file};
use songs::{Song, rink_lights, turnstile};
use std::path::{Path, PathBuf};
use std::process::Command;

const SAMPLE_RATE_HZ: u32 = 48_000;
const BLOCK: usize = 512;

fn main() -> Result<()> {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let (Some(bundled), Some(folder)) = (arguments.next(), arguments.next()) else {
        return Err("the folder of the bundles and the folder for the songs, please (or use `cargo xtask demo`)".into());
    };
    let song = rink_lights(SAMPLE_RATE_HZ);
    let dense = turnstile(SAMPLE_RATE_HZ);
    let files = [
        write(&song, &folder, "rink-lights.wav")?,
        write(&dense, &folder, "turnstile.wav")?,
    ];

    let plugin = plugin_file(&bundled);
    let mut host = ClapHost::open(&plugin)?;
    host.activate(f64::from(SAMPLE_RATE_HZ), BLOCK)?;
    let latency = host.latency()?;
    let seconds = song.channels[0].len() as f64 / f64::from(SAMPLE_RATE_HZ);
    println!(
        "Playing {} ({seconds:.0} s) through the plug-in, in blocks of {BLOCK} frames ...",
        song.title
    );
    // Silence at the end pushes out what the latency holds back.
    let input: Vec<Vec<f32>> = song
        .channels
        .iter()
        .map(|channel| [channel.as_slice(), &vec![0.0; latency]].concat())
        .collect();
    let output = host.run(Run::new(&input, &[BLOCK]))?;

    let mut meter = Meter::new(
        f64::from(SAMPLE_RATE_HZ),
        &[ChannelRole::Front; 2],
        input[0].len(),
    );
    let received: Vec<&[f32]> = output.iter().map(|channel| &channel[latency..]).collect();
    meter.process(&received);
    meter.finish();
    println!("What the host received:");
    print_readings(&meter.readings());

    let same = received
        .iter()
        .zip(&song.channels)
        .all(|(received, sent)| *received == sent.as_slice());
    if !same {
        return Err(
            "with neutral settings the plug-in must not change the song, and it did".into(),
        );
    }
    println!(
        "With neutral settings the host received the song bit for bit, {latency} frames later, as reported.\n"
    );

    let pair = Pair::new(&song, &dense)?;
    pair.print();
    let (forecast, summary) = price::print(&song, pair.shelves());
    let pictures = editor::draw(&plugin, &song, &pair, forecast, &folder)?;
    let page = report(&files, &folder)?;
    story::print(&pair, &summary);

    println!("\nTo listen to, in {}:", folder.display());
    for file in &files {
        println!("  {}", file.file_name().unwrap_or_default().display());
    }
    println!("To look at, the editor as it is then, and a page to hand over:");
    for file in pictures.iter().chain([&page]) {
        println!("  {}", file.file_name().unwrap_or_default().display());
    }
    print_installation(&bundled);
    Ok(())
}

/// Writes a song as 24-bit WAV.
fn write(song: &Song, folder: &Path, name: &str) -> Result<PathBuf> {
    std::fs::create_dir_all(folder)?;
    let path = folder.join(name);
    let mut file = WavFile::create(&path, song.sample_rate_hz, 2, SampleFormat::Int24, true)?;
    file.write(&[&song.channels[0], &song.channels[1]])?;
    file.finish()?;
    Ok(path)
}

/// Has the built command report on the songs.
fn report([song, dense]: &[PathBuf; 2], folder: &Path) -> Result<PathBuf> {
    let page = folder.join("report.html");
    let name = format!("crestline{}", std::env::consts::EXE_SUFFIX);
    let command = std::env::current_exe()?.with_file_name(name);
    let mut command = Command::new(command);
    command
        .arg("report")
        .args([song, dense])
        .arg("--reference")
        .arg(dense);
    command.arg("--html").arg(&page).arg("--force");
    let status = command.status()?;
    if !status.success() {
        return Err(format!("the report failed: {command:?} ended with {status}").into());
    }
    Ok(page)
}

fn print_readings(readings: &Readings) {
    let line = |name: &str, value: Option<f64>, unit: &str| match value {
        Some(value) => println!("  {name:<24}{value:>7.1} {unit}"),
        None => println!("  {name:<24}      - {unit}"),
    };
    line("Integrated loudness", readings.integrated_lufs, "LUFS");
    line("Short-term, loudest", readings.short_term_max_lufs, "LUFS");
    line("Momentary, loudest", readings.momentary_max_lufs, "LUFS");
    line("Loudness range", readings.loudness_range_lu, "LU");
    line("True peak", readings.true_peak_dbtp, "dBTP");
    line("PLR", readings.plr_db, "dB");
    line("Microdynamics (LDR)", readings.ldr_db, "dB");
}

/// Where hosts on this system look for plug-ins.
fn print_installation(bundled: &Path) {
    let (clap, vst3) = if cfg!(target_os = "macos") {
        (
            "~/Library/Audio/Plug-Ins/CLAP",
            "~/Library/Audio/Plug-Ins/VST3",
        )
    } else if cfg!(windows) {
        (r"%COMMONPROGRAMFILES%\CLAP", r"%COMMONPROGRAMFILES%\VST3")
    } else {
        ("~/.clap", "~/.vst3")
    };
    println!(
        "\nTo use the plug-in in a host, copy one of these and let the host look for new plug-ins:"
    );
    println!("  {}  to  {clap}", bundled.join("Crestline.clap").display());
    println!("  {}  to  {vst3}", bundled.join("Crestline.vst3").display());
}
