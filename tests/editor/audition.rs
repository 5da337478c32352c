//! Loading a reference to listen to: for the engine at hand, anew for another, and what is said
//! where it cannot be had.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crestline_core::engine::{Engine, EngineSpec, Settings};
use crestline_core::handover::AuditionReceiver;
use crestline_core::process::ListenSettings;
use crestline_core::session::Section;
use crestline_files::{SampleFormat, WavFile};
use crestline_plugin::audition::{Audition, AuditionState, Wanted};
use kit::engine_run::{loudness_lufs, noise, play};
use kit::pause::pause;

fn folder(test: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(test);
    let _ = fs::remove_dir_all(&path);
    fs::create_dir_all(&path).unwrap();
    path
}

fn write(path: &Path, planes: &[Vec<f32>]) {
    let format = SampleFormat::Float32;
    let mut file = WavFile::create(path, 48_000, planes.len(), format, true).unwrap();
    let slices: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
    file.write(&slices).unwrap();
    file.finish().unwrap();
}

fn wanted(path: &Path) -> Wanted {
    Wanted {
        path: path.to_owned(),
        section: Section::Whole,
    }
}

/// What comes of loading.
fn outcome(of: &Audition) -> AuditionState {
    let begun = Instant::now();
    loop {
        match of.state() {
            AuditionState::Loading(_) => {}
            state => return state,
        }
        assert!(begun.elapsed() < Duration::from_mins(10), "still loading");
        pause(Duration::from_millis(1));
    }
}

fn engine(rate_hz: f64, receiver: AuditionReceiver) -> Engine {
    Engine::new(EngineSpec {
        sample_rate_hz: rate_hz,
        channels: 2,
    })
    .with_audition(receiver)
}

/// A second of what is heard while nothing comes in and the reference is listened to.
fn heard(engine: &mut Engine, rate_hz: usize) -> Vec<Vec<f32>> {
    let settings = Settings {
        listen: ListenSettings {
            reference: true,
            ..ListenSettings::default()
        },
        ..Settings::default()
    };
    let silence = vec![vec![0.0; 3 * rate_hz]; 2];
    let heard = play(engine, &silence, || 512, |_| settings);
    // Past any rise.
    heard
        .iter()
        .map(|plane| plane[2 * rate_hz..].to_vec())
        .collect()
}

// Loudness by the `ebur128` crate, of the file and of what is heard at either rate.
#[test]
fn what_is_wanted_is_loaded_for_each_engine_and_replaced_and_cleared() {
    let folder = folder("audition");
    let (one, other) = (folder.join("one.wav"), folder.join("other.wav"));
    let (loud, soft) = (noise(2, 200_000, 0.2, 1), noise(1, 200_000, 0.02, 2));
    write(&one, &loud);
    write(&other, &soft);
    let audition = Audition::default();
    assert_eq!(audition.state(), AuditionState::None);
    audition.set(Some(wanted(&one)));
    // Nobody has said at what rate.
    assert_eq!(audition.state(), AuditionState::Loading(0.0));
    let mut engine_48 = engine(48_000.0, audition.connect(48_000.0, 2));
    assert_eq!(outcome(&audition), AuditionState::Ready);
    let of_file = loudness_lufs(&loud, 48_000);
    let found = loudness_lufs(&heard(&mut engine_48, 48_000), 48_000);
    assert!((found - of_file).abs() < 0.2, "{found} of {of_file}");
    let mut engine_96 = engine(96_000.0, audition.connect(96_000.0, 2));
    assert_eq!(outcome(&audition), AuditionState::Ready);
    // Noise reaches up to half the sample rate, where any resampler ends.
    let found = loudness_lufs(&heard(&mut engine_96, 96_000), 96_000);
    assert!((found - of_file).abs() < 0.5, "{found} of {of_file}");
    audition.set(Some(wanted(&other)));
    assert_eq!(outcome(&audition), AuditionState::Ready);
    // One channel is heard on both.
    let of_file = loudness_lufs(&[soft[0].clone(), soft[0].clone()], 48_000);
    let planes = heard(&mut engine_96, 96_000);
    assert_eq!(planes[0], planes[1]);
    let found = loudness_lufs(&planes, 96_000);
    assert!((found - of_file).abs() < 0.5, "{found} of {of_file}");
    audition.set(None);
    assert_eq!(audition.state(), AuditionState::None);
    let silent = heard(&mut engine_96, 96_000);
    assert!(silent.iter().flatten().all(|sample| *sample == 0.0));
}

#[test]
fn a_file_that_is_gone_is_named_and_can_be_tried_again() {
    let folder = folder("audition_gone");
    let (gone, there) = (folder.join("gone.wav"), folder.join("there.wav"));
    write(&there, &noise(2, 200_000, 0.2, 1));
    let audition = Audition::default();
    let mut engine = engine(48_000.0, audition.connect(48_000.0, 2));
    audition.set(Some(wanted(&there)));
    assert_eq!(outcome(&audition), AuditionState::Ready);
    heard(&mut engine, 48_000);
    audition.set(Some(wanted(&gone)));
    let AuditionState::NotAvailable(words) = outcome(&audition) else {
        unreachable!("there is no such file")
    };
    assert!(words.contains("gone.wav: there is no such file"), "{words}");
    // What played before is not what is wanted.
    let silent = heard(&mut engine, 48_000);
    assert!(silent.iter().flatten().all(|sample| *sample == 0.0));
    write(&gone, &noise(2, 200_000, 0.2, 1));
    audition.try_again_if_missing();
    assert_eq!(outcome(&audition), AuditionState::Ready);
}

#[test]
fn what_is_given_up_is_never_heard() {
    let folder = folder("audition_given_up");
    let (long, short) = (folder.join("long.wav"), folder.join("short.wav"));
    write(&long, &noise(2, 3_000_000, 0.2, 1));
    write(&short, &noise(2, 200_000, 0.02, 2));
    let audition = Audition::default();
    let mut engine = engine(44_100.0, audition.connect(44_100.0, 2));
    audition.set(Some(wanted(&long)));
    audition.set(Some(wanted(&short)));
    assert_eq!(outcome(&audition), AuditionState::Ready);
    let of_file = loudness_lufs(&noise(2, 200_000, 0.02, 2), 48_000);
    let found = loudness_lufs(&heard(&mut engine, 44_100), 44_100);
    assert!((found - of_file).abs() < 1.0, "{found} of {of_file}");
    audition.set(Some(wanted(&long)));
    // Dropped in the midst of it.
    drop(audition);
}
