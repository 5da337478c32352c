//! `crestline encoded`: true peaks after real encoders, against another decoder.

use std::fs;
use std::path::Path;
use std::process::Command;

use super::sound_files::{
    Stored, assert_keys_are_those_of_the_help, crestline, folder, json, measure_json, number, text,
    tone, wav,
};
use serde_json::Value;
use songs::turnstile;

fn there(program: &str) -> bool {
    let asked = Command::new(program).arg("--version").output();
    asked.is_ok_and(|output| output.status.success())
        || Command::new(program).arg("-version").output().is_ok()
}

/// What is measured of a file that ffmpeg has decoded.
fn decoded(folder: &Path, file: &str) -> Value {
    let arguments = [
        "-v",
        "error",
        "-y",
        "-i",
        file,
        "-c:a",
        "pcm_f32le",
        "out.wav",
    ];
    let mut ffmpeg = Command::new("ffmpeg");
    let status = ffmpeg.args(arguments).current_dir(folder).status();
    assert!(status.unwrap().success());
    let (mut measured, _) = measure_json(folder, &["out.wav"]);
    measured.remove(0)
}

/// Some seconds of the dense release at its loudest, its highest true peak brought to −0.1 dBTP by
/// a gain.
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

/// By construction: of a release that is known to be clipped a lossy file leaves too little to tell it
/// by, and says nothing rather than that there was none.
#[test]
fn few_flat_tops_of_a_lossy_file_are_no_figure() {
    let folder = folder("encoded_flat_tops");
    let song = turnstile(44_100);
    let channels = song.channels.iter();
    let cut = channels.map(|channel| channel[15 * 44_100..45 * 44_100].iter());
    let planes: Vec<Vec<f64>> = cut
        .map(|channel| channel.map(|x| f64::from(*x)).collect())
        .collect();
    let bytes = wav(44_100, Stored::Int24, None, &planes);
    fs::write(folder.join("dense.wav"), bytes).unwrap();
    json(&folder, &["encoded", "dense.wav", "--keep", "kept"]);
    let told = |file: &str| {
        let whole = ["--section", "whole"];
        json(
            &folder,
            &[&["compare", "dense.wav", file][..], &whole].concat(),
        )
    };
    let lossless = told("dense.wav");
    let flat = number(&lossless["reference"]["part"]["flat_tops_percent"]);
    assert!(flat > 3.0, "{flat}");
    let lossy = told("kept/dense-vorbis-96.ogg");
    for of in ["part", "whole"] {
        assert_eq!(lossy["reference"][of]["flat_tops_percent"], Value::Null);
    }
    let findings = lossy["findings"].as_array().unwrap();
    let last = findings.last().unwrap()["sentence"].as_str().unwrap();
    assert!(
        last.ends_with("of the reference's it cannot be told."),
        "{last}"
    );
}

/// Source: ffmpeg's decoders, where it is installed: the true peak of what they make of the same
/// encoded files, measured as any file is.
#[test]
fn a_dense_programme_goes_over_and_another_decoder_says_the_same() {
    let folder = folder("encoded_dense");
    let planes = dense(&folder);
    let told = json(&folder, &["encoded", "dense.wav", "--keep", "kept"]);
    assert_keys_are_those_of_the_help(&folder, "encoded", &told);
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
            let theirs = decoded(&folder, &file);
            let error = number(&row["true_peak_dbtp"]) - number(&theirs["true_peak_dbtp"]);
            worst = worst.max(error.abs());
            assert!(error.abs() < 0.05, "{file}: {error} dB");
            // The encoders' delay and padding are gone: as long as the original.
            let frames = number(&theirs["duration_s"]) * 44_100.0;
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

/// By construction: a sine passes every encoder nearly as it is. What is allowed is common
/// practice: half a decibel.
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
    let printed = crestline(&folder, &["encoded", "a.wav"]);
    let through = if there("lame") {
        "through all of them"
    } else {
        "through what was tried"
    };
    assert!(text(&printed.stdout).contains(&format!("stays under -1 dBTP {through}")));
}

/// By construction: 6 dB more before is 6 dB more after, whether or not the file holds them as
/// floats beyond full scale. What is allowed is what an encoder's threshold of hearing, which
/// stands still, makes of 6 dB: it is told of each, and small in MP3, whose input is turned down
/// and up again. (Of a file that is clipped first, MP3 at 320 kbit/s reads 4.4 dB less.) Source for
/// the peak itself: ffmpeg's decoders.
#[test]
fn a_float_file_beyond_full_scale_is_encoded_as_it_is() {
    let folder = folder("encoded_float");
    let planes = dense(&folder);
    let quiet = json(&folder, &["encoded", "dense.wav"]);
    let doubled: Vec<Vec<f64>> = planes
        .iter()
        .map(|plane| plane.iter().map(|x| 2.0 * x).collect())
        .collect();
    let bytes = wav(44_100, Stored::Float32, None, &doubled);
    fs::write(folder.join("loud.wav"), bytes).unwrap();
    let loud = json(&folder, &["encoded", "loud.wav", "--keep", "kept"]);
    let db = 20.0 * 2.0_f64.log10();
    let change = |key: &str| number(&loud[key]) - number(&quiet[key]);
    assert!((change("true_peak_dbtp") - db).abs() < 0.01);
    let rows = |told: &Value| told["coded"].as_array().unwrap().clone();
    for (quiet, loud) in rows(&quiet).iter().zip(&rows(&loud)) {
        assert!(number(&loud["ceiling_dbtp"]) <= 0.0, "{loud}");
        let (codec, rate) = (loud["codec"].as_str().unwrap(), &loud["nominal_kbps"]);
        let overshoot = if codec == "mp3" { 0.2 } else { 0.5 };
        for (key, allowed) in [("overshoot_db", overshoot), ("integrated_lufs", 0.1)] {
            let change = number(&loud[key]) - number(&quiet[key]);
            let change = if key == "integrated_lufs" {
                change - db
            } else {
                change
            };
            println!("encoded: 6 dB more, {codec} {rate}: {key} changes by {change:.3} dB");
            assert!(change.abs() < allowed, "{codec} {rate}: {key} {change}");
        }
        if there("ffmpeg") {
            let ending = if codec == "vorbis" { "ogg" } else { "mp3" };
            let theirs = decoded(&folder, &format!("kept/loud-{codec}-{rate}.{ending}"));
            let error = number(&loud["true_peak_dbtp"]) - number(&theirs["true_peak_dbtp"]);
            assert!(error.abs() < 0.05, "{codec} {rate}: {error} dB");
        }
    }
}

/// Source: the rates that songs are delivered at (common practice), and the tables of MP3's bit
/// rates (ISO/IEC 11172-3 and 13818-3, from memory).
#[test]
fn rates_that_songs_are_not_delivered_at() {
    let folder = folder("encoded_rates");
    let mp3: &[u32] = if there("lame") { &[128, 192, 320] } else { &[] };
    for (rate, encoded, mp3, note) in [
        (88_200, 44_100, mp3, "brought to 44.1 kHz"),
        (96_000, 48_000, mp3, "brought to 48 kHz"),
        (192_000, 48_000, mp3, "brought to 48 kHz"),
        (32_000, 32_000, mp3, ""),
        (
            22_050,
            22_050,
            mp3.get(..1).unwrap_or(mp3),
            "MP3 tried at 128 kbit/s only",
        ),
        (11_025, 11_025, &[], "not tried as MP3"),
    ] {
        let planes = vec![tone(rate, 997.0, -3.0, 4.0); 2];
        let bytes = wav(rate, Stored::Int24, None, &planes);
        fs::write(folder.join("a.wav"), bytes).unwrap();
        let output = crestline(&folder, &["encoded", "a.wav", "--json"]);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        let told: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(told["sample_rate_hz"], rate);
        let mut tried = Vec::new();
        for row in told["coded"].as_array().unwrap() {
            assert_eq!(row["sample_rate_hz"], encoded, "{row}");
            // As above; at rates of their own encoders do as they like.
            let overshoot = number(&row["overshoot_db"]).abs();
            assert!(rate < 48_000 || overshoot < 0.5, "{row}");
            if row["codec"] == "mp3" {
                tried.push(number(&row["nominal_kbps"]) as u32);
                // Constant bit rates are what they are called, but for the end of the last frame.
                let share = number(&row["kbps"]) / number(&row["nominal_kbps"]);
                assert!((share - 1.0).abs() < 0.05, "{row}");
            }
        }
        assert_eq!(tried, mp3, "{rate}");
        let notes = text(&output.stderr);
        if there("lame") {
            assert!(notes.contains(note), "{rate}: {notes}");
            assert_eq!(notes.is_empty(), note.is_empty(), "{rate}: {notes}");
        }
    }
}

#[test]
fn what_is_kept_has_the_name_of_the_file_as_far_as_there_is_room() {
    let folder = folder("encoded_names");
    let planes = vec![tone(48_000, 997.0, -3.0, 1.0); 2];
    let bytes = wav(48_000, Stored::Int24, None, &planes);
    // 250 bytes, with a letter of two bytes across the place where it is cut.
    let long = format!("{}é{}.wav", "a".repeat(199), "b".repeat(45));
    for (name, begins) in [
        (long.as_str(), "a".repeat(199)),
        ("-b.wav", "-b".to_owned()),
    ] {
        fs::write(folder.join(name), &bytes).unwrap();
        let file = format!("./{name}");
        let told = json(&folder, &["encoded", &file, "--keep", "kept"]);
        let kept = folder.join("kept");
        for row in told["coded"].as_array().unwrap() {
            let codec = row["codec"].as_str().unwrap();
            let ending = if codec == "vorbis" { "ogg" } else { "mp3" };
            let name = format!("{begins}-{codec}-{}.{ending}", row["nominal_kbps"]);
            assert!(
                fs::metadata(kept.join(&name)).unwrap().len() > 4_000,
                "{name}"
            );
        }
        let count = fs::read_dir(&kept).unwrap().count();
        assert_eq!(count, told["coded"].as_array().unwrap().len());
        fs::remove_dir_all(kept).unwrap();
    }
}

/// A folder whose path is nearly as long as Linux allows (4096 bytes, limits.h) can be made, and
/// nothing can be written in it.
#[cfg(target_os = "linux")]
#[test]
fn what_cannot_be_kept_is_named_and_leaves_nothing() {
    let folder = folder("encoded_not_kept");
    let planes = vec![tone(48_000, 997.0, -3.0, 1.0); 2];
    let bytes = wav(48_000, Stored::Int24, None, &planes);
    fs::write(folder.join("a.wav"), bytes).unwrap();
    let mut keep = format!("{}/", "k".repeat(199)).repeat(20);
    fs::create_dir_all(folder.join(&keep)).unwrap();
    let last = 4_090 - keep.len();
    keep += &"k".repeat(last);
    let output = crestline(&folder, &["encoded", "a.wav", "--keep", &keep]);
    assert_eq!(output.status.code(), Some(4), "{}", text(&output.stderr));
    assert!(text(&output.stdout).contains("Ogg Vorbis 320"));
    let told = text(&output.stderr);
    let lines = told.lines().filter(|line| !line.contains("not tried as"));
    let lines: Vec<&str> = lines.collect();
    assert_eq!(lines.len(), if there("lame") { 6 } else { 3 }, "{lines:?}");
    for line in lines {
        assert!(
            line.starts_with(&keep) && line.contains("could not be kept"),
            "{line}"
        );
    }
    assert_eq!(fs::read_dir(&folder).unwrap().count(), 2);
}

/// Where an encoder fails, the rest is done, and what failed is said with its reason.
#[cfg(unix)]
#[test]
fn an_encoder_that_fails_is_named_with_its_reason() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = folder("encoded_fails");
    let planes = vec![tone(48_000, 997.0, -3.0, 1.0); 2];
    let bytes = wav(48_000, Stored::Int24, None, &planes);
    fs::write(folder.join("a.wav"), bytes).unwrap();
    fs::create_dir(folder.join("bin")).unwrap();
    let program = folder.join("bin/lame");
    let script = "#!/bin/sh\n[ \"$1\" = --version ] && echo version 0 && exit\n\
                  echo not today >&2\nexit 1\n";
    fs::write(&program, script).unwrap();
    fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_crestline"))
        .args(["encoded", "a.wav", "--keep", "kept"])
        .current_dir(&folder)
        .env("PATH", folder.join("bin"))
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(4), "{}", text(&output.stderr));
    assert!(text(&output.stdout).contains("stays under -1 dBTP through what was tried"));
    let lines: Vec<&str> = text(&output.stderr).lines().collect();
    assert_eq!(lines.len(), 3, "{lines:?}");
    for (line, rate) in lines.iter().zip([128, 192, 320]) {
        let begins = format!("a.wav: not tried as MP3 at {rate} kbit/s: ");
        assert!(line.starts_with(&begins), "{line}");
        // The rate is not to blame.
        assert!(line.contains("not today") && line.contains(';'), "{line}");
        assert!(!line.contains("kHz"), "{line}");
    }
    assert_eq!(fs::read_dir(folder.join("kept")).unwrap().count(), 3);
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
        for key in ["ceiling_dbtp", "true_peak_dbtp", "holds"] {
            assert_eq!(row[key], Value::Null, "{key}");
        }
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

/// A song is good, and there is no room for what is made of it: that is no fault of the input.
#[test]
fn without_room_for_what_is_encoded_nothing_is_told_as_done() {
    let folder = folder("encoded_no_room");
    let planes = vec![tone(48_000, 997.0, -3.0, 1.0); 2];
    let bytes = wav(48_000, Stored::Int24, None, &planes);
    fs::write(folder.join("a.wav"), bytes).unwrap();
    for arguments in [
        &["encoded", "a.wav", "--keep", "kept"][..],
        &["report", "a.wav", "--html", "a.html"],
    ] {
        let output = Command::new(env!("CARGO_BIN_EXE_crestline"))
            .args(arguments)
            .current_dir(&folder)
            .envs(["TMPDIR", "TMP", "TEMP"].map(|name| (name, folder.join("none"))))
            .output()
            .unwrap();
        let line = text(&output.stderr);
        assert_eq!(output.status.code(), Some(4), "{line}");
        assert!(
            line.starts_with("a.wav: no room for what is encoded"),
            "{line}"
        );
        assert_eq!(line.lines().count(), 1, "{line}");
    }
    assert!(folder.join("a.html").exists());
    assert!(!folder.join("kept").exists());
}

/// The encoder exports the song again while it is being tried.
#[cfg(unix)]
#[test]
fn a_song_that_is_exported_again_meanwhile_is_not_told_of() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = folder("encoded_changed");
    for (name, level) in [("a.wav", -30.0), ("louder.wav", -10.0)] {
        let planes = vec![tone(48_000, 997.0, level, 1.0); 2];
        let bytes = wav(48_000, Stored::Int24, None, &planes);
        fs::write(folder.join(name), bytes).unwrap();
    }
    fs::create_dir(folder.join("bin")).unwrap();
    let program = folder.join("bin/lame");
    let script = "#!/bin/sh\n[ \"$1\" = --version ] && echo version 0 && exit\n\
                  mv louder.wav a.wav 2>&-\nexit 1\n";
    fs::write(&program, script).unwrap();
    fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
    let path = std::env::var_os("PATH").unwrap();
    let own = [folder.join("bin")].into_iter();
    let path = std::env::join_paths(own.chain(std::env::split_paths(&path)));
    let output = Command::new(env!("CARGO_BIN_EXE_crestline"))
        .args(["encoded", "a.wav", "--keep", "kept"])
        .current_dir(&folder)
        .env("PATH", path.unwrap())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    let line = text(&output.stderr);
    assert_eq!(line, "a.wav: changed while it was read; try again\n");
    assert!(output.stdout.is_empty());
    assert!(!folder.join("kept").exists());
}

/// What lies above the audible is gone at the rate of delivery: the file holds, and its own peak, which
/// is over full scale, is no ceiling to set.
#[test]
fn no_ceiling_lies_above_full_scale() {
    let folder = folder("encoded_ultrasonic");
    let audible = tone(96_000, 997.0, -20.0, 5.0);
    let beyond = tone(96_000, 40_000.0, 3.0, 5.0);
    let both = audible.iter().zip(&beyond).map(|(a, b)| a + b).collect();
    let bytes = wav(96_000, Stored::Float32, None, &[both]);
    fs::write(folder.join("a.wav"), bytes).unwrap();
    let told = json(&folder, &["encoded", "a.wav"]);
    assert!(number(&told["true_peak_dbtp"]) > 1.0, "{told}");
    for row in told["coded"].as_array().unwrap() {
        assert_eq!(row["holds"], true, "{row}");
        assert!(number(&row["ceiling_dbtp"]) <= 0.0, "{row}");
    }
}
