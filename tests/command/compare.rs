//! `crestline compare` on real files: figures that agree with `crestline measure`, the shelves that
//! were put in, saved profiles, what is printed, and refusals.

use std::fs;
use std::path::Path;
use std::process::Command;

use super::sound_files::{
    Stored, assert_keys_are_those_of_the_help, crestline, crestline_while_written, folder, json,
    measure_json, number, text, tone, wav,
};
use crestline_core::dsp::biquad::{Biquad, Coefficients};
use crestline_core::session::Section;
use crestline_files::{ProfileFailure, profile};
use serde_json::Value;
use songs::rink_lights;

/// The song from where the whole band plays.
fn song(seconds: usize) -> Vec<Vec<f64>> {
    let song = rink_lights(48_000);
    let part = |channel: &Vec<f32>| {
        let part = &channel[28 * 48_000..(28 + seconds) * 48_000];
        part.iter().map(|sample| f64::from(*sample)).collect()
    };
    song.channels.iter().map(part).collect()
}

fn write(folder: &Path, name: &str, planes: &[Vec<f64>]) {
    fs::write(
        folder.join(name),
        wav(48_000, Stored::Float32, None, planes),
    )
    .unwrap();
}

/// Source: the *Audio EQ Cookbook*, whose shelves `tests/process` holds the chain's to.
fn shelved(planes: &[Vec<f64>], shelves: [Coefficients; 2], gain: f64) -> Vec<Vec<f64>> {
    let filtered = planes.iter().map(|plane| {
        let mut states = [Biquad::default(), Biquad::default()];
        let samples = plane.iter().map(|sample| {
            let mut x = wide::f64x2::splat(gain * sample);
            for (state, shelf) in states.iter_mut().zip(&shelves) {
                x = state.step(shelf, x);
            }
            x.to_array()[0]
        });
        samples.collect()
    });
    filtered.collect()
}

// Source: `crestline measure --json` for the figures; the construction for the rest.
#[test]
fn figures_are_measures_and_the_shelves_are_found() {
    let folder = folder("compare_shelves");
    let reference = song(20);
    let shelves = [
        Coefficients::low_shelf(48_000.0, 150.0, 4.0),
        Coefficients::high_shelf(48_000.0, 4_000.0, -3.0),
    ];
    write(&folder, "reference.wav", &reference);
    write(&folder, "mix.wav", &shelved(&reference, shelves, 0.5));
    let told = json(
        &folder,
        &["compare", "mix.wav", "reference.wav", "--section", "whole"],
    );
    let (measured, _) = measure_json(&folder, &["compare", "mix.wav", "reference.wav"]);
    for (side, measured) in [("mix", &measured[0]), ("reference", &measured[1])] {
        for key in [
            "integrated_lufs",
            "short_term_max_lufs",
            "true_peak_dbtp",
            "plr_db",
            "short_term_plr_min_db",
            "ldr_db",
        ] {
            for stretch in ["whole", "part"] {
                assert_eq!(told[side][stretch][key], measured[key], "{side} {key}");
            }
        }
        assert_eq!(told[side]["file"], measured["file"]);
    }
    let loudness = |side: &str| number(&told[side]["part"]["integrated_lufs"]);
    let gain = number(&told["match_gain_db"]);
    assert!((gain - (loudness("mix") - loudness("reference"))).abs() < 2e-3);
    let suggestion = &told["suggestion"];
    assert_eq!(suggestion["helps"], true);
    for (key, hz, db) in [("low", 150.0, -4.0), ("high", 4_000.0, 3.0)] {
        let (found_hz, found_db) = (
            number(&suggestion[format!("{key}_shelf_hz")]),
            number(&suggestion[format!("{key}_shelf_db")]),
        );
        assert!((found_db - db).abs() < 0.5, "{key}: {found_db} dB");
        assert!(
            (found_hz / hz).log2().abs() < 1.0 / 3.0,
            "{key}: {found_hz} Hz"
        );
    }
    assert!(number(&suggestion["after_db"]) < 0.3 * number(&suggestion["before_db"]));
    // 4 dB at the bottom against −3 dB at the top: a difference of 7 dB between them.
    let difference = |band: usize| number(&told["bands"][band]["difference_db"]);
    let tilt = difference(4) - difference(27);
    assert!((tilt - 7.0).abs() < 0.5, "{tilt}");
    let shelved = |band: usize| number(&told["bands"][band]["shelved_db"]);
    assert!((shelved(4) - shelved(27)).abs() < 0.5);
    // By construction what sets the two apart most is the balance, at the top and at the bottom, 7
    // dB between them less what the regions hold of the shelves' slopes.
    let finding = |index: usize| &told["findings"][index];
    let sentence = |index: usize| finding(index)["sentence"].as_str().unwrap();
    for (index, words) in [
        (0, " less than the reference above 6 kHz"),
        (1, " more than the reference below 120 Hz"),
    ] {
        assert_eq!(finding(index)["about"], "balance");
        assert!(sentence(index).contains(words), "{}", sentence(index));
    }
    let apart = number(&finding(1)["difference"]) - number(&finding(0)["difference"]);
    assert!((6.0..7.0).contains(&apart), "{apart}");
    assert_eq!(told["same"], false);
}

/// Source: EBU Tech 3342, which asks for more than a minute; `crestline measure` for what is
/// longer. By definition: a gain of 0 dB matches what is equally loud.
#[test]
fn a_part_of_less_than_a_minute_has_no_loudness_range() {
    let folder = folder("compare_range");
    let mut plane = tone(8_000, 997.0, -30.0, 33.0);
    plane.extend(tone(8_000, 997.0, -20.0, 33.0));
    fs::write(
        folder.join("mix.wav"),
        wav(8_000, Stored::Int24, None, &[plane]),
    )
    .unwrap();
    let arguments = ["compare", "mix.wav", "mix.wav", "--section", "2-30"];
    let told = json(&folder, &arguments);
    let (measured, _) = measure_json(&folder, &["mix.wav"]);
    for side in ["mix", "reference"] {
        assert_eq!(told[side]["part"]["loudness_range_lu"], Value::Null);
        let whole = &told[side]["whole"]["loudness_range_lu"];
        assert!((number(whole) - 10.0).abs() < 0.1, "{whole}");
        assert_eq!(*whole, measured[0]["loudness_range_lu"]);
    }
    let printed = crestline(&folder, &arguments);
    let printed = text(&printed.stdout);
    let row = printed.lines().find(|line| line.starts_with("mix: "));
    let range = row.unwrap().split_whitespace().rev().nth(5);
    assert_eq!(range, Some("—"), "{printed}");
    assert!(printed.contains("both are equally loud"), "{printed}");
}

// Source: `--help`, which names the keys.
#[test]
fn json_has_the_keys_that_the_help_names() {
    let folder = folder("compare_json");
    write(&folder, "mix.wav", &song(6));
    let mono: Vec<f64> = song(6).swap_remove(0).iter().map(|x| 0.3 * x).collect();
    let bytes = wav(44_100, Stored::Int24, None, &[mono]);
    fs::write(folder.join("reference.wav"), bytes).unwrap();
    let told = json(&folder, &["compare", "mix.wav", "reference.wav"]);
    assert_keys_are_those_of_the_help(&folder, "compare", &told);
    assert_eq!(told["bands"].as_array().unwrap().len(), 31);
    assert_eq!(told["regions"].as_array().unwrap().len(), 4);
    assert_eq!(told["reference"]["sample_rate_hz"], 44_100);
    assert_eq!(told["reference"]["channels"], 1);
}

/// The decibels or shares in a sentence.
fn figures_in(sentence: &str) -> Vec<f64> {
    let words: Vec<&str> = sentence.split_whitespace().collect();
    let pairs = words.windows(2);
    let unit = |word: &str| ["dB", "LU", "%"].contains(&word.trim_end_matches(['.', ':']));
    let units = pairs.filter(|pair| unit(pair[1]));
    units.filter_map(|pair| pair[0].parse().ok()).collect()
}

/// By construction: the mix is a clipped copy of its reference, so it is denser and its beat stands
/// out less, and 20 dB louder; then the reference has shelves. Each sentence holds the number that
/// it stands for, or the two that it is the difference of (rounded to tenths, so by 0.1 dB).
#[test]
fn findings_are_what_was_put_in_and_say_their_numbers() {
    let folder = folder("compare_findings");
    let open = song(8);
    let clipped: Vec<Vec<f64>> = open
        .iter()
        .map(|plane| plane.iter().map(|x| (12.0 * x).clamp(-0.9, 0.9)).collect())
        .collect();
    let bright = [
        Coefficients::low_shelf(48_000.0, 100.0, -4.0),
        Coefficients::high_shelf(48_000.0, 5_000.0, 5.0),
    ];
    write(&folder, "mix.wav", &clipped);
    let quiet = open
        .iter()
        .map(|plane| plane.iter().map(|x| 0.3 * x).collect());
    write(&folder, "open.wav", &quiet.collect::<Vec<_>>());
    write(&folder, "bright.wav", &shelved(&clipped, bright, 0.9));
    let mut about = Vec::new();
    for (mix, reference, sign) in [
        ("mix.wav", "open.wav", 1.0),
        ("open.wav", "mix.wav", -1.0),
        ("mix.wav", "bright.wav", 1.0),
    ] {
        let told = json(&folder, &["compare", mix, reference]);
        let findings = told["findings"].as_array().unwrap();
        assert!((1..=4).contains(&findings.len()), "{findings:?}");
        for finding in findings {
            let sentence = finding["sentence"].as_str().unwrap();
            let difference = number(&finding["difference"]);
            let said = figures_in(sentence);
            let backed = match finding["about"].as_str().unwrap() {
                // The one that is bent first, and alone where the other's cannot be told.
                "flat tops" => {
                    let other = said.get(1).copied().unwrap_or(0.0);
                    (said[0] - other - difference.abs()).abs() <= 0.11
                }
                // Mix first, reference second.
                "density" | "microdynamics" => {
                    said.len() == 2 && (said[0] - said[1] - difference).abs() <= 0.11
                }
                _ => (said[0] - difference.abs()).abs() <= 0.051,
            };
            assert!(backed, "{sentence}: {difference}");
            let kind = finding["about"].as_str().unwrap();
            if kind == "loudness" || kind == "flat tops" {
                assert!(sign * difference > 5.0, "{finding}");
            } else if kind == "microdynamics" || (kind == "density" && reference != "bright.wav") {
                assert!(sign * difference < 0.0, "{finding}");
            }
            about.push(kind.to_owned());
        }
    }
    println!("compare: found {about:?}");
    for kind in ["loudness", "density", "balance"] {
        assert!(about.iter().any(|about| about == kind), "{kind}: {about:?}");
    }
}

#[cfg(unix)]
#[test]
fn a_pipe_is_refused_and_not_waited_for() {
    let folder = folder("compare_pipe");
    write(&folder, "mix.wav", &song(4));
    let pipe = Command::new("mkfifo").arg(folder.join("pipe")).status();
    assert!(pipe.unwrap().success());
    for sides in [["mix.wav", "pipe"], ["pipe", "mix.wav"]] {
        let refused = crestline(&folder, &[&["compare"], &sides[..]].concat());
        assert_eq!(refused.status.code(), Some(3));
        let line = text(&refused.stderr);
        assert!(
            line.starts_with("pipe: not a file but") && line.contains("; name"),
            "{line}"
        );
    }
}

#[test]
fn the_same_recording_is_told() {
    let folder = folder("compare_same");
    write(&folder, "mix.wav", &song(5));
    fs::copy(folder.join("mix.wav"), folder.join("copy.wav")).unwrap();
    for reference in ["mix.wav", "copy.wav"] {
        assert_eq!(
            json(&folder, &["compare", "mix.wav", reference])["same"],
            true
        );
        let printed = crestline(&folder, &["compare", "mix.wav", reference]);
        let printed = text(&printed.stdout).to_owned();
        assert!(printed.contains("Nothing that is measured"), "{printed}");
        assert!(printed.contains("no shelf helps"), "{printed}");
    }
}

// Source: ITU-R BS.1770-5, Annex 1, which adds up the channels' powers.
#[test]
fn mono_beside_stereo_is_told_as_it_is_heard() {
    let folder = folder("compare_mono");
    let planes = song(12);
    let mono: Vec<f64> = planes[0]
        .iter()
        .zip(&planes[1])
        .map(|(l, r)| 0.5 * (l + r))
        .collect();
    write(&folder, "two.wav", &[mono.clone(), mono.clone()]);
    write(&folder, "one.wav", &[mono]);
    let told = json(&folder, &["compare", "two.wav", "one.wav"]);
    assert_eq!(told["reference"]["channels"], 1);
    assert!(told["findings"].as_array().unwrap().is_empty());
    assert!(number(&told["match_gain_db"]).abs() <= 0.002);
    for key in ["integrated_lufs", "plr_db"] {
        let [ours, theirs] = ["mix", "reference"].map(|side| number(&told[side]["part"][key]));
        assert!((ours - theirs).abs() <= 0.002, "{key}: {ours}, {theirs}");
    }
    let output = crestline(&folder, &["compare", "one.wav", "two.wav"]);
    let note = text(&output.stderr);
    assert!(
        note.starts_with("crestline: one.wav: mono") || note.starts_with("one.wav: mono"),
        "{note}"
    );
    assert_eq!(note.lines().count(), 1);
    // What is saved is the file as it was measured.
    let arguments = [
        "compare",
        "two.wav",
        "one.wav",
        "--save-profile",
        "one.json",
    ];
    assert_eq!(crestline(&folder, &arguments).status.code(), Some(0));
    let saved = json(&folder, &["compare", "one.wav", "one.json"]);
    assert_eq!(saved["same"], true);
}

#[test]
fn of_a_saved_profile_the_section_is_compared_that_is_asked_for_or_a_note_says_which() {
    let folder = folder("compare_profile_section");
    // A second part that is louder and brighter: its loudest 30 s are not the whole.
    let [quiet, loud] = [song(8), song(9)];
    let bright = [
        Coefficients::low_shelf(48_000.0, 100.0, 0.0),
        Coefficients::high_shelf(48_000.0, 5_000.0, 6.0),
    ];
    let [quiet, loud] = [shelved(&quiet, bright, 0.3), shelved(&loud, bright, 0.9)];
    let two: Vec<Vec<f64>> = quiet
        .iter()
        .zip(&loud)
        .map(|(quiet, loud)| [&quiet[..], &loud[..]].concat())
        .collect();
    write(&folder, "mix.wav", &song(8));
    write(&folder, "reference.wav", &two);
    let compare = |reference: &str, section: &str| {
        let arguments = ["compare", "mix.wav", reference, "--section", section];
        let arguments = [&arguments[..], &["--json"]].concat();
        let output = crestline(&folder, &arguments);
        assert_eq!(output.status.code(), Some(0), "{section}");
        let told: Value = serde_json::from_slice(&output.stdout).unwrap();
        let mut reference = told["reference"].clone();
        reference["file"] = "".into();
        let notes = text(&output.stderr).trim_end().to_owned();
        ((reference, told["findings"].clone()), notes)
    };
    for section in ["1-4", "whole"] {
        let name = format!("{section}.json");
        let arguments = ["compare", "mix.wav", "reference.wav", "--section", section];
        let arguments = [&arguments[..], &["--save-profile", &name]].concat();
        assert_eq!(crestline(&folder, &arguments).status.code(), Some(0));
    }
    let (whole, _) = compare("reference.wav", "whole");
    for kept in ["1-4.json", "whole.json"] {
        assert_eq!(
            compare(kept, "whole"),
            (whole.clone(), String::new()),
            "{kept}"
        );
    }
    let (_, note) = compare("whole.json", "1-4");
    let expected = "whole.json: a saved profile, of the whole: that is compared, and not 1 to 4 s, which only the audio tells";
    assert!(note.ends_with(expected), "{note}");
}

#[test]
fn a_saved_profile_stands_for_its_file_and_is_never_overwritten_unasked() {
    let folder = folder("compare_profile");
    write(&folder, "mix.wav", &song(8));
    let bright = [
        Coefficients::low_shelf(48_000.0, 100.0, -2.0),
        Coefficients::high_shelf(48_000.0, 5_000.0, 4.0),
    ];
    write(&folder, "reference.wav", &shelved(&song(8), bright, 0.9));
    let save = [
        "compare",
        "mix.wav",
        "reference.wav",
        "--save-profile",
        "kept.json",
    ];
    let direct = json(&folder, &save);
    let mut from_profile = json(&folder, &["compare", "mix.wav", "kept.json"]);
    from_profile["reference"]["file"] = "reference.wav".into();
    assert_eq!(direct, from_profile);
    let kept = fs::read(folder.join("kept.json")).unwrap();
    let again = crestline(&folder, &save);
    assert_eq!(again.status.code(), Some(4));
    assert!(text(&again.stderr).starts_with("kept.json: is there already; "));
    assert_eq!(fs::read(folder.join("kept.json")).unwrap(), kept);
    let forced = crestline(&folder, &[&save[..], &["--force"]].concat());
    assert_eq!(forced.status.code(), Some(0));
    // Of an earlier version all but the crest factors is known, and a note says so.
    let text_of = fs::read_to_string(folder.join("kept.json")).unwrap();
    let earlier = text_of.replacen("\"version\": 5", "\"version\": 4", 1);
    fs::write(folder.join("earlier.json"), earlier).unwrap();
    let output = crestline(&folder, &["compare", "mix.wav", "earlier.json", "--json"]);
    let line = text(&output.stderr);
    assert!(
        line.starts_with("earlier.json: a profile saved by an earlier version, ")
            && line.lines().count() == 1,
        "{line}"
    );
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(told["bands"], direct["bands"]);
    assert!(
        told["regions"]
            .as_array()
            .unwrap()
            .iter()
            .all(|region| region["mix_crest_db"].is_null())
    );
    fs::write(folder.join("later.json"), "{\"version\": 99}").unwrap();
    fs::write(folder.join("other.json"), "{\"a\": 1}").unwrap();
    for (file, cause) in [
        ("later.json", "version 99"),
        ("other.json", "not the profile"),
    ] {
        let refused = crestline(&folder, &["compare", "mix.wav", file]);
        assert_eq!(refused.status.code(), Some(3));
        let line = text(&refused.stderr);
        assert!(
            line.starts_with(&format!("{file}: ")) && line.contains(cause),
            "{line}"
        );
    }
}

#[test]
fn what_cannot_be_compared_is_named_with_cause_and_remedy() {
    let folder = folder("compare_refused");
    write(&folder, "mix.wav", &song(5));
    write(&folder, "short.wav", &[tone(48_000, 1_000.0, -20.0, 2.0)]);
    write(&folder, "silent.wav", &[vec![0.0; 5 * 48_000]]);
    fs::write(folder.join("noise.wav"), [7; 5_000]).unwrap();
    for (reference, section, cause) in [
        ("short.wav", "loudest", "2.0 s long"),
        ("silent.wav", "loudest", "too quiet"),
        ("noise.wav", "loudest", "not an audio file"),
        ("missing.wav", "loudest", "no such file"),
        ("mix.wav", "30-60", "choose another part"),
    ] {
        let arguments = ["compare", "mix.wav", reference, "--section", section];
        let refused = crestline(&folder, &arguments);
        assert_eq!(refused.status.code(), Some(3), "{reference}");
        let line = text(&refused.stderr).lines().next().unwrap().to_owned();
        assert!(line.starts_with(&format!("{reference}: ")), "{line}");
        assert!(line.contains(cause) && line.contains(';'), "{line}");
    }
    for wrong in [
        &["compare", "mix.wav"][..],
        &["compare", "mix.wav", "mix.wav", "--force"],
    ] {
        assert_eq!(crestline(&folder, wrong).status.code(), Some(2));
    }
}

/// What an editor needs that must not wait: progress from 0 to 1, and an end when it says so.
#[test]
fn measuring_a_file_tells_its_progress_and_can_be_cancelled() {
    let folder = folder("compare_cancel");
    write(&folder, "mix.wav", &song(20));
    let path = folder.join("mix.wav");
    let mut shares = vec![0.0];
    let done = profile(&path, Section::Loudest, &mut |share| {
        shares.push(share);
        true
    });
    assert_eq!(done.unwrap().profile.name, "mix.wav");
    assert!(shares.len() > 5 && shares.is_sorted());
    assert!(
        shares
            .last()
            .is_some_and(|share| (0.99..=1.0).contains(share))
    );
    let mut calls = 0;
    let cancelled = profile(&path, Section::Loudest, &mut |_| {
        calls += 1;
        calls < 3
    });
    assert!(matches!(cancelled, Err(ProfileFailure::Cancelled)));
    assert_eq!(calls, 3);
}

#[test]
fn files_that_are_written_meanwhile_are_not_told_of() {
    let folder = folder("compare_changed");
    let mix = song(20);
    write(&folder, "mix.wav", &mix);
    write(&folder, "reference.wav", &mix);
    for name in ["mix.wav", "reference.wav"] {
        let arguments = [
            "compare",
            "mix.wav",
            "reference.wav",
            "--save-profile",
            "r.json",
        ];
        let output = crestline_while_written(&folder, &arguments, name);
        assert_eq!(output.status.code(), Some(3));
        let told = format!("{name}: changed while it was read; try again\n");
        assert_eq!(text(&output.stderr), told);
        assert!(output.stdout.is_empty());
        assert!(!folder.join("r.json").exists());
    }
}
