//! `crestline measure` on good files: levels of the published standards in every format and layout,
//! the table, the JSON.

use std::fs;
use std::path::Path;

use super::sound_files::{Stored, aiff, flac, folder, measure, measure_json, text, tone, wav};
use serde_json::Value;

/// EBU Tech 3341 and BS.2217 allow ±0.1 LU; here half of that.
const LOUDNESS_TOLERANCE_LU: f64 = 0.05;

#[track_caller]
fn assert_level(object: &Value, key: &str, expected: f64, tolerance: f64) {
    let value = object[key]
        .as_f64()
        .unwrap_or_else(|| panic!("{key} is {}", object[key]));
    assert!(
        (value - expected).abs() <= tolerance,
        "{} {key}: {value}, expected {expected}",
        object["file"]
    );
}

fn stereo(channel: &[f64]) -> Vec<Vec<f64>> {
    vec![channel.to_vec(); 2]
}

// EBU Tech 3341, table 1, cases 1 and 2: a 1 kHz stereo tone with its peak at x dBFS reads x LUFS,
// for M, S and I.
#[test]
fn steady_tones_read_as_ebu_tech_3341_says() {
    let folder = folder("steady_tones");
    for (name, level) in [("case-1.wav", -23.0), ("case-2.wav", -33.0)] {
        let channel = tone(48_000, 1000.0, level, 20.0);
        fs::write(
            folder.join(name),
            wav(48_000, Stored::Int24, None, &stereo(&channel)),
        )
        .unwrap();
        let (objects, code) = measure_json(&folder, &[name]);
        assert_eq!(code, Some(0));
        for key in [
            "integrated_lufs",
            "momentary_max_lufs",
            "short_term_max_lufs",
        ] {
            assert_level(&objects[0], key, level, LOUDNESS_TOLERANCE_LU);
        }
        // EBU Tech 3341, table 1: true peak within +0.2/−0.4 dB; a 1 kHz tone is far from needing
        // it.
        assert_level(&objects[0], "true_peak_dbtp", level, 0.1);
        assert_level(&objects[0], "sample_peak_dbfs", level, 0.01);
        // A sine's RMS is 3.01 dB below its peak (closed form).
        assert_level(&objects[0], "rms_dbfs", level - 3.0103, 0.01);
        assert_level(&objects[0], "crest_factor_db", 3.0103, 0.01);
        // A steady tone has no range (EBU Tech 3342: the difference of two equal percentiles).
        assert_level(&objects[0], "loudness_range_lu", 0.0, 0.05);
        assert_eq!(objects[0]["duration_s"], 20.0);
        assert_eq!(objects[0]["clipped_runs"], 0);
    }
}

// EBU Tech 3341, table 1, case 6: L, R −28; C −24; Ls, Rs −30 dBFS reads −23.0 LUFS. The weights
// decide: with the surrounds at 1.0 it would read −23.39. As 5.0 and as 5.1 with a silent LFE, bare
// and with either pair of positions.
#[test]
fn five_channels_read_as_ebu_tech_3341_says_with_and_without_positions() {
    let folder = folder("five_channels");
    let [front, centre, surround] =
        [-28.0, -24.0, -30.0].map(|level| tone(48_000, 1000.0, level, 20.0));
    let five = [&front, &front, &centre, &surround, &surround].map(Clone::clone);
    let silent = vec![0.0; front.len()];
    let five_one = [&front, &front, &centre, &silent, &surround, &surround].map(Clone::clone);
    let files = [
        ("5.0.wav", None, &five[..]),
        ("5.0-unstated.wav", Some(0), &five),
        ("5.0-rear.wav", Some(0x37), &five),
        ("5.0-side.wav", Some(0x607), &five),
        ("5.1.wav", None, &five_one),
        ("5.1-unstated.wav", Some(0), &five_one),
        ("5.1-rear.wav", Some(0x3f), &five_one),
        ("5.1-side.wav", Some(0x60f), &five_one),
    ];
    for (name, mask, channels) in files {
        fs::write(
            folder.join(name),
            wav(48_000, Stored::Int24, mask, channels),
        )
        .unwrap();
    }
    let (objects, code) = measure_json(&folder, &files.map(|(name, ..)| name));
    assert_eq!(code, Some(0));
    for (object, (name, _, channels)) in objects.iter().zip(files) {
        assert_eq!(object["file"], name);
        assert_eq!(object["channels"], channels.len());
        assert_level(object, "integrated_lufs", -23.0, LOUDNESS_TOLERANCE_LU);
    }
}

// ITU-R BS.1770-5, Annex 1: the LFE channel is left out of loudness. Its peaks are peaks all the
// same.
#[test]
fn the_lfe_channel_counts_for_peaks_only() {
    let folder = folder("lfe");
    let silent = vec![0.0; 48_000 * 5];
    let loud = tone(48_000, 50.0, -6.0, 5.0);
    let channels = [&silent, &silent, &silent, &loud, &silent, &silent].map(Clone::clone);
    fs::write(
        folder.join("lfe.wav"),
        wav(48_000, Stored::Int24, Some(0x60f), &channels),
    )
    .unwrap();
    let (objects, _) = measure_json(&folder, &["lfe.wav"]);
    assert_eq!(objects[0]["integrated_lufs"], Value::Null);
    assert_level(&objects[0], "sample_peak_dbfs", -6.0, 0.01);
    assert_level(&objects[0], "true_peak_dbtp", -6.0, 0.1);
}

// ITU-R BS.1770-5, Annex 1: a full-scale 997 Hz sine in one channel reads −3.01 LKFS. In every way
// of storing samples.
#[test]
fn the_anchor_of_bs_1770_holds_in_every_way_of_storing_samples() {
    let folder = folder("anchor");
    let sine = tone(48_000, 997.0, 0.0, 5.0);
    let silent = vec![0.0; sine.len()];
    for (stored, mask) in [
        (Stored::Int16, None),
        (Stored::Int24, None),
        (Stored::Int32, None),
        (Stored::Float32, None),
        (Stored::Int24, Some(3)),
        (Stored::Float32, Some(3)),
    ] {
        let name = format!("{stored:?}-{}.wav", mask.is_some());
        fs::write(
            folder.join(&name),
            wav(48_000, stored, mask, &[sine.clone(), silent.clone()]),
        )
        .unwrap();
        fs::write(
            folder.join("mono.wav"),
            wav(48_000, stored, None, std::slice::from_ref(&sine)),
        )
        .unwrap();
        let (objects, code) = measure_json(&folder, &[&name, "mono.wav"]);
        assert_eq!(code, Some(0));
        for object in &objects {
            assert_level(object, "integrated_lufs", -3.01, LOUDNESS_TOLERANCE_LU);
        }
        assert_eq!(objects[1]["channels"], 1);
    }
}

// Float files may pass full scale; they are measured, not clipped. EBU Tech 3341: +3 dBFS in stereo
// reads +3 LUFS.
#[test]
fn floats_over_full_scale_are_not_clipped() {
    let folder = folder("over_full_scale");
    let channel = tone(48_000, 1000.0, 3.0, 5.0);
    fs::write(
        folder.join("over.wav"),
        wav(48_000, Stored::Float32, None, &stereo(&channel)),
    )
    .unwrap();
    let (objects, _) = measure_json(&folder, &["over.wav"]);
    assert_level(&objects[0], "integrated_lufs", 3.0, LOUDNESS_TOLERANCE_LU);
    assert_level(&objects[0], "sample_peak_dbfs", 3.0, 0.01);
    assert_level(&objects[0], "true_peak_dbtp", 3.0, 0.1);
}

// The same tone at other rates: "the same frequency response" (ITU-R BS.1770-5, Annex 1).
#[test]
fn every_sample_rate_reads_alike() {
    let folder = folder("rates");
    let rates = [8_000, 44_100, 88_200, 96_000, 192_000, 384_000];
    for rate_hz in rates {
        let channel = tone(rate_hz, 1000.0, -23.0, 4.0);
        fs::write(
            folder.join(format!("{rate_hz}.wav")),
            wav(rate_hz, Stored::Int24, None, &stereo(&channel)),
        )
        .unwrap();
    }
    let names = rates.map(|rate_hz| format!("{rate_hz}.wav"));
    let (objects, code) = measure_json(&folder, &names.each_ref().map(String::as_str));
    assert_eq!(code, Some(0));
    for (object, rate_hz) in objects.iter().zip(rates) {
        assert_eq!(object["sample_rate_hz"], rate_hz);
        // At 8 kHz the shelf of the K weighting no longer fits below half the rate, so the
        // standard's tolerance.
        let tolerance = if rate_hz < 44_100 {
            0.1
        } else {
            LOUDNESS_TOLERANCE_LU
        };
        assert_level(object, "integrated_lufs", -23.0, tolerance);
    }
}

// Three full-scale samples in a row are a run; two are not. Common practice.
#[test]
fn runs_of_full_scale_samples_are_counted() {
    let folder = folder("clipped");
    let mut channel = tone(48_000, 997.0, -12.0, 2.0);
    for (start, length) in [(10_000, 3), (20_000, 7), (30_000, 2)] {
        channel[start..start + length].fill(1.0);
    }
    fs::write(
        folder.join("clipped.wav"),
        wav(48_000, Stored::Int16, None, &[channel]),
    )
    .unwrap();
    let (objects, _) = measure_json(&folder, &["clipped.wav"]);
    assert_eq!(objects[0]["clipped_runs"], 2);
}

// EBU Tech 3341: a 1 kHz stereo tone with its peak at −18 dBFS reads −18 LUFS, whatever the file
// is.
//
// tone.mp3 and tone.ogg hold that tone for 2 s at 48 kHz, made with SoX, LAME 3.100, which turns
// down by 0.95 of its own accord, and the Vorbis tools: sox -n -r 48000 -b 16 -c 2 -D tone.wav
// synth 2 sine 1000 vol 0.125892541 lame --cbr -b 96 --resample 48 --scale 1.0526316 tone.wav
// tone.mp3 oggenc -q 1 --serial 1 -o tone.ogg tone.wav
#[test]
fn every_format_reads_alike() {
    let folder = folder("formats");
    let channel = tone(48_000, 1000.0, -18.0, 2.0);
    fs::write(
        folder.join("tone.wav"),
        wav(48_000, Stored::Int16, None, &stereo(&channel)),
    )
    .unwrap();
    fs::write(folder.join("tone.aiff"), aiff(48_000, &stereo(&channel))).unwrap();
    fs::write(folder.join("tone.flac"), flac(48_000, &stereo(&channel))).unwrap();
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/fixtures");
    let names = ["tone.wav", "tone.aiff", "tone.flac", "tone.mp3", "tone.ogg"];
    for fixture in &names[3..] {
        fs::copy(fixtures.join(fixture), folder.join(fixture)).unwrap();
    }
    let (objects, code) = measure_json(&folder, &names);
    assert_eq!(code, Some(0));
    assert_eq!(objects.len(), names.len());
    for object in &objects {
        // Without the encoder's delay and padding: to the sample.
        assert_eq!(object["duration_s"], 2.0, "{}", object["file"]);
        assert_eq!(object["sample_rate_hz"], 48_000);
        assert_eq!(object["channels"], 2);
        assert_level(object, "integrated_lufs", -18.0, 0.1);
    }
    for object in &objects[..3] {
        assert_level(object, "integrated_lufs", -18.0, LOUDNESS_TOLERANCE_LU);
        assert_level(object, "sample_peak_dbfs", -18.0, 0.01);
    }
}

// AIFF states no positions: six channels are L R C LFE Ls Rs. FLAC defines five as L R C and two
// surrounds (RFC 9639, section 9.1.3). EBU Tech 3341, table 1, case 6.
#[test]
fn aiff_goes_by_the_number_of_channels_and_flac_by_its_own_order() {
    let folder = folder("more_channels");
    let [front, centre, surround] =
        [-28.0, -24.0, -30.0].map(|level| tone(48_000, 1000.0, level, 5.0));
    let lfe = tone(48_000, 50.0, -6.0, 5.0);
    let five = [&front, &front, &centre, &surround, &surround].map(Clone::clone);
    let five_one = [&front, &front, &centre, &lfe, &surround, &surround].map(Clone::clone);
    fs::write(folder.join("5.0.aiff"), aiff(48_000, &five)).unwrap();
    fs::write(folder.join("5.1.aiff"), aiff(48_000, &five_one)).unwrap();
    fs::write(folder.join("5.0.flac"), flac(48_000, &five)).unwrap();
    fs::write(folder.join("5.1.flac"), flac(48_000, &five_one)).unwrap();
    let (objects, code) = measure_json(&folder, &["5.0.aiff", "5.1.aiff", "5.0.flac", "5.1.flac"]);
    assert_eq!(code, Some(0));
    for object in &objects {
        assert_level(object, "integrated_lufs", -23.0, LOUDNESS_TOLERANCE_LU);
    }
}

#[test]
fn json_has_the_promised_keys_and_rounds_to_thousandths() {
    let folder = folder("json_keys");
    let channel = tone(44_100, 440.0, -10.0, 5.0);
    fs::write(
        folder.join("a.wav"),
        wav(44_100, Stored::Int24, None, &stereo(&channel)),
    )
    .unwrap();
    let output = measure(&folder, &["--json", "a.wav"]);
    let object = serde_json::from_slice::<Vec<Value>>(&output.stdout)
        .unwrap()
        .remove(0);
    let mut keys: Vec<&str> = object
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect();
    let mut promised = [
        "file",
        "sample_rate_hz",
        "channels",
        "duration_s",
        "integrated_lufs",
        "loudness_range_lu",
        "momentary_max_lufs",
        "short_term_max_lufs",
        "true_peak_dbtp",
        "sample_peak_dbfs",
        "plr_db",
        "short_term_plr_min_db",
        "ldr_db",
        "rms_dbfs",
        "crest_factor_db",
        "clipped_runs",
        "dc_offset_dbfs",
    ];
    keys.sort_unstable();
    promised.sort_unstable();
    assert_eq!(keys, promised);
    for (key, value) in object.as_object().unwrap() {
        if let Some(number) = value.as_f64() {
            let thousandths = number * 1000.0;
            assert!(
                (thousandths - thousandths.round()).abs() < 1e-6,
                "{key}: {number}"
            );
        }
    }
    assert!(output.stderr.is_empty(), "{}", text(&output.stderr));
}

#[test]
fn many_files_come_out_in_the_order_they_were_given() {
    let folder = folder("order");
    // The first takes longest, so that a later one is done before it.
    let names: Vec<String> = (0..12_u8).map(|number| format!("{number}.wav")).collect();
    for (number, name) in (0..12_u8).zip(&names) {
        let seconds = if number % 5 == 0 { 20.0 } else { 0.5 };
        let channel = tone(48_000, 1000.0, -20.0 - f64::from(number), seconds);
        fs::write(
            folder.join(name),
            wav(48_000, Stored::Int16, None, &stereo(&channel)),
        )
        .unwrap();
    }
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let (objects, _) = measure_json(&folder, &names);
    assert_eq!(objects.len(), names.len());
    for ((object, name), level) in objects.iter().zip(&names).zip(20_u8..) {
        assert_eq!(object["file"], *name);
        assert_level(
            object,
            "integrated_lufs",
            -f64::from(level),
            LOUDNESS_TOLERANCE_LU,
        );
    }
}

#[test]
fn the_table_is_aligned_and_dashes_what_cannot_be_measured() {
    let folder = folder("table");
    let channel = tone(48_000, 1000.0, -18.0, 4.0);
    let long_name = "A Song With a Rather Long Name, Remastered (take 3, louder).wav";
    for name in ["a.wav", "é—ü.wav", long_name] {
        fs::write(
            folder.join(name),
            wav(48_000, Stored::Int24, None, &stereo(&channel)),
        )
        .unwrap();
    }
    fs::write(
        folder.join("silence.wav"),
        wav(48_000, Stored::Int24, None, &[vec![0.0; 96_000]]),
    )
    .unwrap();
    let output = measure(&folder, &["a.wav", "é—ü.wav", long_name, "silence.wav"]);
    assert_eq!(output.status.code(), Some(0));
    let lines: Vec<&str> = text(&output.stdout).lines().collect();
    let (headings, rows) = (&lines[..2], &lines[2..6]);

    for line in &lines[..6] {
        assert_eq!(line.chars().count(), lines[0].chars().count(), "{line}");
    }
    assert!(headings[0].starts_with("file "), "{}", headings[0]);
    for unit in ["kHz", "min:s", "LUFS", "LU", "dBTP", "dBFS", "dB", "runs"] {
        assert!(
            headings[1].split_whitespace().any(|word| word == unit),
            "{unit}: {}",
            headings[1]
        );
    }
    assert!(rows[0].starts_with("a.wav "));
    assert!(rows[1].starts_with("é—ü.wav "));
    assert!(
        rows[2].starts_with("A Song With")
            && rows[2].contains("…")
            && rows[2].contains("(take 3, louder).wav ")
    );
    // Numbers end where the unit above them ends.
    let ends = |line: &str| -> Vec<usize> {
        let characters: Vec<char> = line.chars().chain([' ']).collect();
        (1..characters.len())
            .filter(|&at| characters[at] == ' ' && characters[at - 1] != ' ')
            .collect()
    };
    let loudness_ends = ends(rows[0])[4];
    assert_eq!(rows[0].split_whitespace().nth(4), Some("-18.0"));
    assert!(
        ends(headings[1]).contains(&loudness_ends) && ends(headings[0]).contains(&loudness_ends)
    );
    assert!(ends(rows[1]).contains(&loudness_ends) && ends(rows[3]).contains(&loudness_ends));

    assert_eq!(rows[3].matches('—').count(), 12, "{}", rows[3]);
    assert!(
        lines
            .iter()
            .any(|line| line.starts_with("— cannot be measured"))
    );
    assert!(
        lines
            .iter()
            .any(|line| line.starts_with("* over less than a minute"))
    );
}

// ITU-R BS.1770-5, Annex 1: the channels' mean squares add up, so one channel reads 10·log10 2
// below two that are alike.
#[test]
fn mono_says_that_it_reads_3_01_lu_below_two_channels() {
    let folder = folder("mono");
    let channel = tone(48_000, 1000.0, -18.0, 4.0);
    let mono = wav(48_000, Stored::Int24, None, std::slice::from_ref(&channel));
    fs::write(folder.join("mono.wav"), mono).unwrap();
    let both = wav(48_000, Stored::Int24, None, &stereo(&channel));
    fs::write(folder.join("both.wav"), both).unwrap();
    let (objects, _) = measure_json(&folder, &["mono.wav", "both.wav"]);
    assert_level(&objects[0], "integrated_lufs", -21.01, 0.01);
    assert_level(&objects[1], "integrated_lufs", -18.0, 0.01);
    let says_so = |name: &str| {
        let output = measure(&folder, &[name]);
        text(&output.stdout).contains("3.01 LU below the same signal on both of two channels")
    };
    assert!(says_so("mono.wav") && !says_so("both.wav"));
}

// By construction: 0.05 in one channel is 20·log10 0.05 = -26.02 dBFS in the mean. 40 Hz that break off
// amid a cycle have next to none: at most 1/(π·40·T) of their peak over T seconds.
#[test]
fn an_offset_is_told_and_a_cut_bass_note_is_none() {
    let folder = folder("offset");
    for (name, seconds, offset) in [("offset.wav", 4.0, 0.05), ("cut.wav", 4.006, 0.0)] {
        let left = tone(48_000, 40.0, -6.0, seconds);
        let right = left.iter().map(|sample| sample + offset).collect();
        let file = wav(48_000, Stored::Int24, None, &[left, right]);
        fs::write(folder.join(name), file).unwrap();
    }
    let (objects, _) = measure_json(&folder, &["offset.wav", "cut.wav"]);
    assert_level(&objects[0], "dc_offset_dbfs", -26.02, 0.01);
    let most = 20.0 * (0.5 / (std::f64::consts::PI * 40.0 * 4.006)).log10();
    assert!(objects[1]["dc_offset_dbfs"].as_f64().unwrap() < most + 0.1);
    let notes = |name: &str| text(&measure(&folder, &[name]).stderr).to_owned();
    let offset = notes("offset.wav");
    assert!(offset.contains("an offset (DC) of -26.0 dBFS"), "{offset}");
    assert_eq!(notes("cut.wav"), "");
    // A drum's one stroke: 50 Hz that fall by e in 60 ms have a mean of 1/(2π·50·0.5 s) of their peak,
    // about -44 dBFS, and no offset.
    let stroke = (0..24_000).map(|frame| {
        let time_s = f64::from(frame) / 48_000.0;
        (std::f64::consts::TAU * 50.0 * time_s).sin() * (-time_s / 0.06).exp()
    });
    let file = wav(48_000, Stored::Int24, None, &[stroke.collect()]);
    fs::write(folder.join("stroke.wav"), file).unwrap();
    let (objects, _) = measure_json(&folder, &["stroke.wav"]);
    assert!(objects[0]["dc_offset_dbfs"].as_f64().unwrap() > -50.0);
    assert!(!notes("stroke.wav").contains("offset"));
}

// A click a second: what the percentile finds lies between the clicks.
#[test]
fn sparse_material_is_noted_and_has_no_microdynamics() {
    let folder = folder("sparse");
    let mut channel = vec![0.0; 480_000];
    for second in 0..10 {
        channel[second * 48_000..][..240].copy_from_slice(&tone(48_000, 1000.0, -6.0, 0.005));
    }
    fs::write(
        folder.join("clicks.wav"),
        wav(48_000, Stored::Int24, None, &stereo(&channel)),
    )
    .unwrap();
    let output = measure(&folder, &["--json", "clicks.wav"]);
    let objects: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(objects[0]["ldr_db"], Value::Null);
    let note = text(&output.stderr);
    assert!(
        note.starts_with("clicks.wav: too sparse for microdynamics"),
        "{note}"
    );
}

#[test]
fn a_pipe_gets_results_and_no_progress() {
    let folder = folder("pipe");
    let channel = tone(48_000, 1000.0, -18.0, 4.0);
    fs::write(
        folder.join("a.wav"),
        wav(48_000, Stored::Int24, None, &stereo(&channel)),
    )
    .unwrap();
    for arguments in [&["a.wav"][..], &["--json", "a.wav"]] {
        let output = measure(&folder, arguments);
        assert!(output.stderr.is_empty(), "{:?}", text(&output.stderr));
        assert!(!text(&output.stdout).contains(['\u{1b}', '\r']));
    }
}
