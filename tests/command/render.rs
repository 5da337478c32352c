//! `crestline render` on real files: length, timing, bits, and numbers that agree with `crestline
//! measure`.

#![allow(
    clippy::cast_sign_loss,
    clippy::large_types_passed_by_value,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test fails by panicking and prints its figures, in its helpers too"
)]

use std::fs;
use std::path::Path;
use std::process::Output;

use super::sound_files::{Stored, crestline, folder, json, measure_json, text, tone, wav};
use kit::engine_run::{Planes, cut, noise, peak_16x_dbtp, true_peak_8x_dbtp};
use serde_json::Value;
use songs::rink_lights;

pub fn render(folder: &Path, arguments: &[&str]) -> Output {
    crestline(folder, &[&["render"], arguments].concat())
}

/// Renders and expects success; the object of `--json`.
#[track_caller]
pub fn rendered(folder: &Path, arguments: &[&str]) -> Value {
    json(folder, &[&["render"], arguments].concat())
}

pub fn write(path: &Path, rate_hz: u32, stored: Stored, planes: &[Vec<f32>]) {
    let wide: Vec<Vec<f64>> = planes
        .iter()
        .map(|plane| plane.iter().map(|x| f64::from(*x)).collect())
        .collect();
    fs::write(path, wav(rate_hz, stored, None, &wide)).unwrap();
}

/// The samples of a WAV file, integers in least significant bits, read by `hound`.
pub fn samples(path: &Path) -> Planes {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    let all: Vec<f32> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().map(Result::unwrap).collect(),
        hound::SampleFormat::Int => reader
            .samples::<i32>()
            .map(|sample| sample.unwrap() as f32)
            .collect(),
    };
    let channels = usize::from(spec.channels);
    (0..channels)
        .map(|channel| {
            all.iter()
                .skip(channel)
                .step_by(channels)
                .copied()
                .collect()
        })
        .collect()
}

fn bits(planes: &[Vec<f32>]) -> Vec<Vec<u32>> {
    planes
        .iter()
        .map(|plane| plane.iter().map(|sample| sample.to_bits()).collect())
        .collect()
}

/// Ten seconds of the demo song in which the whole band plays, faded at both ends: cut short, the
/// ends would be peaks of their own.
fn song() -> Planes {
    let mut song = cut(&rink_lights(48_000).channels, 28 * 48_000..38 * 48_000);
    for channel in &mut song {
        let frames = channel.len();
        for (n, sample) in channel.iter_mut().enumerate() {
            *sample *= (n.min(frames - 1 - n) as f32 / 960.0).min(1.0);
        }
    }
    song
}

const EVERYTHING: [&str; 9] = [
    "--push-db",
    "6",
    "--high-shelf-db",
    "3",
    "--bands",
    "-30:2,-30:2,off,off",
    "--saturate",
    "--bits",
    "32f",
];

// The latency is taken out: an impulse leaves at the frame at which it came, for stages that answer
// at once or are symmetric (causality).
#[test]
fn length_and_timing_are_those_of_the_input() {
    let folder = folder("render_timing");
    for (rate_hz, frames, at) in [
        (48_000, 10_007, 5_000),
        (44_100, 1_000, 999),
        (96_000, 4_096, 0),
        (8_000, 300, 17),
        (384_000, 5_000, 4_990),
        (48_000, 1, 0),
    ] {
        let mut plane = vec![0.0; frames];
        plane[at] = 0.125;
        write(
            &folder.join("in.wav"),
            rate_hz,
            Stored::Float32,
            &[plane.clone()],
        );
        for options in [
            &EVERYTHING[..],
            &["--bits", "32f"],
            &["--bits", "32f", "--saturate", "--push-db", "3"],
        ] {
            rendered(
                &folder,
                &[&["in.wav", "out.wav", "--force"], options].concat(),
            );
            let out = samples(&folder.join("out.wav"));
            assert_eq!((out.len(), out[0].len()), (1, frames));
            let first = out[0].iter().position(|sample| sample.abs() > 1e-5);
            assert_eq!(
                first,
                Some(at),
                "{rate_hz} Hz, {frames} frames, {options:?}"
            );
        }
    }
}

// Closed form: with every stage at rest what is clipped is what came in beyond full scale.
#[test]
fn what_a_file_of_integers_clips_is_counted_and_told() {
    let folder = folder("render_clipped");
    let over = noise(2, 30_011, 1.5, 3);
    write(&folder.join("in.wav"), 48_000, Stored::Float32, &over);
    let beyond = over.iter().flatten().filter(|x| x.abs() > 1.0).count();
    assert!(beyond > 10_000);
    for (bits, clipped) in [("16", beyond), ("24", beyond), ("32f", 0)] {
        let arguments = [
            "render",
            "in.wav",
            "out.wav",
            "--force",
            "--no-limiter",
            "--bits",
            bits,
        ];
        let told = json(&folder, &arguments);
        assert_eq!(told["clipped_samples"], clipped, "{bits}");
        let printed = crestline(&folder, &arguments);
        let note = text(&printed.stderr);
        assert_eq!(
            note.contains(&format!("{beyond} samples lay beyond")),
            clipped > 0
        );
        assert_eq!(note.contains("out.wav: "), clipped > 0, "{note}");
    }
}

#[test]
fn with_every_stage_at_rest_32_bit_floats_come_out_bit_for_bit() {
    let folder = folder("render_neutral");
    let quiet = noise(2, 30_011, 0.2, 1);
    let over = noise(2, 30_011, 1.5, 2);
    for (input, options) in [
        (&quiet, &["--bits", "32f"][..]),
        (&over, &["--bits", "32f", "--no-limiter"]),
    ] {
        write(&folder.join("in.wav"), 48_000, Stored::Float32, input);
        for path in ["output", "clean"] {
            rendered(
                &folder,
                &[&["in.wav", "out.wav", "--force", "--path", path], options].concat(),
            );
            assert!(
                bits(&samples(&folder.join("out.wav"))) == bits(input),
                "{path}"
            );
        }
        rendered(
            &folder,
            &[
                &["in.wav", "out.wav", "--force", "--path", "residue"],
                options,
            ]
            .concat(),
        );
        assert!(
            samples(&folder.join("out.wav"))
                .iter()
                .flatten()
                .all(|sample| *sample == 0.0)
        );
    }
}

// Triangular dither (textbook theory of dither, from memory): rounding and two uniform values give
// an error of 1/12 + 2/12 = 1/4 LSB² in power whatever the signal. Its density for a busy signal is
// the quadratic B-spline: |error| never above 1.5 LSB, above 1 LSB with the probability 2·∫(1.5 −
// x)²/2 from 1 to 1.5 = 1/24.
#[test]
fn integers_are_dithered() {
    let folder = folder("render_dither");
    let busy = noise(2, 100_000, 0.3, 3);
    let silent = vec![vec![0.0; 100_000]; 2];
    for (name, input) in [("noise", &busy), ("silence", &silent)] {
        write(&folder.join("in.wav"), 48_000, Stored::Float32, input);
        for (bits, full_scale) in [("16", 32_768.0), ("24", 8_388_608.0)] {
            rendered(
                &folder,
                &[
                    "in.wav",
                    "out.wav",
                    "--force",
                    "--no-limiter",
                    "--bits",
                    bits,
                ],
            );
            let out = samples(&folder.join("out.wav"));
            let pairs = out.iter().flatten().zip(input.iter().flatten());
            let errors: Vec<f64> = pairs
                .map(|(out, input)| f64::from(*out) - f64::from(*input) * full_scale)
                .collect();
            let count = errors.len() as f64;
            let mean = errors.iter().sum::<f64>() / count;
            let power = errors.iter().map(|error| error * error).sum::<f64>() / count;
            let beyond = errors.iter().filter(|error| error.abs() > 1.0).count() as f64 / count;
            println!(
                "{name}, {bits} bits: mean {mean:.5} LSB, power {power:.5} LSB², beyond 1 LSB {beyond:.5}"
            );
            // Five standard errors of 200 000 samples: deviations are 0.5 of the error and at most
            // 0.43 of its square.
            assert!(mean.abs() < 0.0056 && (power - 0.25).abs() < 0.005);
            assert!(errors.iter().all(|error| error.abs() <= 1.5));
            // In 24 bits the noise, in single precision, has no fine enough fractions.
            if name == "noise" && bits == "16" {
                // The deviation of a share p is √(p(1 − p)/n): 0.00045.
                assert!((beyond - 1.0 / 24.0).abs() < 0.0023);
            }
        }
    }
}

/// The words of a stretch of help text.
fn words<'a>(help: &'a str, from: &str, to: &str) -> Vec<&'a str> {
    let start = help.find(from).unwrap() + from.len();
    let end = start + help[start..].find(to).unwrap();
    help[start..end]
        .split([',', ' ', '\n'])
        .filter(|word| !word.is_empty() && *word != "and")
        .collect()
}

#[test]
fn the_json_has_the_keys_that_the_help_names() {
    let folder = folder("render_keys");
    write(
        &folder.join("in.wav"),
        48_000,
        Stored::Int16,
        &noise(2, 48_000, 0.5, 8),
    );
    let help = render(&folder, &["--help"]);
    // Wherever its lines are broken.
    let help = text(&help.stdout).split_whitespace().collect::<Vec<_>>();
    let help = help.join(" ");
    let outer = words(&help, "One object with the keys", ", each an object");
    let paid = words(&help, "but dc_offset_dbfs, and", ", each an object");
    let help = super::sound_files::measure(&folder, &["--help"]);
    let all = words(text(&help.stdout), "is left out. Keys:", "\n\nFiles:");
    let measuring = all.into_iter().filter(|key| !outer.contains(key));
    let measuring: Vec<&str> = measuring.filter(|key| *key != "dc_offset_dbfs").collect();
    assert!(
        outer.len() == 9 && measuring.len() == 12 && paid.len() == 2,
        "{outer:?} {measuring:?} {paid:?}"
    );

    let object = rendered(&folder, &["in.wav", "out.wav", "--path", "clean"]);
    let keys = |object: &Value| -> Vec<String> {
        let mut keys: Vec<String> = object.as_object().unwrap().keys().cloned().collect();
        keys.sort();
        keys
    };
    let sorted = |mut keys: Vec<&str>| -> Vec<String> {
        keys.sort_unstable();
        keys.into_iter().map(str::to_owned).collect()
    };
    assert_eq!(keys(&object), sorted([outer, paid].concat()));
    for point in ["input", "clean", "output"] {
        assert_eq!(keys(&object[point]), sorted(measuring.clone()));
    }
    assert_eq!(object["file"], "out.wav");
    assert_eq!(object["path"], "clean");
    assert_eq!(
        (&object["sample_rate_hz"], &object["channels"]),
        (&48_000.into(), &2.into())
    );
    assert_eq!(object["duration_s"], 1.0);
}

/// What `render` says of a signal against what `measure` says of a file with it.
#[track_caller]
fn assert_agrees(folder: &Path, printed: &Value, file: &str) {
    let (measured, code) = measure_json(folder, &[file]);
    assert_eq!(code, Some(0));
    for (key, value) in printed.as_object().unwrap() {
        let expected = &measured[0][key];
        match (value.as_f64(), expected.as_f64()) {
            (Some(value), Some(expected)) => assert!(
                (value - expected).abs() <= 0.001,
                "{key}: {value}, measured {expected}"
            ),
            _ => assert_eq!(value, expected, "{key}"),
        }
    }
}

#[test]
fn the_numbers_are_those_of_the_files() {
    let folder = folder("render_numbers");
    write(&folder.join("in.wav"), 48_000, Stored::Float32, &song());
    for path in ["output", "clean"] {
        let object = rendered(
            &folder,
            &[
                &["in.wav", "out.wav", "--force", "--path", path],
                &EVERYTHING[..],
            ]
            .concat(),
        );
        assert_agrees(&folder, &object["input"], "in.wav");
        assert_agrees(&folder, &object[path], "out.wav");
    }
    // A file shorter than a gating block has no numbers, before and after.
    write(
        &folder.join("short.wav"),
        48_000,
        Stored::Float32,
        &noise(2, 10_000, 0.5, 9),
    );
    let object = rendered(
        &folder,
        &["short.wav", "out.wav", "--force", "--bits", "32f"],
    );
    assert_agrees(&folder, &object["input"], "short.wav");
    assert_agrees(&folder, &object["output"], "out.wav");
    assert_eq!(object["output"]["integrated_lufs"], Value::Null);
}

// True peak by the `ebur128` crate at eight times the rate, and by interpolation through the
// spectrum at sixteen times.
#[test]
fn the_ceiling_holds_in_the_file_unless_the_limiter_is_left_out() {
    let folder = folder("render_ceiling");
    write(&folder.join("in.wav"), 48_000, Stored::Int24, &song());
    for (ceiling_dbtp, saturate) in [("-1", true), ("-0.3", false), ("-3", true)] {
        let options = [
            "in.wav",
            "out.wav",
            "--force",
            "--push-db",
            "12",
            "--bits",
            "32f",
        ];
        let ceiling = ["--ceiling-dbtp", ceiling_dbtp];
        let saturate: &[&str] = if saturate { &["--saturate"] } else { &[] };
        rendered(&folder, &[&options, &ceiling[..], saturate].concat());
        let out = samples(&folder.join("out.wav"));
        let peaks_dbtp = [true_peak_8x_dbtp(&out, 0), peak_16x_dbtp(&out, 0)];
        println!("ceiling {ceiling_dbtp} dBTP: {peaks_dbtp:.3?} dBTP");
        assert!(
            peaks_dbtp
                .iter()
                .all(|peak| *peak <= ceiling_dbtp.parse::<f64>().unwrap() + 0.05)
        );
        rendered(
            &folder,
            &[&options, saturate, &["--no-limiter", "--path", "clean"]].concat(),
        );
        assert!(peak_16x_dbtp(&samples(&folder.join("out.wav")), 0) > 5.0);
    }
}

#[test]
fn the_clean_path_is_the_chain_without_its_saturator() {
    let folder = folder("render_clean");
    write(
        &folder.join("in.wav"),
        48_000,
        Stored::Int24,
        &cut(&song(), 0..4 * 48_000),
    );
    let options = [
        "in.wav",
        "out.wav",
        "--force",
        "--push-db",
        "9",
        "--bits",
        "32f",
    ];
    rendered(&folder, &options);
    let without = samples(&folder.join("out.wav"));
    let object = rendered(
        &folder,
        &[&options[..], &["--saturate", "--path", "clean"]].concat(),
    );
    let clean = samples(&folder.join("out.wav"));
    assert!(bits(&clean) == bits(&without));
    assert_ne!(object["clean"], object["output"]);
    rendered(&folder, &[&options[..], &["--saturate"]].concat());
    assert!(bits(&samples(&folder.join("out.wav"))) != bits(&without));
}

// The curve never passes the ceiling, from the first frame of the file on. The high-pass at 2 Hz
// that keeps the mean at zero gives back a little while the tone begins: about 2π·2 Hz times the
// area of what was cut off a half wave, 1.1 dBFS·ms, which is 0.1 dB.
#[test]
fn a_file_is_saturated_from_its_first_frame() {
    let folder = folder("render_start");
    let loud: Vec<f32> = tone(48_000, 200.0, 4.0, 0.5)
        .iter()
        .map(|sample| *sample as f32)
        .collect();
    write(&folder.join("in.wav"), 48_000, Stored::Float32, &[loud]);
    rendered(
        &folder,
        &[
            "in.wav",
            "out.wav",
            "--no-limiter",
            "--saturate",
            "--bits",
            "32f",
        ],
    );
    let out = samples(&folder.join("out.wav"));
    let peak = out[0][..4_800]
        .iter()
        .fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
    assert!(
        20.0 * peak.log10() <= -1.0 + 0.1,
        "{} dBFS in the first 100 ms",
        20.0 * peak.log10()
    );
}

// The residue is output less the best-fitting gain times the input: of a gain alone nothing is
// left.
#[test]
fn the_residue_is_what_the_chain_changed() {
    let folder = folder("render_residue");
    let song = cut(&song(), 0..3 * 48_000);
    write(&folder.join("in.wav"), 48_000, Stored::Float32, &song);
    let power = |planes: &[Vec<f32>]| {
        planes
            .iter()
            .flatten()
            .map(|x| f64::from(*x).powi(2))
            .sum::<f64>()
    };
    let options = [
        "in.wav",
        "out.wav",
        "--force",
        "--push-db",
        "6",
        "--bits",
        "32f",
        "--path",
        "residue",
    ];
    rendered(&folder, &[&options[..], &["--no-limiter"]].concat());
    let relative_db = 10.0 * (power(&samples(&folder.join("out.wav"))) / power(&song)).log10();
    println!("residue of 6 dB: {relative_db:.1} dB");
    assert!(relative_db < -80.0);
    rendered(&folder, &[&options[..], &["--saturate"]].concat());
    let relative_db = 10.0 * (power(&samples(&folder.join("out.wav"))) / power(&song)).log10();
    println!("residue of the saturator and the limiter: {relative_db:.1} dB");
    assert!((-60.0..0.0).contains(&relative_db));
}

// Static curve above the knee, y = T + (x − T)/R (Giannoulis, Massberg, Reiss, JAES 60(6) 2012, eq.
// 4); a tone in the middle of a band is all that this band gets: its neighbours, five and a half
// times away, get a thousandth (1/(1 + 5.5⁴)).
#[test]
fn bands_compress_as_they_are_told() {
    let folder = folder("render_bands");
    let channel: Vec<f32> = tone(48_000, 2_190.0, -10.0, 2.0)
        .iter()
        .map(|sample| *sample as f32)
        .collect();
    write(&folder.join("in.wav"), 48_000, Stored::Float32, &[channel]);
    for (bands, expected_dbfs) in [
        ("off,off,-30:2,off", -20.0),
        ("off,off,-30:4:0:5:100:3,off", -22.0),
        ("-60:10,off,off,off", -10.0),
        ("off,off,off,off", -10.0),
    ] {
        rendered(
            &folder,
            &[
                "in.wav",
                "out.wav",
                "--force",
                "--bits",
                "32f",
                "--no-limiter",
                "--bands",
                bands,
                "--crossovers-hz",
                "40,400,12000",
            ],
        );
        let out = samples(&folder.join("out.wav"));
        let peak = out[0][48_000..95_000]
            .iter()
            .fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
        let peak_dbfs = 20.0 * peak.log10();
        println!("{bands}: {peak_dbfs:.2} dBFS");
        assert!(
            (peak_dbfs - expected_dbfs).abs() < 0.2,
            "{bands}: {peak_dbfs} dBFS"
        );
    }
}
