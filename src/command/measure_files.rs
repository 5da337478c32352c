//! `crestline measure`: the numbers of finished files.

use std::cmp::Reverse;
use std::f64::consts::PI;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use indicatif::ProgressBar;

use crate::BLOCK_FRAMES;
use crate::console::{INPUT_UNUSABLE, print_as, print_error, progress_bar};
use crate::measures::{MeasuredFile, Measures, too_short};
use crate::table::table;
use crate::workers::gather;
use crestline_core::measure::{DcOffset, Meter, Readings};
use crestline_files::{AudioFile, InputError, decode_ahead, named, printable};

const AFTER_HELP: &str = "\
Columns:
  length       duration of the audio, minutes and seconds
  integrated   gated loudness of the whole file, LUFS (ITU-R BS.1770-5, EBU R 128); mono reads 3.01 LU
               below the same signal on both of two channels
  range        loudness range, LU (EBU Tech 3342), without the windows of 3 s that reach into silence before the first
               sound or after the last; not reliable below a minute
  momentary    highest loudness of any 400 ms, LUFS
  short-term   highest loudness of any 3 s, LUFS
  true peak    highest true peak, dBTP
  peak         highest sample, dBFS
  PLR          peak-to-loudness ratio: true peak less integrated loudness, dB
  least PLR    lowest short-term PLR: true peak of 3 s less their loudness, dB; of those 3 s that the
               relative gate of the integrated loudness lets pass
  LDR          microdynamics: loudness dynamic ratio, dB; none of sparse material
  RMS          level of the whole file, dBFS (a full-scale square wave reads 0), mean over the channels but the LFE
  crest        crest factor: peak of those channels less RMS, dB
  clipped      runs of three or more samples of one sign at full scale, or equal ones at the file's own peak where that
               lies within 0.1 dB of full scale, that break off instead of rounding off (what was clipped and then
               turned down further shows in the flat tops of crestline compare and the cautions of crestline
               report). Samples of a float file beyond full scale count too, though they are clipped only once it
               becomes one of integers
A dash (null with --json) stands for what cannot be measured: all values of a silent file; all but the peaks where
only the LFE sounds; loudness below -70 LUFS, or of a file shorter than 400 ms; LDR of one shorter than 1.5 s;
short-term loudness, least PLR and range of one shorter than 3 s.
An offset (DC), which is the mean of the samples in the channel where that is furthest from zero, is told with a note
from -50 dBFS on, but not of a file so short that a low note by itself could leave as much; with --json it is always
there.

JSON (--json):
  An array with one object a file, in the order given; a file that cannot be used is left out. Keys:
  file, sample_rate_hz, channels, duration_s, integrated_lufs, loudness_range_lu, momentary_max_lufs,
  short_term_max_lufs, true_peak_dbtp, sample_peak_dbfs, plr_db, short_term_plr_min_db, ldr_db,
  rms_dbfs, crest_factor_db, clipped_runs, dc_offset_dbfs

Files:
  WAV (RF64, BW64 and Wave64 too), AIFF, FLAC, MP3 and Ogg Vorbis; 8 kHz to 384 kHz; mono, stereo, and up
  to 5.1 as the positions in the file say, or else 5 = L R C Ls Rs, 6 = L R C LFE Ls Rs. The silence that
  an encoder adds before and after the audio is not measured where the file says how long it is.
  A file that ends more than a packet before the length in its header is refused rather than measured in
  part. An MP3 without a length header promises nothing and is measured as far as it goes; a WAV from a
  pipe that says no length, and an MP3 that goes on after its end, to the end of the file, with a note.
  Metadata is passed over, whatever it holds.
  Each file that cannot be used is named on standard error with the cause and the remedy; the others are
  measured all the same.

Exit codes:
  0  every file was measured
  2  wrong usage
  3  some file could not be used
  4  the result could not be written

Examples:
  crestline measure mix.wav
  crestline measure album/*.flac
  crestline measure --json mix.wav > mix.json";

/// Measure audio files: loudness, peaks and dynamics
///
/// Measures audio files from their start to their end and prints one row a file.
#[derive(clap::Args, Debug)]
#[command(after_long_help = AFTER_HELP, after_help = "The columns, the JSON keys and the exit codes are in --help.")]
pub struct MeasureArgs {
    /// Audio files: WAV, AIFF, FLAC, MP3 or Ogg Vorbis
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Print JSON for machines instead of a table
    #[arg(long)]
    json: bool,
}

/// From here on an offset is told, dBFS: it takes 0.03 dB of a full-scale peak's headroom. Nor is one
/// of which a sound may be all, which leaves the more the lower it is and the shorter the file: of a
/// tone of 20 Hz at the file's peak, half a cycle.
const DC_TOLD_DBFS: f64 = -50.0;
const LOWEST_HZ: f64 = 20.0;

/// Whether a mean of the samples is an offset that is worth telling.
fn is_told(offset_dbfs: f64, peak_dbfs: Option<f64>, duration_s: f64) -> bool {
    let half_cycle_db = -20.0 * (PI * LOWEST_HZ * duration_s).log10();
    let of_sound_dbfs = peak_dbfs.map_or(f64::MIN, |peak_dbfs| peak_dbfs + half_cycle_db);
    offset_dbfs >= DC_TOLD_DBFS.max(of_sound_dbfs)
}

/// What was measured of a file, with what its reader should know besides.
pub(super) fn measured_file(
    path: &Path,
    audio: &AudioFile,
    readings: &Readings,
    offset: &DcOffset,
) -> MeasuredFile {
    let rate_hz = f64::from(audio.sample_rate_hz());
    let mut notes = audio.notes();
    if readings.sample_peak_dbfs.is_none() {
        notes.push("silent, so nothing can be measured".to_owned());
    } else if too_short(readings.frames, rate_hz) {
        notes.push("shorter than 400 ms, so it has peaks but no loudness".to_owned());
    }
    if readings.ldr_sparse {
        notes.push(
            "too sparse for microdynamics: most of its energy falls into less than a twentieth \
             of the time"
                .to_owned(),
        );
    }
    let dc_offset_dbfs = offset.dbfs();
    let duration_s = audio.frames() as f64 / rate_hz;
    let told = |dbfs: &f64| is_told(*dbfs, readings.sample_peak_dbfs, duration_s);
    if let Some(offset_dbfs) = dc_offset_dbfs.filter(told) {
        notes.push(format!(
            "an offset (DC) of {offset_dbfs:.1} dBFS, which takes headroom and counts towards RMS \
             unheard; a high-pass at some 10 Hz takes it away"
        ));
    }
    MeasuredFile {
        file: named(path),
        sample_rate_hz: audio.sample_rate_hz(),
        channels: audio.roles().len(),
        duration_s,
        measures: Measures::new(readings),
        dc_offset_dbfs,
        loudness_range_settled: readings.loudness_range_settled,
        notes,
    }
}

/// Measures the files and prints the result; the exit code is as `crestline measure --help` says.
pub fn run(args: &MeasureArgs) -> ExitCode {
    let mut rows = Vec::new();
    let mut code = ExitCode::SUCCESS;
    for outcome in measure_all(&args.files) {
        match outcome {
            Ok(row) => {
                for note in &row.notes {
                    print_error(&format!("{}: {note}", printable(Path::new(&row.file))));
                }
                rows.push(row);
            }
            Err(error) => {
                print_error(&error.to_string());
                code = ExitCode::from(INPUT_UNUSABLE);
            }
        }
    }
    let printed = print_as(args.json, || &rows, || table(&rows));
    printed.err().unwrap_or(code)
}

/// Measures all files over the cores; the outcomes are in the order of the files.
fn measure_all(files: &[PathBuf]) -> Vec<Result<MeasuredFile, InputError>> {
    let sizes: Vec<u64> = files.iter().map(|file| size(file)).collect();
    let bytes = sizes.iter().sum();
    let progress = progress_bar(Some(bytes), "measuring {bar:40} {percent:>3} %  {eta} left");
    // The largest first, so that no core is left with one when the others are done.
    let mut order: Vec<usize> = (0..files.len()).collect();
    order.sort_by_key(|index| Reverse(sizes.get(*index)));
    let cores = thread::available_parallelism().map_or(1, usize::from);
    let workers = cores.min(files.len());
    let next = AtomicUsize::new(0);
    let work = || {
        let mut outcomes = Vec::new();
        loop {
            let taken = next.fetch_add(1, Ordering::Relaxed);
            let Some((index, path)) = order.get(taken).and_then(|i| Some((*i, files.get(*i)?)))
            else {
                return outcomes;
            };
            // From here on there are fewer files left than cores.
            let ahead = files.len() - taken < cores;
            outcomes.push((index, measure(path, ahead, &progress)));
        }
    };
    let mut outcomes = gather(workers, work);
    progress.finish_and_clear();
    outcomes.sort_unstable_by_key(|(index, _)| *index);
    outcomes.into_iter().map(|(_, outcome)| outcome).collect()
}

/// Measures one file. With `ahead` it is decoded on one thread and measured on another, which is
/// slower in sum and sooner done where a core is idle.
fn measure(path: &Path, ahead: bool, progress: &ProgressBar) -> Result<MeasuredFile, InputError> {
    let mut audio = AudioFile::open(path)?;
    let mut meter = Meter::new(
        f64::from(audio.sample_rate_hz()),
        audio.roles(),
        BLOCK_FRAMES,
    )
    .told_at_end();
    let mut offset = DcOffset::new(audio.roles().len());
    let mut take = |planes: &[Vec<f32>]| {
        offset.process(planes.iter().map(Vec::as_slice));
        let frames = planes.first().map_or(0, Vec::len);
        for start in (0..frames).step_by(BLOCK_FRAMES) {
            let end = frames.min(start + BLOCK_FRAMES);
            let block: Vec<&[f32]> = planes
                .iter()
                .filter_map(|plane| plane.get(start..end))
                .collect();
            meter.process(&block);
        }
    };
    let mut counted = 0;
    let mut count = |bytes| {
        progress.inc(bytes - counted);
        counted = bytes;
    };
    if ahead {
        decode_ahead(&mut audio, |planes, bytes| {
            take(planes);
            count(bytes);
        })?;
    } else {
        while let Some(planes) = audio.next_block()? {
            take(planes);
            count(audio.bytes());
        }
    }
    meter.finish();
    Ok(measured_file(path, &audio, &meter.readings(), &offset))
}

/// Bytes in a file; 0 if it cannot be asked.
fn size(file: &Path) -> u64 {
    std::fs::metadata(file).map_or(0, |file| file.len())
}
