//! `crestline reduction`: known processes between two files, and files that do not belong together.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking, in its helpers too"
)]

use super::sound_files::{
    self, Stored, crestline, crestline_while_written, folder, text, tone, wav,
};
use kit::engine_run::noise;
use serde_json::Value;
use songs::rink_lights;
use std::fs;
use std::path::Path;
use std::process::Output;

fn reduction(folder: &Path, arguments: &[&str]) -> Output {
    crestline(folder, &[&["reduction"], arguments].concat())
}

fn json(folder: &Path, arguments: &[&str]) -> Value {
    sound_files::json(folder, &[&["reduction"], arguments].concat())
}

#[track_caller]
fn assert_close(value: &Value, expected: f64, tolerance: f64) {
    let value = value
        .as_f64()
        .unwrap_or_else(|| panic!("{value}, not {expected}"));
    assert!(
        (value - expected).abs() <= tolerance,
        "{value}, not {expected}"
    );
}

/// 20 s of the song.
fn song() -> Vec<Vec<f64>> {
    let song = rink_lights(48_000);
    song.channels
        .iter()
        .map(|channel| {
            channel[20 * 48_000..40 * 48_000]
                .iter()
                .map(|x| f64::from(*x))
                .collect()
        })
        .collect()
}

fn mapped(channels: &[Vec<f64>], map: impl Fn(f64) -> f64) -> Vec<Vec<f64>> {
    channels
        .iter()
        .map(|channel| channel.iter().map(|sample| map(*sample)).collect())
        .collect()
}

fn write(folder: &Path, name: &str, rate_hz: u32, channels: &[Vec<f64>]) {
    fs::write(
        folder.join(name),
        wav(rate_hz, Stored::Float32, None, channels),
    )
    .unwrap();
}

// A gain of −6 dB, upside down, 441 frames late: everything else must come out as nothing.
#[test]
fn a_delayed_and_inverted_copy_differs_by_its_gain_alone() {
    let folder = folder("reduction_copy");
    let before = song();
    let mut after = mapped(&before, |sample| -0.5 * sample);
    for channel in &mut after {
        channel.splice(0..0, std::iter::repeat_n(0.0, 441));
        channel.truncate(before[0].len());
    }
    write(&folder, "before.wav", 48_000, &before);
    write(&folder, "after.wav", 48_000, &after);
    let result = json(&folder, &["before.wav", "after.wav"]);
    sound_files::assert_keys_are_those_of_the_help(&folder, "reduction", &result);
    assert_eq!(result["delay_samples"], 441.0);
    assert_eq!(result["polarity"], "inverted");
    assert!(
        result["distortion_db"].as_f64().unwrap() < -100.0,
        "{result}"
    );
    // 20·log10(0.5).
    assert_close(&result["loudness_change_lu"], -6.0206, 0.05);
    assert_close(&result["plr_change_db"], 0.0, 0.05);
    assert_close(&result["ldr_change_db"], 0.0, 0.05);
    let bands = result["bands"].as_array().unwrap();
    assert_eq!(bands.len(), 4);
    let edges = [
        Value::Null,
        120.0.into(),
        1000.0.into(),
        6000.0.into(),
        Value::Null,
    ];
    for (index, band) in bands.iter().enumerate() {
        assert_eq!(
            (&band["low_hz"], &band["high_hz"]),
            (&edges[index], &edges[index + 1])
        );
        assert_close(&band["rest_gain_db"], -6.0206, 0.05);
        for key in ["mean_db", "p95_db", "max_db"] {
            assert_close(&band[key], 0.0, 0.05);
        }
        assert!(band["distortion_db"].as_f64().unwrap() < -100.0);
        assert_eq!(band.as_object().unwrap().len(), 7);
    }
    // The other way round the second file is early, and twice as loud; at rest as given.
    let back = json(&folder, &["after.wav", "before.wav", "--rest-gain-db", "9"]);
    assert_eq!(back["delay_samples"], -441.0);
    assert_close(&back["bands"][1]["rest_gain_db"], 9.0, 0.0);
    assert_close(&back["bands"][1]["mean_db"], 9.0 - 6.0206, 0.05);
    // Negative decibels are a value, not an option.
    let given = json(
        &folder,
        &["before.wav", "after.wav", "--rest-gain-db", "-4"],
    );
    assert_close(&given["bands"][2]["p95_db"], -4.0 + 6.0206, 0.05);
}

// By construction: an export that begins 1.3 s earlier in the session.
#[test]
fn files_may_begin_more_than_a_second_apart() {
    let folder = folder("reduction_apart");
    let before = song();
    let late = |channel: &Vec<f64>| [&vec![0.0; 62_400], &channel[..]].concat();
    let after: Vec<Vec<f64>> = before.iter().map(late).collect();
    write(&folder, "before.wav", 48_000, &before);
    write(&folder, "after.wav", 48_000, &after);
    let result = json(&folder, &["before.wav", "after.wav"]);
    assert_eq!(result["delay_samples"], 62_400.0);
    assert_eq!(result["fixed_device"], true);
    assert!(result["distortion_db"].as_f64().unwrap() < -100.0);
}

// By construction: two of every four seconds are 40 dB quieter, and their middle alone is turned down
// by 12 dB, as behind a gate.
#[test]
fn the_most_is_no_less_than_the_percentile() {
    let folder = folder("reduction_gate");
    let noise: Vec<f64> = noise(1, 8 * 48_000, 0.9, 7)[0]
        .iter()
        .map(|x| f64::from(*x))
        .collect();
    // From `from` to `to` frames into every four seconds.
    let scaled = |signal: &[f64], (from, to): (usize, usize), db: f64| -> Vec<f64> {
        let gain = |frame: usize| {
            let turned = (from..to).contains(&(frame % 192_000));
            if turned { 10_f64.powf(db / 20.0) } else { 1.0 }
        };
        let each = signal.iter().enumerate();
        each.map(|(frame, sample)| sample * gain(frame)).collect()
    };
    let before = scaled(&noise, (96_000, 192_000), -40.0);
    let after = scaled(&before, (108_000, 180_000), -12.0);
    write(&folder, "after.wav", 48_000, &[after]);
    write(&folder, "before.wav", 48_000, &[before]);
    let result = json(&folder, &["before.wav", "after.wav"]);
    for band in &result["bands"].as_array().unwrap()[1..] {
        assert_close(&band["p95_db"], 12.0, 0.3);
        assert!(band["max_db"].as_f64() >= band["p95_db"].as_f64(), "{band}");
    }
}

// Half of 8 kHz lies below the highest corner, and the split holds it at 0.45 of the rate.
#[test]
fn bands_are_named_by_where_they_meet_at_a_low_rate() {
    let folder = folder("reduction_low_rate");
    write(&folder, "before.wav", 8_000, &song());
    let result = json(&folder, &["before.wav", "before.wav"]);
    let bands = result["bands"].as_array().unwrap();
    assert_eq!(
        (&bands[2]["high_hz"], &bands[3]["low_hz"]),
        (&3_600.0.into(), &3_600.0.into())
    );
    let table = reduction(&folder, &["before.wav", "before.wav"]);
    assert!(text(&table.stdout).contains("above 3.6 kHz"));
}

// 2 s at rest, then 8 s turned down by 5 dB, energy-weighted by hand: the level is the same
// throughout, so the mean is 4 dB.
#[test]
fn a_tone_turned_down_reads_its_mean_its_percentile_and_its_most() {
    let folder = folder("reduction_tone");
    let before = tone(44_100, 2_500.0, -12.0, 10.0);
    let turned_down = 10_f64.powf(-5.0 / 20.0);
    let after: Vec<f64> = before
        .iter()
        .enumerate()
        .map(|(frame, sample)| {
            if frame < 88_200 {
                *sample
            } else {
                turned_down * sample
            }
        })
        .collect();
    write(&folder, "before.wav", 44_100, &[before]);
    write(&folder, "after.wav", 44_100, &[after]);
    let result = json(&folder, &["before.wav", "after.wav"]);
    assert_eq!(
        (&result["delay_samples"], &result["polarity"]),
        (&0.0.into(), &"normal".into())
    );
    let band = &result["bands"][2];
    assert_close(&band["rest_gain_db"], 0.0, 0.1);
    assert_close(&band["mean_db"], 4.0, 0.1);
    assert_close(&band["p95_db"], 5.0, 0.1);
    assert_close(&band["max_db"], 5.0, 0.1);
    // What the tone does not reach has no gain of its own.
    assert_eq!(result["bands"][0]["mean_db"], Value::Null);
    assert_eq!(result["bands"][0]["rest_gain_db"], Value::Null);
}

#[test]
fn the_table_says_the_same_as_the_json() {
    let folder = folder("reduction_table");
    let before = song();
    write(&folder, "before.wav", 48_000, &before);
    write(
        &folder,
        "after.wav",
        48_000,
        &mapped(&before, |sample| (2.0 * sample).clamp(-0.5, 0.5)),
    );
    let result = json(&folder, &["before.wav", "after.wav"]);
    let output = reduction(&folder, &["before.wav", "after.wav"]);
    assert_eq!(output.status.code(), Some(0));
    let table = text(&output.stdout);
    println!("{table}");
    assert!(
        table.contains("below 120 Hz")
            && table.contains("1 kHz … 6 kHz")
            && table.contains("above 6 kHz")
    );
    assert!(table.contains("delay 0 samples (0.00 ms), polarity normal"));
    for band in result["bands"].as_array().unwrap() {
        for key in [
            "rest_gain_db",
            "mean_db",
            "p95_db",
            "max_db",
            "distortion_db",
        ] {
            // The JSON is rounded to thousandths, so the table's hundredths may come out on either
            // side.
            let value = band[key].as_f64().unwrap();
            let shown = [value - 0.0005, value + 0.0005].map(|value| format!("{value:.2}"));
            assert!(
                shown.iter().any(|shown| table.contains(shown)),
                "{key} {value}"
            );
        }
    }
    assert!(table.contains(&format!(
        "distortion in all {:.2} dB",
        result["distortion_db"].as_f64().unwrap()
    )));
}

#[test]
fn what_cannot_be_compared_is_refused_in_one_line() {
    let folder = folder("reduction_refused");
    let (one, two) = (
        tone(48_000, 300.0, -12.0, 3.0),
        tone(48_000, 700.0, -12.0, 3.0),
    );
    write(&folder, "one.wav", 48_000, std::slice::from_ref(&one));
    write(&folder, "two.wav", 48_000, std::slice::from_ref(&two));
    write(&folder, "slow.wav", 44_100, std::slice::from_ref(&one));
    write(&folder, "stereo.wav", 48_000, &[one.clone(), one.clone()]);
    write(&folder, "silent.wav", 48_000, &[vec![0.0; one.len()]]);
    write(&folder, "surround.wav", 48_000, &vec![one.clone(); 5]);
    fs::write(folder.join("text.wav"), "no audio").unwrap();
    for (before, after, causes) in [
        ("one.wav", "slow.wav", ["slow.wav", "44100 Hz"]),
        ("one.wav", "stereo.wav", ["stereo.wav", "2 channels"]),
        ("one.wav", "two.wav", ["two.wav", "unrelated"]),
        ("one.wav", "silent.wav", ["silent.wav", "too quiet"]),
        (
            "surround.wav",
            "surround.wav",
            ["surround.wav", "mono or stereo"],
        ),
        ("one.wav", "text.wav", ["text.wav", "not an audio file"]),
        ("missing.wav", "one.wav", ["missing.wav", "no such file"]),
    ] {
        let output = reduction(&folder, &[before, after, "--json"]);
        assert_eq!(output.status.code(), Some(3), "{before} {after}");
        assert!(output.stdout.is_empty());
        let line = text(&output.stderr);
        assert_eq!(line.trim_end().lines().count(), 1, "{line}");
        assert!(
            causes.iter().all(|cause| line.contains(cause)) && line.contains(';'),
            "{line}"
        );
    }
    for arguments in [
        &["one.wav"][..],
        &["one.wav", "two.wav", "--rest-gain-db", "loud"],
        &["one.wav", "two.wav", "--rest-gain-db", "nan"],
    ] {
        assert_eq!(
            reduction(&folder, arguments).status.code(),
            Some(2),
            "{arguments:?}"
        );
    }
}

#[test]
fn the_help_says_how_means_are_weighted() {
    let output = reduction(Path::new("."), &["--help"]);
    assert_eq!(output.status.code(), Some(0));
    let help = text(&output.stdout);
    assert!(
        help.contains("energy-weighted")
            && help.contains("delay_samples")
            && help.contains("Exit codes")
    );
}

// The file that a path was written to, laid beside the input: found again from outside is what the
// path says of itself, the push being known.
#[test]
fn render_says_of_both_paths_what_their_files_show() {
    let folder = folder("reduction_render");
    write(&folder, "in.wav", 48_000, &song());
    for path in ["clean", "output"] {
        let output = crestline(
            &folder,
            &[
                "render",
                "in.wav",
                "out.wav",
                "--push-db",
                "9",
                "--saturate",
                "--bits",
                "32f",
                "--force",
                "--json",
                "--path",
                path,
            ],
        );
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        let printed: Value = serde_json::from_slice(&output.stdout).unwrap();
        let printed = &printed[format!("{path}_reduction")];
        let found = json(&folder, &["in.wav", "out.wav", "--rest-gain-db", "9"]);
        assert_eq!(printed["delay_samples"], found["delay_samples"]);
        assert_eq!(printed["polarity"], found["polarity"]);
        for key in ["loudness_change_lu", "plr_change_db", "ldr_change_db"] {
            assert_close(&printed[key], found[key].as_f64().unwrap(), 0.02);
        }
        // The chain's gains are those of both channels, those found of each.
        assert_close(
            &printed["distortion_db"],
            found["distortion_db"].as_f64().unwrap(),
            0.3,
        );
        for band in 0..4 {
            let (printed, found) = (&printed["bands"][band], &found["bands"][band]);
            assert_eq!(printed["low_hz"], found["low_hz"]);
            assert_eq!(printed["rest_gain_db"], 0.0);
            // The mean that bending leaves of uneven waves lies in the lowest band, and is taken out of
            // what is found (0.06 dB).
            let p95_db = if path == "output" && band == 0 {
                0.07
            } else {
                0.05
            };
            for (key, within_db) in [("mean_db", 0.05), ("p95_db", p95_db), ("max_db", 0.3)] {
                assert_close(&printed[key], found[key].as_f64().unwrap(), within_db);
            }
            assert_close(
                &printed["distortion_db"],
                found["distortion_db"].as_f64().unwrap(),
                0.7,
            );
        }
    }
}

// The chain knows its gains to the sample, and with them what they do to the phase. Found from
// outside are the same means, percentiles and highest values. Gains in points of 10 ms leave more
// over of what moves, by 1.9 dB here, and never less.
#[test]
fn bands_are_found_behind_their_own_crossover() {
    let folder = folder("reduction_bands");
    write(&folder, "in.wav", 48_000, &song());
    let output = crestline(
        &folder,
        &[
            "render",
            "in.wav",
            "out.wav",
            "--no-limiter",
            "--json",
            "--bands",
            "-30:2,-30:2,-30:2,-30:2",
            "--bits",
            "32f",
            "--force",
        ],
    );
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let printed: Value = serde_json::from_slice(&output.stdout).unwrap();
    let printed = &printed["output_reduction"];
    let found = json(&folder, &["in.wav", "out.wav", "--rest-gain-db", "0"]);
    println!("{printed:#}\n{found:#}");
    assert_eq!(found["polarity"], "normal");
    assert_eq!(found["fixed_device"], true);
    let [own, more] =
        [printed, &found].map(|reduction| reduction["distortion_db"].as_f64().unwrap());
    assert!((-0.3..2.5).contains(&(more - own)), "{own} {more}");
    for band in 0..4 {
        let (printed, found) = (&printed["bands"][band], &found["bands"][band]);
        for key in ["mean_db", "p95_db", "max_db"] {
            assert_close(&printed[key], found[key].as_f64().unwrap(), 0.3);
        }
    }
}

// A copy whose delay sways by 2 ms around 8 ms, added to the signal itself: a chorus (common
// practice). Its place beside the signal and the loudness of both are all there is to tell.
#[test]
fn what_is_no_fixed_device_is_told_as_such_and_without_figures() {
    let folder = folder("reduction_not_fixed");
    let before = song();
    let sway = |channel: &Vec<f64>| -> Vec<f64> {
        let copy = |frame: usize| {
            let ms = 8.0 + 2.0 * (std::f64::consts::TAU * 0.8 * frame as f64 / 48_000.0).sin();
            let at = frame as f64 - 48.0 * ms;
            let (from, share) = (at.max(0.0) as usize, at.max(0.0).fract());
            (1.0 - share) * channel[from] + share * channel[from + 1]
        };
        let both = |(frame, sample): (usize, &f64)| 0.7 * sample + 0.3 * copy(frame);
        channel.iter().enumerate().map(both).collect()
    };
    let after: Vec<Vec<f64>> = before.iter().map(sway).collect();
    write(&folder, "before.wav", 48_000, &before);
    write(&folder, "after.wav", 48_000, &after);
    let result = json(&folder, &["before.wav", "after.wav"]);
    assert_eq!(result["fixed_device"], false);
    assert_eq!(result["delay_samples"].as_f64().unwrap().round(), 0.0);
    assert_eq!(result["linear"], Value::Array(Vec::new()));
    let keys = [
        "rest_gain_db",
        "mean_db",
        "p95_db",
        "max_db",
        "distortion_db",
    ];
    for band in result["bands"].as_array().unwrap() {
        assert!(keys.iter().all(|key| band[key] == Value::Null), "{band}");
    }
    for key in ["distortion_db", "balance_db", "width_db", "muted"] {
        assert_eq!(result[key], Value::Null, "{key}");
    }
    assert!(result["loudness_change_lu"].is_f64());
    let table = reduction(&folder, &["before.wav", "after.wav"]);
    assert_eq!(table.status.code(), Some(0));
    assert!(text(&table.stdout).contains("not a fixed device"));
}

// By construction: wires that are crossed, one of them upside down.
#[test]
fn crossed_wires_are_told_as_such() {
    let folder = folder("reduction_wires");
    let before = song();
    let upside_down: Vec<f64> = before[0].iter().map(|sample| -sample).collect();
    write(&folder, "before.wav", 48_000, &before);
    for (after, polarity, exchanged, words) in [
        (
            [before[1].clone(), before[0].clone()],
            "normal",
            true,
            "left and right exchanged",
        ),
        (
            [upside_down, before[1].clone()],
            "left inverted",
            false,
            "polarity left inverted",
        ),
    ] {
        write(&folder, "after.wav", 48_000, &after);
        let result = json(&folder, &["before.wav", "after.wav"]);
        assert_eq!(result["polarity"], polarity);
        assert_eq!(result["exchanged"], exchanged);
        assert_close(&result["bands"][1]["mean_db"], 0.0, 0.01);
        let table = reduction(&folder, &["before.wav", "after.wav"]);
        assert!(text(&table.stdout).contains(words));
    }
}

// A tail of 0.3 s more, and a song whose channels are each other upside down.
#[test]
fn the_longer_file_ends_with_the_shorter_and_channels_may_cancel() {
    let folder = folder("reduction_overlap");
    let left = song().swap_remove(0);
    let before = vec![left.clone(), left.iter().map(|sample| -sample).collect()];
    let mut after = mapped(&before, |sample| 0.5 * sample);
    for channel in &mut after {
        channel.extend(std::iter::repeat_n(0.0, 14_400));
    }
    write(&folder, "before.wav", 48_000, &before);
    write(&folder, "after.wav", 48_000, &after);
    for files in [["before.wav", "after.wav"], ["after.wav", "before.wav"]] {
        let result = json(&folder, &files);
        assert_eq!(result["delay_samples"], 0.0);
        assert_eq!(result["polarity"], "normal");
        assert!(
            result["distortion_db"].as_f64().unwrap() < -100.0,
            "{result}"
        );
    }
}

// R. Bristow-Johnson, "Audio EQ Cookbook": a peaking filter of +3 dB at 3150 Hz, Q 1.
#[test]
fn an_equaliser_is_told_as_a_change_of_tone() {
    let folder = folder("reduction_tone_changed");
    let before = song();
    let a = 10.0_f64.powf(3.0 / 40.0);
    let w = std::f64::consts::TAU * 3150.0 / 48_000.0;
    let alpha = w.sin() / 2.0;
    let a0 = 1.0 + alpha / a;
    let after: Vec<Vec<f64>> = before
        .iter()
        .map(|channel| {
            let (mut x, mut y) = ([0.0; 2], [0.0; 2]);
            let step = |now: &f64| {
                let out = ((1.0 + alpha * a) * now - 2.0 * w.cos() * x[0]
                    + (1.0 - alpha * a) * x[1]
                    + 2.0 * w.cos() * y[0]
                    - (1.0 - alpha / a) * y[1])
                    / a0;
                (x, y) = ([*now, x[0]], [out, y[0]]);
                out
            };
            channel.iter().map(step).collect()
        })
        .collect();
    write(&folder, "before.wav", 48_000, &before);
    write(&folder, "after.wav", 48_000, &after);
    let result = json(&folder, &["before.wav", "after.wav"]);
    assert!(
        result["distortion_db"].as_f64().unwrap() < -80.0,
        "{result}"
    );
    let linear = result["linear"].as_array().unwrap();
    let at = |hz: f64| {
        let near = |gain: &&Value| (gain["hz"].as_f64().unwrap() / hz - 1.0).abs() < 0.02;
        linear.iter().find(near).unwrap()["gain_db"]
            .as_f64()
            .unwrap()
    };
    assert!(
        (2.7..=3.0).contains(&at(3150.0)) && at(250.0).abs() < 0.1,
        "{linear:?}"
    );
    let table = reduction(&folder, &["before.wav", "after.wav"]);
    let table = text(&table.stdout);
    println!("{table}");
    assert!(
        table.contains("tone changed: +2.") && table.contains("at 3.1"),
        "{table}"
    );
}

#[test]
fn files_that_are_written_meanwhile_are_not_told_of() {
    let folder = folder("reduction_changed");
    let before = song();
    write(&folder, "before.wav", 48_000, &before);
    write(&folder, "after.wav", 48_000, &mapped(&before, |x| 0.5 * x));
    for name in ["before.wav", "after.wav"] {
        let arguments = ["reduction", "before.wav", "after.wav"];
        let output = crestline_while_written(&folder, &arguments, name);
        assert_eq!(output.status.code(), Some(3));
        let told = format!("{name}: changed while it was read; try again\n");
        assert_eq!(text(&output.stderr), told);
        assert!(output.stdout.is_empty());
    }
}
