//! `crestline forecast` on real files: numbers that agree with `crestline render`, the section that
//! is asked for, what is printed, and refusals.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test fails by panicking and prints its figures, in its helpers too"
)]

use std::fs;
use std::path::Path;

use super::sound_files::{
    Stored, assert_keys_are_those_of_the_help, crestline, folder, json, number, text, tone, wav,
};
use kit::signals::white_noise;
use songs::rink_lights;

/// A file of `seconds` of the song from where the whole band plays.
fn song(folder: &Path, seconds: usize) {
    let song = rink_lights(48_000);
    let planes: Vec<Vec<f64>> = song
        .channels
        .iter()
        .map(|channel| {
            let part = &channel[28 * 48_000..(28 + seconds) * 48_000];
            part.iter().map(|sample| f64::from(*sample)).collect()
        })
        .collect();
    let bytes = wav(48_000, Stored::Float32, None, &planes);
    fs::write(folder.join("mix.wav"), bytes).unwrap();
}

/// By definition: what is louder than the level is turned down by the difference, with its peaks; PLR
/// stays, and what lies between its peak and −1 dBTP (common practice) is unused.
#[test]
fn levelled_playback_is_told_for_the_level_that_is_asked_for() {
    let folder = folder("forecast_levelled");
    song(&folder, 10);
    let level = -18.0;
    let arguments = ["forecast", "mix.wav", "--playback-lufs", "-18"];
    let told = json(
        &folder,
        &[&arguments[..], &["--push-db", "6", "--saturate"]].concat(),
    );
    let mut checked = 0;
    for at in told["at_one_loudness"].as_array().unwrap() {
        let loudness = number(&at["loudness_lufs"]);
        for path in ["clean", "saturated"] {
            let choice = &at[path];
            if choice.is_null() || choice["turned_down"].is_null() {
                continue;
            }
            let played = &choice["turned_down"];
            let value = |key: &str| number(&played[key]);
            assert_eq!(value("playback_lufs"), level);
            assert!(
                (value("gain_db") - (level - loudness)).abs() < 0.002,
                "{at}"
            );
            assert_eq!(value("plr_db"), number(&choice["plr_db"]));
            let peak = loudness + value("plr_db") + value("gain_db");
            assert!((value("true_peak_dbtp") - peak).abs() < 0.003, "{at}");
            assert!(
                (value("unused_peak_db") - (-1.0 - peak)).abs() < 0.003,
                "{at}"
            );
            checked += 1;
        }
    }
    assert!(checked >= 2, "{told}");
}

// Source: `crestline render` at the same push with the same stages, as its own JSON tells.
#[test]
fn a_point_is_what_render_does_at_that_push() {
    let folder = folder("forecast_render");
    song(&folder, 10);
    let stages = [
        "--high-shelf-db",
        "2",
        "--bands",
        "-26:2,-26:2,off,off",
        "--shoulder-db",
        "4",
        "--ceiling-dbtp",
        "-2",
    ];
    let forecast = [&["forecast", "mix.wav", "--section", "whole"], &stages[..]].concat();
    let forecast = json(&folder, &forecast);
    let points = forecast["points"].as_array().unwrap();
    for push in ["0", "6", "13.5"] {
        let mut render = vec!["render", "mix.wav", "out.wav", "--force", "--saturate"];
        render.extend(["--bits", "32f", "--push-db", push]);
        render.extend(stages);
        let rendered = json(&folder, &render);
        let push: f64 = push.parse().unwrap();
        let point = points
            .iter()
            .find(|point| number(&point["push_db"]) == push);
        let point = point.unwrap();
        for (path, render) in [("clean", "clean"), ("saturated", "output")] {
            let told = &point[path];
            for (key, within) in [
                ("integrated_lufs", 0.05),
                ("short_term_max_lufs", 0.05),
                ("true_peak_dbtp", 0.1),
                ("plr_db", 0.1),
                ("short_term_plr_min_db", 0.1),
                ("ldr_db", 0.1),
            ] {
                let error = number(&told[key]) - number(&rendered[render][key]);
                assert!(error.abs() <= within, "{path} {key} at {push} dB: {error}");
            }
            let paid = &rendered[format!("{render}_reduction")];
            let error = number(&told["distortion_db"]) - number(&paid["distortion_db"]);
            assert!(
                error.abs() <= 0.1,
                "{path} distortion at {push} dB: {error}"
            );
            for band in 0..4 {
                let (told, paid) = (&told["bands"][band], &paid["bands"][band]);
                let reduction = number(&told["reduction_db"]) - number(&paid["mean_db"]);
                let distortion = number(&told["distortion_db"]) - number(&paid["distortion_db"]);
                assert!(reduction.abs() <= 0.1, "{path} band {band}: {reduction}");
                assert!(distortion.abs() <= 0.1, "{path} band {band}: {distortion}");
            }
        }
    }
}

// Source: `crestline render` at the pushes that the forecast tells, as its own JSON tells. The
// saturator sets in between the pushes of 0 and 1.5 dB, where no straight line follows it.
#[test]
fn what_is_told_between_the_even_pushes_is_what_render_does_there() {
    let folder = folder("forecast_between");
    song(&folder, 10);
    let shoulder = ["--saturate", "--shoulder-db", "1"];
    let asked = ["forecast", "mix.wav", "--section", "whole"];
    let asked = [&asked[..], &["--push-db", "0.7"], &shoulder].concat();
    let told = json(&folder, &asked);
    for (at, of) in ["now", "clean_potential"].into_iter().enumerate() {
        let at = &told["at_one_loudness"][at];
        assert_eq!(at["of"], of);
        for (path, render) in [("clean", "clean"), ("saturated", "output")] {
            let told = &at[path];
            let push = number(&told["push_db"]).to_string();
            let mut arguments = vec!["render", "mix.wav", "out.wav", "--force"];
            arguments.extend(["--bits", "32f", "--push-db", &push]);
            arguments.extend(shoulder);
            let rendered = json(&folder, &arguments);
            for (key, is, within) in [
                ("plr_db", &rendered[render]["plr_db"], 0.1),
                ("ldr_db", &rendered[render]["ldr_db"], 0.1),
                (
                    "distortion_db",
                    &rendered[format!("{render}_reduction")]["distortion_db"],
                    0.5,
                ),
            ] {
                let error = number(&told[key]) - number(is);
                println!("{of}, {path} at {push} dB: {key} {error:.3} dB off");
                assert!(error.abs() <= within, "{of}, {path}, {key}: {error}");
            }
        }
    }
}

// Source: `--help`, which names the keys.
#[test]
fn json_has_the_keys_that_the_help_names() {
    let folder = folder("forecast_json");
    song(&folder, 6);
    let arguments = [
        "forecast",
        "mix.wav",
        "--max-push-db",
        "9",
        "--at-lufs",
        "-11",
    ];
    let told = json(
        &folder,
        &[&arguments[..], &["--push-db", "3", "--saturate"]].concat(),
    );
    assert_keys_are_those_of_the_help(&folder, "forecast", &told);
    let points = told["points"].as_array().unwrap();
    let pushes: Vec<f64> = points
        .iter()
        .map(|point| number(&point["push_db"]))
        .collect();
    assert!(pushes.is_sorted() && pushes[0] == 0.0 && *pushes.last().unwrap() == 9.0);
    let reasons = told["at_one_loudness"].as_array().unwrap();
    let reasons: Vec<&str> = reasons
        .iter()
        .map(|at| at["of"].as_str().unwrap())
        .collect();
    assert_eq!(reasons, ["now", "clean_potential", "asked"]);
    // Now is the saturated path at 3 dB, which is a point.
    let now = &told["at_one_loudness"][0];
    assert_eq!(now["saturated"]["push_db"], 3.0);
    assert_eq!(
        now["loudness_lufs"],
        points[2]["saturated"]["integrated_lufs"]
    );
    assert_eq!(told["now"]["path"], "saturated");
    // The sentence ends with what was asked.
    let sentence = told["sentence"].as_str().unwrap();
    assert!(sentence.contains("−11.0 LUFS"), "{sentence}");
    let table = crestline(&folder, &arguments);
    let table = text(&table.stdout);
    assert!(
        table.contains("half an LU") && table.contains("as asked"),
        "{table}"
    );
    // Pushes that end where each decibel still adds one show no potential.
    let short = crestline(&folder, &["forecast", "mix.wav", "--max-push-db", "1.5"]);
    let short = text(&short.stdout);
    assert!(
        short.contains("clean, potential not reached") && !short.contains("at the clean"),
        "{short}"
    );
}

// Closed form: power is the mean over time, and nothing of it lies under the gate.
#[test]
fn a_part_says_by_how_much_the_whole_is_quieter() {
    let folder = folder("forecast_whole");
    let mut plane = tone(8_000, 440.0, -14.0, 100.0);
    let loud = tone(8_000, 440.0, -10.0, 60.0);
    plane[20 * 8_000..80 * 8_000].copy_from_slice(&loud);
    let bytes = wav(8_000, Stored::Float32, None, &[plane]);
    fs::write(folder.join("mix.wav"), bytes).unwrap();
    let asked = ["forecast", "mix.wav", "--max-push-db", "1.5"];
    let told = json(&folder, &asked);
    let [of_s, quieter_lu] = ["of_s", "whole_quieter_lu"].map(|key| number(&told["section"][key]));
    let expected_lu = -10.0 * f64::log10(0.6 + 0.4 * 10.0_f64.powf(-0.4));
    assert_eq!(of_s, 100.0);
    // Blocks at either end hold some of both.
    assert!(
        (quieter_lu - expected_lu).abs() < 0.05,
        "{quieter_lu} {expected_lu}"
    );
    let output = crestline(&folder, &asked);
    let text = text(&output.stdout);
    assert!(text.contains(", the loudest of 100.0 s"), "{text}");
    assert!(
        text.contains("As it is, the whole file is 1.2 LU quieter"),
        "{text}"
    );
    let whole = json(&folder, &[&asked[..], &["--section", "whole"]].concat());
    assert!(whole["section"]["of_s"].is_null());
}

// Closed form: the loud part of the file is where it was put.
#[test]
fn a_section_is_what_was_asked_for() {
    let folder = folder("forecast_sections");
    let mut plane = tone(8_000, 440.0, -40.0, 100.0);
    let loud = tone(8_000, 440.0, -10.0, 10.0);
    plane[85 * 8_000..95 * 8_000].copy_from_slice(&loud);
    let bytes = wav(8_000, Stored::Float32, None, &[plane]);
    fs::write(folder.join("mix.wav"), bytes).unwrap();
    let section = |asked: &str| {
        let arguments = [
            "forecast",
            "mix.wav",
            "--max-push-db",
            "1.5",
            "--section",
            asked,
        ];
        let told = json(&folder, &arguments);
        let [start, end] = ["start_s", "end_s"].map(|key| number(&told["section"][key]));
        (start, end)
    };
    assert_eq!(section("whole"), (0.0, 100.0));
    assert_eq!(section("20-30.5"), (20.0, 30.5));
    assert_eq!(section("90-200"), (90.0, 100.0));
    // Every minute that holds all of the loud part with its windows has the same power, to the last
    // few of its decimals; the first of them ends with the loud part's last window, 3 s after it.
    let (start, end) = section("loudest");
    println!("loudest: {start} to {end}");
    assert!((end - start - 60.0).abs() < 1e-9);
    assert!(
        start <= 85.0 && (97.9..=100.0).contains(&end),
        "{start} to {end}"
    );
}

#[test]
fn the_curves_are_drawn() {
    let folder = folder("forecast_svg");
    song(&folder, 4);
    let arguments = [
        "forecast",
        "mix.wav",
        "--max-push-db",
        "3",
        "--svg",
        "price.svg",
    ];
    let output = crestline(&folder, &arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let svg = fs::read_to_string(folder.join("price.svg")).unwrap();
    assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
    for words in [
        "clean",
        "saturated",
        "integrated loudness, LUFS",
        "microdynamics (LDR), dB",
    ] {
        assert!(svg.contains(words), "{words}");
    }
    assert!(svg.matches("<polyline").count() >= 4 && !svg.contains("NaN"));
    assert_whole_and_apart(&svg, "bend at");
    // It replaces nothing unless it is told to.
    let again = crestline(&folder, &arguments);
    assert_eq!(again.status.code(), Some(4));
    assert!(text(&again.stderr).contains("--force"));
    let forced = crestline(&folder, &[&arguments[..], &["--force"]].concat());
    assert_eq!(forced.status.code(), Some(0));
}

/// In a picture of both curves pushed to their ends the marks lie near the edge, and near each other.
#[test]
fn the_bends_of_a_picture_are_told_within_it() {
    let folder = folder("forecast_bends");
    let noise = white_noise(11, 0.5, 12 * 48_000);
    let planes = [noise.into_iter().map(f64::from).collect()];
    fs::write(
        folder.join("noise.wav"),
        wav(48_000, Stored::Float32, None, &planes),
    )
    .unwrap();
    let arguments = ["forecast", "noise.wav", "--svg", "noise.svg"];
    let output = crestline(&folder, &arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let svg = fs::read_to_string(folder.join("noise.svg")).unwrap();
    assert!(svg.matches("bend at").count() >= 2, "{svg}");
    assert_whole_and_apart(&svg, "bend at");
}

/// Texts with these words lie within a picture 1200 wide, and none over another. Sans-serif letters
/// are half as wide as high, on the average (Helvetica's metrics, from memory).
fn assert_whole_and_apart(svg: &str, words: &str) {
    let mut places: Vec<[f64; 3]> = Vec::new();
    for text in svg.split("<text ").skip(1) {
        let (head, body) = text.split_once('>').unwrap();
        let body = body.split('<').next().unwrap().trim();
        if !body.contains(words) {
            continue;
        }
        let of = |key: &str| {
            let (_, rest) = head.split_once(&format!("{key}=\"")).unwrap();
            rest.split('"').next().unwrap()
        };
        let value = |key: &str| of(key).parse::<f64>().unwrap();
        let (x, height) = (value("x"), value("font-size"));
        let width = 0.5 * height * body.chars().count() as f64;
        let left = if of("text-anchor") == "end" {
            x - width
        } else {
            x
        };
        // What stands on its point, or hangs from it.
        let above = if of("dy").starts_with('-') {
            height
        } else {
            0.0
        };
        let top = value("y") - above;
        assert!(left >= 0.0 && left + width <= 1_200.0, "{body}: {left}");
        for [other, other_width, other_top] in &places {
            let beside = left + width < *other || other + other_width < left;
            let over = (top - other_top).abs() >= height;
            assert!(beside || over, "{body} lies over another");
        }
        places.push([left, width, top]);
    }
}

/// By definition: where nothing is limited a decibel more is a decibel louder, whatever the shelves
/// make of which parts count. The dull verse counts in the file as it is, and not behind a shelf that
/// raises the chorus alone.
#[test]
fn what_a_decibel_adds_is_told_of_the_same_parts_behind_a_shelf() {
    let folder = folder("forecast_shelf");
    let noise = white_noise(12, 0.01, 12 * 48_000);
    let mut dull = 0.0;
    let verse = noise[..6 * 48_000].iter().map(|sample| {
        dull += 0.03 * (f64::from(*sample) - dull);
        5.0 * dull
    });
    let chorus = noise[6 * 48_000..].iter().map(|sample| f64::from(*sample));
    let planes = [verse.chain(chorus).collect()];
    fs::write(
        folder.join("mix.wav"),
        wav(48_000, Stored::Float32, None, &planes),
    )
    .unwrap();
    let shelf = ["--high-shelf-db", "9", "--high-shelf-hz", "1500"];
    let told = json(
        &folder,
        &[&["forecast", "mix.wav", "--max-push-db", "3"][..], &shelf].concat(),
    );
    let added = number(&told["next_decibel"]["clean"]["loudness_lu"]);
    assert!((added - 1.0).abs() < 0.02, "{added}");
}

#[test]
fn silence_is_told_as_such() {
    let folder = folder("forecast_silence");
    let bytes = wav(48_000, Stored::Int16, None, &[vec![0.0; 48_000]]);
    fs::write(folder.join("mix.wav"), bytes).unwrap();
    let arguments = [
        "forecast",
        "mix.wav",
        "--max-push-db",
        "1.5",
        "--svg",
        "flat.svg",
    ];
    let told = json(&folder, &arguments);
    assert!(told["points"][0]["clean"]["integrated_lufs"].is_null());
    assert!(told["potential"]["clean"].is_null());
    assert_eq!(told["sentence"], "");
    let output = crestline(&folder, &[&arguments[..4], &["--at-lufs", "-14"]].concat());
    let output = text(&output.stdout);
    assert!(
        output.contains("It is too quiet or too short to tell."),
        "{output}"
    );
    assert!(!output.contains("path comes to"), "{output}");
}

#[test]
fn what_cannot_be_forecast_is_refused_with_the_reason() {
    let folder = folder("forecast_refusals");
    song(&folder, 1);
    let six = vec![vec![0.0; 4_800]; 6];
    fs::write(
        folder.join("six.wav"),
        wav(48_000, Stored::Int16, Some(0x3f), &six),
    )
    .unwrap();
    for (arguments, code, why) in [
        (&["mix.wav", "--no-limiter"][..], 2, "--no-limiter"),
        (&["mix.wav", "--force"], 2, "--force"),
        (
            &["mix.wav", "--push-db", "9", "--max-push-db", "6"],
            2,
            "--push-db 9 lies past",
        ),
        (&["mix.wav", "--section", "9-3"], 2, "ends before it starts"),
        (
            &["mix.wav", "--max-push-db", "19"],
            2,
            "not within 1.5 to 18",
        ),
        (&["mix.wav", "--low-shelf-hz", "90"], 2, "--low-shelf-db"),
        (&["mix.wav", "--section", "5-6"], 3, "nothing is left"),
        (&["six.wav"], 3, "6 channels"),
        (&["none.wav"], 3, "none.wav"),
    ] {
        let output = crestline(&folder, &[&["forecast"], arguments].concat());
        let stderr = text(&output.stderr);
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {stderr}");
        assert!(stderr.contains(why), "{arguments:?}: {stderr}");
        assert!(output.stdout.is_empty());
    }
}
