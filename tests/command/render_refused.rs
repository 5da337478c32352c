//! What `crestline render` refuses, in one line that says why, and leaves as it was.

use std::fs;
use std::path::Path;

use super::render::{render, rendered, samples, write};
use super::sound_files::{Stored, crestline, folder, text, tone, wav};
use kit::engine_run::noise;

#[test]
fn a_file_is_overwritten_only_on_demand() {
    let folder = folder("render_force");
    let input = noise(2, 20_000, 0.25, 4);
    write(&folder.join("in.wav"), 48_000, Stored::Float32, &input);
    fs::write(folder.join("out.wav"), b"precious").unwrap();
    let original = fs::read(folder.join("in.wav")).unwrap();

    for (out, options, told) in [
        (
            "out.wav",
            &[][..],
            "out.wav: is there already; choose another name or add --force",
        ),
        (
            "in.wav",
            &[],
            "in.wav: is one of the inputs, which are never written to;",
        ),
        (
            "in.wav",
            &["--force"],
            "in.wav: is one of the inputs, which are never written to;",
        ),
    ] {
        let refused = render(&folder, &[&["in.wav", out], options].concat());
        assert_eq!(refused.status.code(), Some(4));
        let line = text(&refused.stderr);
        assert!(
            line.starts_with(told) && line.lines().count() == 1,
            "{line}"
        );
        assert!(refused.stdout.is_empty());
    }
    assert_eq!(fs::read(folder.join("out.wav")).unwrap(), b"precious");
    assert_eq!(fs::read(folder.join("in.wav")).unwrap(), original);

    rendered(
        &folder,
        &[
            "in.wav",
            "out.wav",
            "--force",
            "--push-db",
            "6",
            "--no-limiter",
            "--bits",
            "32f",
        ],
    );
    // A gain of 10^(6/20).
    let gain = 10_f64.powf(6.0 / 20.0);
    let out = samples(&folder.join("out.wav"));
    for (out, input) in out.iter().flatten().zip(input.iter().flatten()) {
        assert!((f64::from(*out) - f64::from(*input) * gain).abs() < 1e-6);
    }
    assert_eq!(
        fs::read_dir(&folder).unwrap().count(),
        2,
        "nothing is left behind"
    );
}

#[test]
fn a_name_that_promises_another_kind_of_file_is_refused() {
    let folder = folder("render_names");
    let input = noise(1, 1_000, 0.5, 5);
    write(&folder.join("in.wav"), 48_000, Stored::Int16, &input);
    for (out, better) in [("out.flac", "out.wav"), ("out.json", "out.wav")] {
        let refused = render(&folder, &["in.wav", out]);
        assert_eq!(refused.status.code(), Some(2));
        let line = text(&refused.stderr);
        assert_eq!(
            line.trim(),
            format!("{out}: only WAV is written; call it {better}")
        );
    }
    for out in ["out", "out.WAV", "out.wave"] {
        rendered(&folder, &["in.wav", out]);
    }
}

#[test]
fn what_is_out_of_range_is_refused_with_the_range() {
    let folder = folder("render_ranges");
    write(
        &folder.join("in.wav"),
        48_000,
        Stored::Int16,
        &noise(1, 1_000, 0.5, 5),
    );
    for (option, value, expected) in [
        ("--push-db", "18.1", "not within 0 to 18"),
        ("--push-db", "-1", "not within 0 to 18"),
        ("--push-db", "nan", "not within 0 to 18"),
        ("--push-db", "loud", "not a number"),
        (
            "--ceiling-dbtp",
            "-1dBTP",
            "not a number; give one without a unit",
        ),
        ("--low-shelf-db", "-9.5", "not within -9 to 9"),
        ("--low-shelf-hz", "-1", "not within 40 to 400"),
        ("--high-shelf-db", "10", "not within -9 to 9"),
        ("--high-shelf-hz", "1000", "not within 1500 to 12000"),
        ("--shoulder-db", "0.4", "not within 0.5 to 12"),
        ("--shoulder-db", "-3", "not within 0.5 to 12"),
        ("--lean-percent", "101", "not within 0 to 100"),
        ("--blend-percent", "-1", "not within 0 to 100"),
        ("--ceiling-dbtp", "0.5", "not within -12 to 0"),
        ("--ceiling-dbtp", "-12.1", "not within -12 to 0"),
        ("--release-ms", "19", "not within 20 to 1000"),
        ("--release-ms", "-5", "not within 20 to 1000"),
        ("--link-percent", "inf", "not within 0 to 100"),
        ("--bands", "-30:2", "four bands are needed"),
        (
            "--bands",
            "-30:0.5,off,off,off",
            "ratio: 0.5 is not within 1 to 10",
        ),
        (
            "--crossovers-hz",
            "1000,120,6000",
            "1000 is not within 40 to 400",
        ),
        ("--bits", "20", "possible values: 16, 24, 32f"),
        ("--path", "wet", "possible values: output, clean, residue"),
    ] {
        let output = render(&folder, &["in.wav", "out.wav", option, value]);
        let errors = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{option} {value}: {errors}");
        assert!(
            errors.contains(expected) && errors.contains(option),
            "{option} {value}: {errors}"
        );
        assert!(!folder.join("out.wav").exists());
    }
}

// One line that names the option, the cause and the remedy; nothing is written. What was left out
// is at its default with or without them.
#[test]
fn an_option_that_would_change_nothing_is_refused() {
    let folder = folder("render_without_effect");
    write(
        &folder.join("in.wav"),
        48_000,
        Stored::Int16,
        &noise(1, 1_000, 0.5, 5),
    );
    let bands = "off,off,-30:2,off";
    for (option, value, missing) in [
        ("--shoulder-db", "6", &["--saturate"][..]),
        ("--lean-percent", "20", &["--saturate"]),
        ("--blend-percent", "50", &["--saturate"]),
        ("--crossovers-hz", "100,1000,5000", &["--bands", bands]),
        ("--low-shelf-hz", "100", &["--low-shelf-db", "2"]),
        ("--high-shelf-hz", "3000", &["--high-shelf-db", "-2"]),
    ] {
        refused_in_one_line(&folder, &[option, value], missing[0]);
        rendered(
            &folder,
            &[&["in.wav", "out.wav", "--force", option, value], missing].concat(),
        );
        fs::remove_file(folder.join("out.wav")).unwrap();
    }
    for (option, value) in [
        ("--ceiling-dbtp", "-2"),
        ("--release-ms", "100"),
        ("--link-percent", "50"),
    ] {
        refused_in_one_line(&folder, &["--no-limiter", option, value], "--no-limiter");
    }
    // The curve ends at the ceiling, limiter or not.
    rendered(
        &folder,
        &[
            "in.wav",
            "out.wav",
            "--no-limiter",
            "--saturate",
            "--ceiling-dbtp",
            "-2",
        ],
    );
}

fn refused_in_one_line(folder: &Path, options: &[&str], because_of: &str) {
    let output = render(folder, &[&["in.wav", "out.wav"], options].concat());
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{options:?}: {errors}");
    let option = options[options.len() - 2];
    assert!(
        errors.lines().count() == 1
            && errors.starts_with(&format!("{option} changes nothing with"))
            && errors.contains(because_of)
            && errors.contains("leave"),
        "{options:?}: {errors}"
    );
    assert!(output.stdout.is_empty() && !folder.join("out.wav").exists());
}

#[test]
fn an_input_that_cannot_be_used_ends_with_3_and_leaves_nothing() {
    let folder = folder("render_inputs");
    fs::write(folder.join("text.wav"), "no audio at all, but a few words").unwrap();
    write(
        &folder.join("surround.wav"),
        48_000,
        Stored::Int16,
        &noise(6, 5_000, 0.5, 6),
    );
    let mut cut_short = wav(
        48_000,
        Stored::Int16,
        None,
        &[tone(48_000, 1_000.0, -6.0, 1.0)],
    );
    cut_short.truncate(cut_short.len() / 2);
    fs::write(folder.join("short.wav"), cut_short).unwrap();
    for (input, expected) in [
        ("missing.wav", "no such file"),
        ("text.wav", "not an audio file"),
        ("surround.wav", "6 channels"),
        ("short.wav", "cut short"),
        (".", "not a file"),
    ] {
        let output = render(&folder, &[input, "out.wav"]);
        let line = text(&output.stderr);
        assert_eq!(output.status.code(), Some(3), "{input}: {line}");
        assert!(
            line.starts_with(input) && line.contains(expected) && line.lines().count() == 1,
            "{line}"
        );
        assert!(output.stdout.is_empty() && !folder.join("out.wav").exists());
    }
    let surround = render(&folder, &["surround.wav", "out.wav"]);
    assert!(text(&surround.stderr).contains("mix it down first"));
}

#[test]
fn an_output_that_cannot_be_written_ends_with_4() {
    let folder = folder("render_outputs");
    write(
        &folder.join("in.wav"),
        48_000,
        Stored::Int16,
        &noise(1, 1_000, 0.5, 7),
    );
    fs::create_dir(folder.join("taken")).unwrap();
    for (out, options) in [
        ("nowhere/out.wav", &[][..]),
        ("nowhere/out.wav", &["--force"]),
        ("taken", &[]),
        ("taken", &["--force"]),
    ] {
        let output = render(&folder, &[&["in.wav", out], options].concat());
        let line = text(&output.stderr);
        assert_eq!(output.status.code(), Some(4), "{out} {options:?}: {line}");
        assert!(line.starts_with(out) && line.lines().count() == 1, "{line}");
        assert!(output.stdout.is_empty());
    }
    assert_eq!(
        fs::read_dir(&folder).unwrap().count(),
        2,
        "nothing is left behind"
    );
    assert!(folder.join("taken").is_dir());
}

/// WAV holds less than 4 GiB: half as many bytes of 16 bits are that many of 32, which the header tells.
#[test]
fn what_is_too_long_for_a_wav_is_refused_before_it_is_rendered() {
    const HALF: u32 = 0x8000_0000;
    let folder = folder("render_too_long");
    let mut bytes = wav(48_000, Stored::Int16, None, &[vec![0.0]]);
    let head = bytes.len() - 2;
    bytes[4..8].copy_from_slice(&(HALF + head as u32 - 8).to_le_bytes());
    bytes[head - 4..head].copy_from_slice(&HALF.to_le_bytes());
    let path = folder.join("long.wav");
    fs::write(&path, bytes).unwrap();
    // Nothing but holes.
    let file = fs::File::options().write(true).open(&path).unwrap();
    file.set_len(u64::from(HALF) + head as u64).unwrap();
    let arguments = ["render", "long.wav", "out.wav", "--bits", "32f"];
    let output = crestline(&folder, &arguments);
    assert_eq!(output.status.code(), Some(4));
    let told = text(&output.stderr);
    assert!(told.starts_with("out.wav: longer than a WAV"), "{told}");
    assert!(!folder.join("out.wav").exists());
}

/// ITU-R BS.1770-5, table 3, weighs surrounds by 1.41; the chain takes its channels for front ones.
#[test]
fn channels_that_are_not_at_the_front_are_told() {
    const REAR_PAIR: u32 = 0x30;
    let folder = folder("render_surrounds");
    let planes = vec![tone(48_000, 997.0, -20.0, 4.0); 2];
    for (mask, said) in [(REAR_PAIR, true), (0x3, false)] {
        let bytes = wav(48_000, Stored::Int24, Some(mask), &planes);
        fs::write(folder.join("a.wav"), bytes).unwrap();
        for arguments in [
            &["render", "a.wav", "out.wav", "--force"][..],
            &["forecast", "a.wav", "--max-push-db", "1.5"],
        ] {
            let output = crestline(&folder, arguments);
            assert_eq!(output.status.code(), Some(0));
            let told = text(&output.stderr).contains("measured as front channels");
            assert_eq!(told, said, "{arguments:?}");
        }
    }
}
