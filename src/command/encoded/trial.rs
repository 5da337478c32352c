//! A file through the encoders and back.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use super::coding::{CODINGS, Coding, mp3_encoder};
use crestline_core::measure::{Meter, Readings};
use crestline_files::{AudioFile, printable};

const BLOCK_FRAMES: usize = 4096;
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
    notes: Vec<String>,
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
    /// Lines to tell.
    pub notes: Vec<String>,
}

impl Coded {
    /// Whether the decoded file stays under [`CEILING_DBTP`].
    pub fn holds(&self) -> Option<bool> {
        Some(self.levels.readings.true_peak_dbtp? <= CEILING_DBTP)
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

    /// The ceiling that would have held the decoded file under [`CEILING_DBTP`].
    pub fn ceiling_dbtp(&self, coded: &Coded) -> Option<f64> {
        let beyond_db = coded.levels.readings.true_peak_dbtp? - CEILING_DBTP;
        Some(self.before_dbtp()? - beyond_db.max(0.0))
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

/// Encodes the file in every way there is, over the cores. `keep` is a folder for what is encoded.
/// `progress` is told how many of the works are done, and of how many. The error is the line to
/// tell.
pub(crate) fn try_out(
    file: &Path,
    keep: Option<&Path>,
    progress: &(dyn Fn(u64, u64) + Sync),
) -> Result<Trial, String> {
    let name = printable(file);
    let original = levels(file)?;
    if original.channels > 2 {
        return Err(format!(
            "{name}: has {} channels, and MP3 takes one or two; mix it down first",
            original.channels
        ));
    }
    let mut notes: Vec<String> = original.notes.clone();
    if original.readings.sample_peak_dbfs.is_none() {
        notes.push("silent, so nothing can be measured".to_owned());
    }
    let mp3_encoder = mp3_encoder();
    if mp3_encoder.is_none() {
        notes.push(
            "not tried as MP3, whose encoder is not installed here; install the program lame"
                .to_owned(),
        );
    }
    let there = |coding: &Coding| mp3_encoder.is_some() || !matches!(coding, Coding::Mp3 { .. });
    let codings: Vec<Coding> = CODINGS.into_iter().filter(there).collect();
    let own = tempfile::tempdir().map_err(|error| {
        format!(
            "{name}: no room for what is encoded ({error}); check the folder for temporary files"
        )
    })?;
    // Absolute, so that no folder's name is taken for an option of the program that encodes MP3.
    let folder = std::path::absolute(keep.unwrap_or(own.path()));
    let folder = &folder.map_err(|error| format!("{name}: no folder to encode into ({error})"))?;
    let mut coded = Vec::new();
    for (coding, outcome) in all(file, folder, &codings, progress) {
        match outcome {
            Ok(done) => coded.push(done),
            Err(cause) => notes.push(format!(
                "not tried as {} at {} kbit/s, as it could not be encoded ({cause}); export it at \
                 44.1 or 48 kHz",
                coding.name(),
                coding.nominal_kbps()
            )),
        }
    }
    Ok(Trial {
        file: file.to_owned(),
        original,
        coded,
        mp3_encoder,
        notes: notes.iter().map(|note| format!("{name}: {note}")).collect(),
    })
}

type Outcome = (Coding, Result<Coded, String>);

fn all(
    file: &Path,
    folder: &Path,
    codings: &[Coding],
    progress: &(dyn Fn(u64, u64) + Sync),
) -> Vec<Outcome> {
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let work = || {
        let mut outcomes = Vec::new();
        while let Some(coding) = codings.get(next.fetch_add(1, Ordering::Relaxed)) {
            outcomes.push((*coding, through(file, folder, *coding)));
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            progress(done as u64, codings.len() as u64);
        }
        outcomes
    };
    let others = thread::available_parallelism().map_or(1, usize::from) - 1;
    let mut outcomes = thread::scope(|scope| {
        let others: Vec<_> = (0..others).map(|_| scope.spawn(work)).collect();
        let mut outcomes = work();
        for other in others {
            match other.join() {
                Ok(more) => outcomes.extend(more),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        outcomes
    });
    outcomes.sort_by_key(|(coding, _)| codings.iter().position(|other| other == coding));
    outcomes
}

fn through(file: &Path, folder: &Path, coding: Coding) -> Result<Coded, String> {
    let path = coding.path(folder, file);
    coding.encode(file, &path)?;
    let levels = levels(&path)?;
    let bytes = std::fs::metadata(&path).map_or(0, |file| file.len());
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
