//! `crestline encoded`: true peaks after real encoders, against another decoder.

use std::fs;
use std::path::Path;
use std::process::Command;

use super::sound_files::{Stored, crestline, folder, json, measure_json, number, text, tone, wav};
use serde_json::Value;
use songs::turnstile;

fn there(program: &str) -> bool {
    let asked = Command::new(program).arg("--version").output();
    asked.is_ok_and(|output| output.status.success())
        || Command::new(program).arg("-version").output().is_ok()
}

/// Some seconds of the dense release at its loudest, its highest true peak brought to −0.1 dBTP by a
/// gain.
fn dense(folder: &Path) -> Vec<Vec<f64>> {
    let song = turnstile(44_100);
    let part = |gain: f64| -> Vec<Vec<f64>> {
        let channels = song.channels.iter();
        let cut = channels.map(|channel| &channel[15 * 44_100..21 * 44_100]);
        cut.map(|channel| channel.iter().map(|x| gain * f64::from(*x)).collect())
            .collect()
    };
    let write = |planes: &[Vec<f64>]| {
        let bytes = wav(44_100, Stored::Int24, None, planes);
        fs::write(folder.join("dense.wav"), bytes).unwrap();
    };
    write(&part(1.0));
    let (measured, _) = measure_json(folder, &["dense.wav"]);
    let gain = 10_f64.powf((-0.1 - number(&measured[0]["true_peak_dbtp"])) / 20.0);
    let planes = part(gain);
    write(&planes);
    planes
}

/// Source: ffmpeg's decoders, where it is installed: the true peak of what they make of the same
/// encoded files, measured as any file is.
#[test]
fn a_dense_programme_goes_over_and_another_decoder_says_the_same() {
    let folder = folder("encoded_dense");
    let planes = dense(&folder);
    let told = json(&folder, &["encoded", "dense.wav", "--keep", "kept"]);
    assert!((number(&told["true_peak_dbtp"]) + 0.1).abs() < 0.01);
    assert_eq!(told["samples_over"], 0);
    let rows = told["coded"].as_array().unwrap();
    assert_eq!(rows.len(), if there("lame") { 6 } else { 3 });
    if !there("lame") {
        kit::skip::skip("MP3 after the encoder", "lame is not installed");
    }
    let mut lowest = f64::INFINITY;
    for row in rows {
        let (codec, rate) = (row["codec"].as_str().unwrap(), number(&row["nominal_kbps"]));
        let peak = number(&row["true_peak_dbtp"]);
        println!(
            "encoded: {codec} {rate}: {peak:.2} dBTP, {} samples over",
            row["samples_over"]
        );
        let change = number(&row["integrated_lufs"]) - number(&told["integrated_lufs"]);
        assert!(
            change.abs() < 0.25,
            "{codec} {rate}: loudness changed by {change} LU"
        );
        let overshoot = number(&row["overshoot_db"]);
        assert!((overshoot - (peak - number(&told["true_peak_dbtp"]))).abs() < 2e-3);
        assert!(peak > 0.0, "{codec} {rate}: {peak}");
        // A true peak just over full scale may lie between the samples.
        if peak > 0.5 {
            assert!(number(&row["samples_over"]) > 0.0, "{row}");
        }
        assert_eq!(row["holds"], false);
        let ceiling = number(&row["ceiling_dbtp"]);
        assert!((ceiling - (-0.1 - (peak + 1.0))).abs() < 0.02);
        lowest = lowest.min(ceiling);
    }
    if there("ffmpeg") {
        let mut worst = 0.0_f64;
        for row in rows {
            let (codec, rate) = (row["codec"].as_str().unwrap(), &row["nominal_kbps"]);
            let ending = if codec == "vorbis" { "ogg" } else { "mp3" };
            let file = format!("kept/dense-{codec}-{rate}.{ending}");
            let decoded = Command::new("ffmpeg")
                .args([
                    "-v",
                    "error",
                    "-y",
                    "-i",
                    &file,
                    "-c:a",
                    "pcm_f32le",
                    "out.wav",
                ])
                .current_dir(&folder)
                .status();
            assert!(decoded.unwrap().success());
            let (theirs, _) = measure_json(&folder, &["out.wav"]);
            let error = number(&row["true_peak_dbtp"]) - number(&theirs[0]["true_peak_dbtp"]);
            worst = worst.max(error.abs());
            assert!(error.abs() < 0.05, "{file}: {error} dB");
            // The encoders' delay and padding are gone: as long as the original.
            let frames = number(&theirs[0]["duration_s"]) * 44_100.0;
            assert!(
                (frames - planes[0].len() as f64).abs() < 1.5,
                "{file}: {frames}"
            );
        }
        println!("encoded: true peak against ffmpeg's decoders: at most {worst:.3} dB");
    } else {
        kit::skip::skip("decoded by another decoder", "ffmpeg is not installed");
    }
    // What the ceiling promises: turned down to it, the file stays under −1 dBTP (a gain, as the
    // promise says: the encoder scales with its input).
    let down = 10_f64.powf((lowest + 0.1) / 20.0);
    let planes: Vec<Vec<f64>> = planes
        .iter()
        .map(|plane| plane.iter().map(|x| down * x).collect())
        .collect();
    let bytes = wav(44_100, Stored::Int24, None, &planes);
    fs::write(folder.join("held.wav"), bytes).unwrap();
    for row in json(&folder, &["encoded", "held.wav"])["coded"]
        .as_array()
        .unwrap()
    {
        let peak = number(&row["true_peak_dbtp"]);
        assert!(peak < -0.8, "{row}");
    }
}

/// By construction: a sine passes every encoder nearly as it is. What is allowed is common practice:
/// half a decibel.
#[test]
fn a_sine_stays_what_it_is() {
    let folder = folder("encoded_sine");
    for (rate, channels) in [(44_100, 2), (48_000, 1)] {
        let planes = vec![tone(rate, 997.0, -3.0, 5.0); channels];
        fs::write(
            folder.join("a.wav"),
            wav(rate, Stored::Int24, None, &planes),
        )
        .unwrap();
        let told = json(&folder, &["encoded", "a.wav"]);
        for row in told["coded"].as_array().unwrap() {
            let overshoot = number(&row["overshoot_db"]);
            println!("encoded: sine at {rate}: {} {overshoot} dB", row["codec"]);
            assert!(overshoot.abs() < 0.5, "{row}");
            assert_eq!(row["samples_over"], 0);
            assert_eq!(row["holds"], true);
            assert_eq!(row["ceiling_dbtp"], told["true_peak_dbtp"]);
        }
    }
    // Above 48 kHz the MP3 encoder halves the rate.
    let planes = vec![tone(96_000, 997.0, -3.0, 4.0); 2];
    fs::write(
        folder.join("high.wav"),
        wav(96_000, Stored::Int24, None, &planes),
    )
    .unwrap();
    for row in json(&folder, &["encoded", "high.wav"])["coded"]
        .as_array()
        .unwrap()
    {
        let rate = if row["codec"] == "mp3" {
            48_000
        } else {
            96_000
        };
        assert_eq!(row["sample_rate_hz"], rate);
        assert_eq!(row["samples_over"], 0);
    }
    let printed = crestline(&folder, &["encoded", "a.wav"]);
    assert!(text(&printed.stdout).contains("stays under -1 dBTP through all of them"));
}

#[test]
fn without_the_mp3_encoder_the_rest_is_done_and_said() {
    let folder = folder("encoded_without");
    let planes = vec![tone(48_000, 997.0, -3.0, 4.0); 2];
    fs::write(
        folder.join("a.wav"),
        wav(48_000, Stored::Int24, None, &planes),
    )
    .unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_crestline"))
        .args(["encoded", "a.wav", "--json"])
        .current_dir(&folder)
        .env("PATH", "")
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(told["mp3_encoder"], Value::Null);
    assert_eq!(told["coded"].as_array().unwrap().len(), 3);
    let line = text(&output.stderr);
    assert!(
        line.starts_with("a.wav: not tried as MP3") && line.contains("lame"),
        "{line}"
    );
}

#[test]
fn silence_and_what_cannot_be_encoded() {
    let folder = folder("encoded_refused");
    let silence = vec![vec![0.0; 4 * 48_000]; 2];
    fs::write(
        folder.join("silent.wav"),
        wav(48_000, Stored::Int16, None, &silence),
    )
    .unwrap();
    let told = json(&folder, &["encoded", "silent.wav"]);
    assert_eq!(told["true_peak_dbtp"], Value::Null);
    for row in told["coded"].as_array().unwrap() {
        assert_eq!(row["ceiling_dbtp"], Value::Null);
    }
    let six = vec![tone(48_000, 997.0, -20.0, 1.0); 6];
    fs::write(
        folder.join("six.wav"),
        wav(48_000, Stored::Int16, None, &six),
    )
    .unwrap();
    for (file, cause) in [("six.wav", "6 channels"), ("missing.wav", "no such file")] {
        let refused = crestline(&folder, &["encoded", file, "--keep", "kept"]);
        assert_eq!(refused.status.code(), Some(3));
        let line = text(&refused.stderr);
        assert!(
            line.starts_with(file) && line.contains(cause) && line.contains(';'),
            "{line}"
        );
        assert!(!folder.join("kept").exists());
    }
    fs::create_dir(folder.join("there")).unwrap();
    let refused = crestline(&folder, &["encoded", "silent.wav", "--keep", "there"]);
    assert_eq!(refused.status.code(), Some(4));
}
