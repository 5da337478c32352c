//! `crestline reduction`: what happened between one file and another.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use crate::comparison::Comparison;
use crate::console::{INPUT_UNUSABLE, OUTPUT_FAILED, print_error, print_result};
use crate::measures::Measures;
use crestline_core::dsp::crossover::DEFAULT_CORNERS_HZ;
use crestline_core::dsp::setting::Setting;
use crestline_core::measure::{
    Aligner, Alignment, GainMemory, LONGEST_DELAY_MS, Meter, ReductionMeter, Relation, RestGain,
    longest_delay_frames,
};
use crestline_files::printable;
use crestline_files::{Audio, decode_all};

/// Longest block that is handed to a meter, frames.
const BLOCK_FRAMES: usize = 4096;
/// Shortest stretch in which the delay is looked for, seconds; rounded up to a power of two in
/// frames.
const STRETCH_S: f64 = 2.0;

const AFTER_HELP: &str = "\
Both files go through the same four-band crossover (corners 120 Hz, 1 kHz and 6 kHz, 24 dB an octave). A hundred
times a second, in windows of 40 ms that count like 20 ms, each band's gain is found by least squares; what no gain
explains is figures in windows of half that length (not in the lowest band).

Columns:
  rest        gain at rest, dB: the 95th percentile of the band's gain over the whole file, unless it is given
              with --rest-gain-db; what the reduction is counted from
  mean        mean reduction, dB, weighted by the energy that the band has in BEFORE
  95 %        95th percentile of the reduction over the windows, dB
  most        highest reduction, dB
  distortion  share of AFTER that no gain of the band explains, dB, weighted by its energy; what a process
              turns in phase counts as well
A dash (null with --json) stands for what cannot be figures: a band below -70 dBFS, or more than 40 dB below the
whole, has no gain of its own.

The delay between the files (up to 200 ms, either way) and an inverted polarity are found and taken out. The
files must have the same sample rate, the same channels (mono or stereo), and lengths that differ by no more than
that delay.

JSON (--json):
  One object with the keys delay_samples (positive where AFTER is late), polarity (\"normal\" or \"inverted\"),
  bands (an array of objects with low_hz, high_hz, rest_gain_db, mean_db, p95_db, max_db, distortion_db; null for
  an open edge), distortion_db, loudness_change_lu, plr_change_db, ldr_change_db. All means are energy-weighted.

Exit codes:
  0  the files were compared
  2  wrong usage
  3  a file could not be used, or the files do not belong together
  4  the result could not be written

Examples:
  crestline reduction mix.wav master.wav
  crestline reduction mix.wav master.wav --rest-gain-db 6 --json";

/// Compare a file with what a process made of it: reduction and added distortion in four bands
///
/// Finds the delay between the two files and prints, band by band, how far the process turned the
/// signal down and how much it added.
#[derive(clap::Args, Debug)]
#[command(after_long_help = AFTER_HELP, after_help = "The columns, the JSON keys and the exit codes are in --help.")]
pub struct ReductionArgs {
    /// Audio file from before the process
    #[arg(value_name = "BEFORE")]
    before: PathBuf,
    /// Audio file from after it
    #[arg(value_name = "AFTER")]
    after: PathBuf,
    /// Gain of the process while it turns nothing down, dB, or auto
    #[arg(long, value_name = "auto|X", default_value = "auto", value_parser = rest, allow_negative_numbers = true)]
    rest_gain_db: RestGain,
    /// Print JSON for machines instead of a table
    #[arg(long)]
    json: bool,
}

fn rest(text: &str) -> Result<RestGain, String> {
    if text == "auto" {
        return Ok(RestGain::Automatic);
    }
    let db = text
        .parse::<f64>()
        .ok()
        .filter(|db| RestGain::KNOWN_DB.holds(*db));
    db.map(RestGain::Known).ok_or_else(|| {
        let Setting { min, max, .. } = RestGain::KNOWN_DB;
        format!("give auto, or decibels from {min} to {max}")
    })
}

/// Compares the files and prints the result; the exit code is as `crestline reduction --help` says.
pub fn run(args: &ReductionArgs) -> ExitCode {
    let (compared, sample_rate_hz) = match compare(args) {
        Ok(done) => done,
        Err(line) => {
            print_error(&line);
            return ExitCode::from(INPUT_UNUSABLE);
        }
    };
    let text = if args.json {
        match serde_json::to_string_pretty(&compared) {
            Ok(json) => json + "\n",
            Err(error) => {
                print_error(&format!("the result could not be written ({error})"));
                return ExitCode::from(OUTPUT_FAILED);
            }
        }
    } else {
        format!(
            "{}\n{}{}",
            compared.table(),
            compared.alignment(sample_rate_hz),
            compared.changes()
        )
    };
    print_result(&text).err().unwrap_or(ExitCode::SUCCESS)
}

/// The comparison and the sample rate; the error is the line to tell.
fn compare(args: &ReductionArgs) -> Result<(Comparison, f64), String> {
    let [before, after] = [decoded(&args.before)?, decoded(&args.after)?];
    let rate_hz = f64::from(before.sample_rate_hz);
    let longest = longest_delay_frames(rate_hz);
    check_alike(args, &before, &after, longest)?;
    let alignment = align(&before, &after, longest).map_err(|cause| {
        let (before, after) = (printable(&args.before), printable(&args.after));
        format!("{before} and {after}: {cause}")
    })?;
    let late = |frames: i32| frames.max(0).unsigned_abs() as usize;
    let mut before_from = part(&before, late(alignment.delay_frames.saturating_neg()));
    let after_from = part(&after, late(alignment.delay_frames));
    if alignment.inverted {
        before_from
            .iter_mut()
            .flatten()
            .for_each(|sample| *sample = -*sample);
    }
    let meter = measured(rate_hz, &before_from, &after_from, args.rest_gain_db);
    let [before, after] = [measures(&before), measures(&after)];
    let compared = Comparison::new(
        &meter,
        0,
        DEFAULT_CORNERS_HZ,
        Some(alignment),
        [&before, &after],
    );
    Ok((compared, rate_hz))
}

fn decoded(path: &Path) -> Result<Audio, String> {
    decode_all(path).map_err(|error| error.to_string())
}

/// Refuses what cannot be laid side by side.
fn check_alike(
    args: &ReductionArgs,
    before: &Audio,
    after: &Audio,
    longest: usize,
) -> Result<(), String> {
    let name = printable(&args.after);
    let (a, b) = (before.sample_rate_hz, after.sample_rate_hz);
    if a != b {
        return Err(format!(
            "{name}: at {b} Hz, but the file before at {a} Hz; export both at one sample rate"
        ));
    }
    let (a, b) = (before.channels.len(), after.channels.len());
    if a != b {
        return Err(format!(
            "{name}: {b} channels, but the file before has {a}; export both with the same channels"
        ));
    }
    if a > 2 {
        return Err(format!(
            "{name}: {a} channels cannot be compared; export both files in mono or stereo"
        ));
    }
    let (a, b) = (frames(before), frames(after));
    if a.abs_diff(b) > longest {
        let seconds = |frames: usize| frames as f64 / f64::from(before.sample_rate_hz);
        return Err(format!(
            "{name}: {:.3} s long, but the file before {:.3} s; export both from the same start to the same end",
            seconds(b),
            seconds(a)
        ));
    }
    Ok(())
}

fn frames(audio: &Audio) -> usize {
    audio.channels.first().map_or(0, Vec::len)
}

fn part(audio: &Audio, from: usize) -> Vec<Vec<f32>> {
    audio
        .channels
        .iter()
        .map(|channel| channel.get(from..).unwrap_or_default().to_vec())
        .collect()
}

/// Where the files belong together most clearly; otherwise the cause and the remedy.
fn align(before: &Audio, after: &Audio, longest: usize) -> Result<Alignment, String> {
    let sum = |audio: &Audio| -> Vec<f32> {
        (0..frames(audio))
            .map(|frame| {
                audio
                    .channels
                    .iter()
                    .filter_map(|channel| channel.get(frame))
                    .sum()
            })
            .collect()
    };
    let (before_sum, after_sum) = (sum(before), sum(after));
    let length = before_sum.len().min(after_sum.len());
    #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
    let stretch = ((STRETCH_S * f64::from(before.sample_rate_hz)) as usize)
        .next_power_of_two()
        .min(length);
    let lag = i32::try_from(longest).unwrap_or(i32::MAX);
    let mut aligner = Aligner::new(stretch, -lag..=lag);
    let mut silent = [true; 2];
    let mut best: Option<Alignment> = None;
    for start in (0..=length - stretch).step_by(stretch.max(1)) {
        match aligner.compare(&before_sum[start..], &after_sum[start..]) {
            Relation::Aligned(found) => {
                silent = [false; 2];
                if best.is_none_or(|best| found.prominence > best.prominence) {
                    best = Some(found);
                }
            }
            Relation::TooWeak { first, second } => silent = [silent[0] & first, silent[1] & second],
            Relation::Unrelated => silent = [false; 2],
        }
    }
    match (best, silent) {
        (Some(best), _) => Ok(best),
        (None, [false, false]) => Err(format!(
            "unrelated; give the same audio from before and after a process, at most {LONGEST_DELAY_MS:.0} ms apart"
        )),
        (None, _) => {
            Err("too quiet to be compared (below -70 dBFS); check what was exported".to_owned())
        }
    }
}

fn measured(
    rate_hz: f64,
    before: &[Vec<f32>],
    after: &[Vec<f32>],
    rest: RestGain,
) -> ReductionMeter {
    let mut meter = ReductionMeter::new(rate_hz, before.len(), 1, GainMemory::Session, rest);
    let length = before.iter().chain(after).map(Vec::len).min().unwrap_or(0);
    for start in (0..length).step_by(BLOCK_FRAMES) {
        let end = length.min(start + BLOCK_FRAMES);
        let block = |signal: &'_ [Vec<f32>]| -> Vec<Vec<f32>> {
            signal
                .iter()
                .map(|channel| channel[start..end].to_vec())
                .collect()
        };
        let (before, after) = (block(before), block(after));
        let [before, after] =
            [&before, &after].map(|signal| signal.iter().map(Vec::as_slice).collect::<Vec<_>>());
        meter.process(&before, &[&after]);
    }
    meter.finish();
    meter
}

fn measures(audio: &Audio) -> Measures {
    let mut meter = Meter::new(f64::from(audio.sample_rate_hz), &audio.roles, BLOCK_FRAMES);
    for start in (0..frames(audio)).step_by(BLOCK_FRAMES) {
        let end = frames(audio).min(start + BLOCK_FRAMES);
        let block: Vec<&[f32]> = audio
            .channels
            .iter()
            .map(|channel| &channel[start..end])
            .collect();
        meter.process(&block);
    }
    meter.finish();
    Measures::new(&meter.readings())
}
