//! `crestline reduction`: what happened between one file and another.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use serde::Serialize;

use super::console::{INPUT_UNUSABLE, OUTPUT_FAILED, print_result, tell};
use super::decode::{Audio, decode_all};
use super::error::printable;
use super::measures::{Measures, to_thousandths_if_any};
use super::table::{Align, aligned, hundredths};
use crate::dsp::crossover::DEFAULT_CORNERS_HZ;
use crate::measure::{
    Aligner, Alignment, LONGEST_DELAY_MS, Meter, ReductionMeter, Relation, Rest, Span,
    longest_delay_frames,
};

/// Longest block that is handed to a meter, frames.
const BLOCK_FRAMES: usize = 4096;
/// Shortest stretch in which the delay is looked for, seconds; rounded up to a power of two in frames.
const STRETCH_S: f64 = 2.0;
const BANDS: usize = 4;

const AFTER_HELP: &str = "\
Both files go through the same four-band crossover (corners 120 Hz, 1 kHz and 6 kHz, 24 dB an octave). A hundred
times a second, in windows of 40 ms that count like 20 ms, each band's gain is found by least squares; what no gain
explains is told in windows of half that length (not in the lowest band).

Columns:
  rest        gain at rest, dB: the 95th percentile of the band's gain over the whole file, unless it is given
              with --rest-gain-db; what the reduction is counted from
  mean        mean reduction, dB, weighted by the energy that the band has in BEFORE
  95 %        95th percentile of the reduction over the windows, dB
  most        highest reduction, dB
  distortion  share of AFTER that no gain of the band explains, dB, weighted by its energy; what a process
              turns in phase counts as well
A dash (null with --json) stands for what cannot be told: a band below -70 dBFS, or more than 40 dB below the
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
/// Finds the delay between the two files and prints, band by band, how far the process turned the signal down and
/// how much it added.
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
    rest_gain_db: Rest,
    /// Print JSON for machines instead of a table
    #[arg(long)]
    json: bool,
}

fn rest(text: &str) -> Result<Rest, String> {
    if text == "auto" {
        return Ok(Rest::Automatic);
    }
    let db = text.parse::<f64>().ok().filter(|db| db.abs() <= 60.0);
    db.map(Rest::Known)
        .ok_or_else(|| "give auto, or decibels from -60 to 60".to_owned())
}

/// One band of the result.
#[derive(Clone, Debug, PartialEq, Serialize)]
struct Band {
    low_hz: Option<f64>,
    high_hz: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    rest_gain_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    mean_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    p95_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    max_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
}

/// The object of `--json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
struct Compared {
    delay_samples: i32,
    polarity: &'static str,
    bands: [Band; BANDS],
    #[serde(serialize_with = "to_thousandths_if_any")]
    distortion_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    loudness_change_lu: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    plr_change_db: Option<f64>,
    #[serde(serialize_with = "to_thousandths_if_any")]
    ldr_change_db: Option<f64>,
}

/// Compares the files and prints the result; the exit code is as `crestline reduction --help` says.
pub fn run(args: &ReductionArgs) -> ExitCode {
    let (compared, sample_rate_hz) = match compare(args) {
        Ok(done) => done,
        Err(line) => {
            tell(&line);
            return ExitCode::from(INPUT_UNUSABLE);
        }
    };
    let text = if args.json {
        match serde_json::to_string_pretty(&compared) {
            Ok(json) => json + "\n",
            Err(error) => {
                tell(&format!("the result could not be written ({error})"));
                return ExitCode::from(OUTPUT_FAILED);
            }
        }
    } else {
        table(&compared, sample_rate_hz)
    };
    print_result(&text).err().unwrap_or(ExitCode::SUCCESS)
}

/// The comparison and the sample rate; the error is the line to tell.
fn compare(args: &ReductionArgs) -> Result<(Compared, f64), String> {
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
    let reading = meter.readings(0);
    let edge = |index: Option<usize>| {
        index
            .and_then(|index| DEFAULT_CORNERS_HZ.get(index))
            .copied()
    };
    let bands = std::array::from_fn(|band| {
        let told = &reading.bands[band];
        Band {
            low_hz: edge(band.checked_sub(1)),
            high_hz: edge(Some(band)),
            rest_gain_db: told.reduction.mean_db.and(told.rest_gain_db).map(f64::from),
            mean_db: told.reduction.mean_db.map(f64::from),
            p95_db: meter.percentile_db(0, band, 95),
            max_db: told.reduction.max_db.map(f64::from),
            distortion_db: told.distortion.mean_db.map(f64::from),
        }
    });
    let [before, after] = [measures(&before), measures(&after)];
    let change = |of: fn(&Measures) -> Option<f64>| Some(of(&after)? - of(&before)?);
    let compared = Compared {
        delay_samples: alignment.delay_frames,
        polarity: if alignment.inverted {
            "inverted"
        } else {
            "normal"
        },
        bands,
        distortion_db: reading.distortion.mean_db.map(f64::from),
        loudness_change_lu: change(|measures| measures.integrated_lufs),
        plr_change_db: change(|measures| measures.plr_db),
        ldr_change_db: change(|measures| measures.ldr_db),
    };
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

fn measured(rate_hz: f64, before: &[Vec<f32>], after: &[Vec<f32>], rest: Rest) -> ReductionMeter {
    let mut meter = ReductionMeter::new(rate_hz, before.len(), 1, Span::Session, rest);
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
    let rate_hz = f64::from(audio.sample_rate_hz);
    let mut meter = Meter::new(rate_hz, &audio.roles, BLOCK_FRAMES);
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
    Measures::new(&meter.readings(), rate_hz)
}

/// The table for people: one row a band, then what concerns the whole.
fn table(compared: &Compared, sample_rate_hz: f64) -> String {
    let edge = |hz: f64| {
        if hz < 1000.0 {
            format!("{hz:.0} Hz")
        } else {
            format!("{} kHz", hz / 1000.0)
        }
    };
    let name = |band: &Band| match (band.low_hz, band.high_hz) {
        (None, Some(high)) => format!("below {}", edge(high)),
        (Some(low), None) => format!("above {}", edge(low)),
        (Some(low), Some(high)) => format!("{} … {}", edge(low), edge(high)),
        (None, None) => "all".to_owned(),
    };
    let column = |heading: [&str; 2], value: fn(&Band) -> Option<f64>| {
        let cells = compared.bands.iter().map(|band| hundredths(value(band)));
        aligned(
            heading.map(str::to_owned).into_iter().chain(cells),
            Align::Right,
        )
    };
    let names = compared.bands.iter().map(name);
    let columns = [
        aligned(
            ["band".to_owned(), String::new()].into_iter().chain(names),
            Align::Left,
        ),
        column(["rest", "dB"], |band| band.rest_gain_db),
        column(["mean", "dB"], |band| band.mean_db),
        column(["95 %", "dB"], |band| band.p95_db),
        column(["most", "dB"], |band| band.max_db),
        column(["distortion", "dB"], |band| band.distortion_db),
    ];
    let mut lines: Vec<String> = (0..BANDS + 2)
        .map(|line| {
            columns
                .iter()
                .filter_map(|column| column.get(line))
                .cloned()
                .collect::<Vec<_>>()
                .join("  ")
        })
        .collect();
    let ms = f64::from(compared.delay_samples) * 1000.0 / sample_rate_hz;
    let told = [
        (
            "distortion in all",
            hundredths(compared.distortion_db),
            "dB",
        ),
        ("loudness", hundredths(compared.loudness_change_lu), "LU"),
        ("PLR", hundredths(compared.plr_change_db), "dB"),
        ("LDR", hundredths(compared.ldr_change_db), "dB"),
    ];
    lines.push(String::new());
    lines.push(format!(
        "delay {} samples ({ms:.2} ms), polarity {}",
        compared.delay_samples, compared.polarity
    ));
    let told = told.map(|(what, value, unit)| format!("{what} {value} {unit}"));
    let [distortion, changes @ ..] = told;
    lines.push(distortion);
    lines.push(format!("change of {}", changes.join(", of ")));
    lines
        .iter()
        .map(|line| line.trim_end().to_owned() + "\n")
        .collect()
}
