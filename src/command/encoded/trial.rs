//! A file through the encoders and back.

use std::fmt::Display;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use super::coding::{CODINGS, Coding, NotEncoded, mp3_encoder};
use super::source::Source;
use crate::BLOCK_FRAMES;
use crate::workers::gather;
use crestline_core::dsp::decibel::gain_from_db;
use crestline_core::measure::{Meter, Readings};
use crestline_files::{AudioFile, Unfinished, UnfinishedKind, printable, unchanged};
use tempfile::TempDir;

/// What a decoded file's true peak should stay under, dBTP: what EBU R 128 and AES TD1008 allow.
pub(crate) const CEILING_DBTP: f64 = -1.0;

/// What is measured of one file.
#[derive(Clone, Debug)]
pub(crate) struct Levels {
    pub sample_rate_hz: u32,
    pub channels: usize,
    pub duration_s: f64,
    pub readings: Readings,
    /// Samples beyond ±1.
    pub over: u64,
    /// Notes for whoever uses the file.
    pub notes: Vec<String>,
}

/// A file, encoded and decoded.
#[derive(Clone, Debug)]
pub(crate) struct Coded {
    pub coding: Coding,
    /// What the encoded file has come to, kbit/s.
    pub kbps: f64,
    pub levels: Levels,
}

/// A file and what became of it.
#[derive(Clone, Debug)]
pub(crate) struct Trial {
    pub file: PathBuf,
    pub original: Levels,
    pub coded: Vec<Coded>,
    /// The program that encodes MP3; `None` where it is not installed.
    pub mp3_encoder: Option<String>,
    /// Notes on the trial, without the file's name; those on the file itself stand with its levels.
    pub notes: Vec<String>,
    /// A line for each file that could not be kept.
    pub not_kept: Vec<String>,
    /// A note for each way to encode that failed: something is missing of what was asked for.
    pub failed: Vec<String>,
}

/// Why nothing was tried, with the line to tell.
#[derive(Debug)]
pub(crate) enum NoTrial {
    /// The file cannot be used.
    Input(String),
    /// There is no room for what would be encoded.
    Room(String),
}

impl Coded {
    /// Whether the decoded file stays under [`CEILING_DBTP`], to the hundredths that are shown.
    pub fn holds(&self) -> Option<bool> {
        let hundredths = |db: f64| (100.0 * db).round();
        Some(hundredths(self.levels.readings.true_peak_dbtp?) <= hundredths(CEILING_DBTP))
    }
}

impl Trial {
    fn before_dbtp(&self) -> Option<f64> {
        self.original.readings.true_peak_dbtp
    }

    /// True peak after less before, dB.
    pub fn overshoot_db(&self, coded: &Coded) -> Option<f64> {
        Some(coded.levels.readings.true_peak_dbtp? - self.before_dbtp()?)
    }

    /// The ceiling at which the decoded file would stay at [`CEILING_DBTP`], with the same overshoot;
    /// no ceiling lies above full scale.
    pub fn ceiling_dbtp(&self, coded: &Coded) -> Option<f64> {
        let beyond_db = coded.levels.readings.true_peak_dbtp? - CEILING_DBTP;
        let held_dbtp = self.before_dbtp()? - beyond_db.max(0.0);
        Some(held_dbtp.min(0.0))
    }

    /// Whether every encoder that there is has been tried.
    pub fn is_complete(&self) -> bool {
        self.coded.len() == CODINGS.len()
    }

    /// The lowest of the ceilings.
    pub fn lowest_ceiling_dbtp(&self) -> Option<f64> {
        let ceilings = self
            .coded
            .iter()
            .filter_map(|coded| self.ceiling_dbtp(coded));
        ceilings.min_by(f64::total_cmp)
    }
}

/// Encodes the file in every way there is, over the cores, and copies what is encoded to the folder
/// `keep`. `progress` is called with how many encodings are done, and of how many.
pub(crate) fn try_out(
    file: &Path,
    keep: Option<&Path>,
    progress: &(dyn Fn(u64, u64) + Sync),
) -> Result<Trial, NoTrial> {
    let name = printable(file);
    let no_folder = |error: &dyn Display| {
        NoTrial::Room(format!(
            "{name}: no room for what is encoded ({error}); check the folder for temporary files"
        ))
    };
    let path_of = |folder: &TempDir| folder.path().to_owned();
    // In this order, so that the folder is gone when it is forgotten.
    let _unfinished;
    let folder;
    (folder, _unfinished) =
        Unfinished::make(UnfinishedKind::FolderOfOurs, tempfile::tempdir, path_of)
            .map_err(|error| no_folder(&error))?;
    // Absolute, so that no folder's name is taken for an option of the program that encodes MP3.
    let own = std::path::absolute(folder.path()).map_err(|error| no_folder(&error))?;
    let mut trial = unchanged(file, || tried(file, &own, progress))
        .map_err(|error| NoTrial::Input(error.to_string()))??;
    let mut copies = Vec::new();
    let not_kept = trial.coded.iter().filter_map(|coded| {
        let to = keep?.join(coded.coding.kept_name(file));
        copies.push(Unfinished::file(to.clone()));
        let error = std::fs::copy(coded.coding.path(&own), &to).err()?;
        // Nothing, or half a file.
        let _ = std::fs::remove_file(&to);
        let name = printable(&to);
        Some(format!(
            "{name}: could not be kept ({error}); check folder and space"
        ))
    });
    trial.not_kept = not_kept.collect();
    Ok(trial)
}

/// Encodes the file in every way there is into the folder `own`; nothing is kept yet.
fn tried(file: &Path, own: &Path, progress: &(dyn Fn(u64, u64) + Sync)) -> Result<Trial, NoTrial> {
    let mut original = levels(file).map_err(NoTrial::Input)?;
    if original.channels > 2 {
        return Err(NoTrial::Input(format!(
            "{}: has {} channels, and MP3 takes one or two; mix it down first",
            printable(file),
            original.channels
        )));
    }
    let peak_dbfs = original.readings.sample_peak_dbfs;
    if peak_dbfs.is_none() {
        let silent = "silent, so nothing can be measured";
        original.notes.push(silent.to_owned());
    }
    let source = Source {
        path: file.to_owned(),
        sample_rate_hz: original.sample_rate_hz,
        channels: original.channels,
        peak: peak_dbfs.map_or(0.0, gain_from_db),
    };
    let source = source.delivered(own).map_err(NoTrial::Room)?;
    let mp3_encoder = mp3_encoder();
    let (codings, left_out) = codings(source.sample_rate_hz, mp3_encoder.is_some());
    let mut notes: Vec<String> = source.note(original.sample_rate_hz).into_iter().collect();
    notes.extend(left_out);
    let (mut coded, mut failed) = (Vec::new(), Vec::new());
    for (coding, outcome) in all(&source, own, &codings, progress) {
        match outcome {
            // Of silence an encoder's rounding alone would be told.
            Ok(mut done) if peak_dbfs.is_none() => {
                done.levels.readings = Readings::default();
                coded.push(done);
            }
            Ok(done) => coded.push(done),
            Err(NotEncoded::NoSuchRate(cause)) => notes.push(not_tried(coding, &cause)),
            Err(NotEncoded::Failed(cause)) => failed.push(not_tried(coding, &cause)),
        }
    }
    Ok(Trial {
        file: file.to_owned(),
        not_kept: Vec::new(),
        failed,
        original,
        coded,
        mp3_encoder,
        notes,
    })
}

fn not_tried(coding: Coding, cause: &str) -> String {
    let (name, kbps) = (coding.name(), coding.nominal_kbps());
    format!("not tried as {name} at {kbps} kbit/s: {cause}")
}

/// The ways to encode at a sample rate, and a note on those left out.
fn codings(sample_rate_hz: u32, with_mp3: bool) -> (Vec<Coding>, Option<String>) {
    let is_there = |coding: &Coding| {
        let mp3 = matches!(coding, Coding::Mp3 { .. });
        (with_mp3 || !mp3) && coding.is_there_at(sample_rate_hz)
    };
    let codings: Vec<Coding> = CODINGS.into_iter().filter(is_there).collect();
    let tried = codings
        .iter()
        .any(|coding| matches!(coding, Coding::Mp3 { .. }));
    let note = if !with_mp3 {
        "not tried as MP3, whose encoder is not installed here; install the program lame".to_owned()
    } else if codings.len() == CODINGS.len() {
        return (codings, None);
    } else if tried {
        format!(
            "as MP3 tried at 128 kbit/s only: at {sample_rate_hz} Hz it has no more than 160; \
             export it at 44.1 or 48 kHz"
        )
    } else {
        format!(
            "not tried as MP3, which at {sample_rate_hz} Hz has no more than 64 kbit/s; export it \
             at 44.1 or 48 kHz"
        )
    };
    (codings, Some(note))
}

type Outcome = (Coding, Result<Coded, NotEncoded>);

fn all(
    source: &Source,
    folder: &Path,
    codings: &[Coding],
    progress: &(dyn Fn(u64, u64) + Sync),
) -> Vec<Outcome> {
    let integers = folder.join("integers.wav");
    let integers = if codings
        .iter()
        .any(|coding| matches!(coding, Coding::Mp3 { .. }))
    {
        source.write_integers(&integers).map(|up| (integers, up))
    } else {
        Ok((integers, 1.0))
    };
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let work = || {
        let mut outcomes = Vec::new();
        while let Some(coding) = codings.get(next.fetch_add(1, Ordering::Relaxed)) {
            let path = coding.path(folder);
            let encoded = coding.encode(source, &integers, &path);
            let coded = encoded.and_then(|()| Ok(back(*coding, &path)?));
            outcomes.push((*coding, coded));
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            progress(done as u64, codings.len() as u64);
        }
        outcomes
    };
    let cores = thread::available_parallelism().map_or(1, usize::from);
    let mut outcomes = gather(cores, work);
    outcomes.sort_by_key(|(coding, _)| codings.iter().position(|other| other == coding));
    outcomes
}

/// Decodes what was encoded, and measures it.
fn back(coding: Coding, path: &Path) -> Result<Coded, String> {
    let levels = levels(path)?;
    let bytes = std::fs::metadata(path).map_or(0, |file| file.len());
    Ok(Coded {
        coding,
        kbps: 8.0 * bytes as f64 / levels.duration_s / 1_000.0,
        levels,
    })
}

fn levels(path: &Path) -> Result<Levels, String> {
    let mut audio = AudioFile::open(path).map_err(|error| error.to_string())?;
    let rate_hz = f64::from(audio.sample_rate_hz());
    let mut meter = Meter::new(rate_hz, audio.roles(), BLOCK_FRAMES);
    let mut block = Vec::new();
    let mut over = 0;
    while audio
        .read(BLOCK_FRAMES, &mut block)
        .map_err(|error| error.to_string())?
        > 0
    {
        let planes: Vec<&[f32]> = block.iter().map(Vec::as_slice).collect();
        meter.process(&planes);
        let beyond = |sample: &&f32| sample.abs() > 1.0;
        over += planes.iter().copied().flatten().filter(beyond).count() as u64;
    }
    meter.finish();
    Ok(Levels {
        sample_rate_hz: audio.sample_rate_hz(),
        channels: audio.roles().len(),
        duration_s: audio.frames() as f64 / rate_hz,
        readings: meter.readings(),
        over,
        notes: audio.notes(),
    })
}
