//! `crestline reduction`: what happened between one file and another.

use std::path::PathBuf;
use std::process::ExitCode;

use crate::BLOCK_FRAMES;
use crate::comparison::{Comparison, Way};
use crate::console::{INPUT_UNUSABLE, print_as, print_error};
use crate::measures::Measures;
use crate::paired::{Excerpts, Paired};
use crestline_core::dsp::crossover::{DEFAULT_CORNERS_HZ, held_hz};
use crestline_core::dsp::setting::Setting;
use crestline_core::measure::{
    Aligner, Alignment, Estimator, GainMemory, Meter, Relation, RestGain, Stretch, ThroughMeter,
    mono,
};
use crestline_files::{printable, unchanged};

/// Longest delay that is looked for, seconds. Far more than a process needs: exports may begin at
/// different places, and one that lies beyond is taken for something else that repeats itself.
const LONGEST_DELAY_S: f64 = 2.0;
/// Stretch in which it is looked for, seconds: an excerpt.
const STRETCH_S: f64 = 5.0;
const TOO_SHORT: &str =
    "too short or too quiet to be compared; give three seconds of sound or more";

const AFTER_HELP: &str = "\
Both files go through the same four-band crossover (corners 120 Hz, 1 kHz and 6 kHz, 24 dB an octave). A hundred
times a second, in windows of 40 ms that count like 20 ms, each band's gain is found by least squares; what no gain
explains is told in windows of half that length (not in the lowest band).

Columns:
  rest        gain at rest, dB: the 95th percentile of the band's gain over the whole file, unless it is given
              with --rest-gain-db; what the reduction is counted from
  mean        mean reduction, dB, weighted by the energy that the band has in BEFORE, over all windows of which a gain
              explains a tenth at least
  95 %        95th percentile of the reduction over the windows, dB, each counting the same, and only those of which a
              gain explains half: where all of it lies in the loudest moments it is less than the mean. Silence that
              the device makes counts once it has lasted for a quarter of a second
  most        highest reduction, dB, in such a window where the band is no more than 30 dB below its mean; no less than
              the mean and the 95 %
  distortion  share of AFTER that no gain of the band explains, dB, weighted by its energy; -150 dB is none. In all, of
              the bands together, over 20 ms, as that of each but the lowest, which takes 40 ms: where that one has most
              of the energy this may lie below every band
A dash (null with --json) stands for what cannot be told: a band below -70 dBFS, or more than 40 dB below the
whole, has no gain of its own.

crestline render measures its own paths without looking for a linear part first. A limiter's or a saturator's own bends
look linear in part, so that what it tells of distortion and what is told here of its files differ by some 1 dB, by 2 dB
where saturation is heavy; behind an equaliser and hard limiting by up to 4 dB in a band that holds little of the energy.
Of bands that take 10 dB and more up to 4 dB too much distortion is told here, and up to 10 where one of them is fast.
Where the music is sparse, as speech is, fast bands are told 5 dB too little of reduction and 11 too much of distortion,
and those that they leave alone 0.7 dB and 23.
Of a single instrument that repeats itself, as a drum machine or a held voice, what happens to each repetition alike is
taken for a change of tone: by some decibels; --rest-gain-db puts the reduction right.

What is linear and stays is found first and taken out: a delay (up to 2 s, either way), an inverted polarity,
equalisers, crossovers, balance, width, DC, channels that are exchanged, or one that is late or upside down. Behind a
delay of a fraction of a sample some of what lies above 20 kHz is left, -40 dB of the highest band. What is found is
told by itself: as the change of tone at its greatest, and with --json as the gain at rest in third octaves. A device
whose delay or phase moves, as a chorus or a clock that drifts by half a sample and more over the whole, is no fixed
device, and neither reduction nor distortion is told of it; one that clips a dense mix by 4 dB and more cannot be told
from that by its phases and is taken for one, too. Not known as linear, and told as reduction and distortion, is what
rings for longer than a tenth of a second (an echo, a reverb, a notch or a bell of high Q below 100 Hz). DC that a gain
moves before a high-pass of a few hertz takes it away is left in part: where it lies 15 dB below the mix, distortion of
-40 dB is told as -36 dB. Gains are looked for in left and right: a compressor of the middle or the side alone reads as
distortion; give it middle and side as files.
The files must have the same sample rate and the same channels (mono or stereo); what the longer one has at its end is
left out.

JSON (--json):
  One object with the keys delay_samples (positive where AFTER is late, with its fraction), right_late_samples (by how
  much the right channel is later than the left; null where both are as late), polarity (\"normal\",
  \"inverted\", or \"left inverted\", \"right inverted\"), exchanged (true where left comes out on the right and right on
  the left; what is told besides is told of the channels where they were), fixed_device (true or false), linear (an
  array of objects with hz, gain_db), balance_db (right against left), width_db (side against middle), muted (\"left\"
  or \"right\", a channel of which nothing is left; otherwise null), bands (an array of objects with low_hz, high_hz,
  rest_gain_db, mean_db, p95_db, max_db, distortion_db; null for an open edge), distortion_db, loudness_change_lu,
  plr_change_db, ldr_change_db. All means are energy-weighted.

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
    /// Gain of the process while it turns nothing down, -24 to 24 dB, or auto
    #[arg(long, value_name = "auto|X", default_value = "auto", value_parser = rest, allow_hyphen_values = true)]
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
        format!("give auto, or decibels from {min} to {max}, without a unit")
    })
}

/// Compares the files and prints the result; the exit code is as `crestline reduction --help` says.
pub fn run(args: &ReductionArgs) -> ExitCode {
    let after = || unchanged(&args.after, || compare(args));
    let done = unchanged(&args.before, after).flatten();
    let done = done.map_err(|error| error.to_string()).flatten();
    let (compared, sample_rate_hz, notes) = match done {
        Ok(done) => done,
        Err(line) => {
            print_error(&line);
            return ExitCode::from(INPUT_UNUSABLE);
        }
    };
    for note in &notes {
        print_error(note);
    }
    let text = || {
        format!(
            "{}\n{}{}",
            compared.table(),
            compared.alignment(sample_rate_hz) + &compared.linear(),
            compared.changes()
        )
    };
    let printed = print_as(args.json, || &compared, text);
    printed.err().unwrap_or(ExitCode::SUCCESS)
}

/// The comparison, the sample rate, and lines to tell about the files; the error is the line to
/// tell.
fn compare(args: &ReductionArgs) -> Result<(Comparison, f64, Vec<String>), String> {
    let paths = [&*args.before, &*args.after];
    let mut files = Paired::open(paths, [0; 2])?;
    let rate_hz = f64::from(files.sample_rate_hz());
    let mut excerpts = Excerpts::new(rate_hz);
    while let Some([before, after]) = files.next_block()? {
        excerpts.push(before, after);
    }
    let excerpts = excerpts.finish();
    let (before, after) = (printable(&args.before), printable(&args.after));
    let told = |cause: String| format!("{before} and {after}: {cause}");
    let alignment = align(&excerpts, rate_hz).map_err(told)?;
    let late = |frames: i32| frames.max(0).unsigned_abs() as usize;
    let skip = [
        late(alignment.delay_frames.saturating_neg()),
        late(alignment.delay_frames),
    ];
    let stretches: Vec<Stretch> = excerpts
        .into_iter()
        .map(|excerpt| in_step(excerpt, skip, alignment.inverted))
        .collect();
    let estimate = Estimator::new(rate_hz, DEFAULT_CORNERS_HZ).estimate(&stretches, &|| false);
    drop(stretches);
    let estimate = estimate.ok_or_else(|| told(TOO_SHORT.to_owned()))?;

    let mut files = Paired::open(paths, skip)?;
    let roles = files.roles().to_vec();
    let mut through = ThroughMeter::new(
        rate_hz,
        roles.len(),
        GainMemory::Session,
        args.rest_gain_db,
        DEFAULT_CORNERS_HZ,
    );
    through.set_estimate(&estimate);
    let meter = || Meter::new(rate_hz, &roles, BLOCK_FRAMES).told_at_end();
    let mut meters = [meter(), meter()];
    while let Some([before, after]) = files.next_block()? {
        let mut planes = before.to_vec();
        let slices =
            [before, after].map(|planes| planes.iter().map(Vec::as_slice).collect::<Vec<_>>());
        for (meter, slices) in meters.iter_mut().zip(&slices) {
            meter.process(slices);
        }
        if alignment.inverted {
            planes
                .iter_mut()
                .flatten()
                .for_each(|sample| *sample = -*sample);
        }
        let before: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
        through.process(&before, &slices[1]);
    }
    through.finish();
    let mut lines = Vec::new();
    for (path, notes) in paths.into_iter().zip(files.notes()) {
        let name = printable(path);
        lines.extend(notes.iter().map(|note| format!("{name}: {note}")));
    }
    let [before, after] = meters.map(|mut meter| {
        meter.finish();
        Measures::new(&meter.readings())
    });
    let way = Way {
        delay_frames: f64::from(alignment.delay_frames) + estimate.linear.delay_frames,
        inverted: alignment.inverted != estimate.linear.inverted,
        linear: estimate.linear,
        fixed: estimate.fixed,
    };
    let measures = [&before, &after];
    let corners_hz = held_hz(DEFAULT_CORNERS_HZ, rate_hz);
    let compared = Comparison::new(through.meter(), 0, corners_hz, Some(&way), measures);
    Ok((compared, rate_hz, lines))
}

/// The part of an excerpt in which both signals lie in step.
fn in_step(mut excerpt: Stretch, skip: [usize; 2], inverted: bool) -> Stretch {
    let frames = excerpt.before.first().map_or(0, Vec::len);
    let kept = frames.saturating_sub(skip[0].max(skip[1]));
    for (signal, skip) in [&mut excerpt.before, &mut excerpt.after]
        .into_iter()
        .zip(skip)
    {
        for channel in signal {
            channel.drain(..skip.min(frames));
            channel.truncate(kept);
        }
    }
    if inverted {
        excerpt
            .before
            .iter_mut()
            .flatten()
            .for_each(|sample| *sample = -*sample);
    }
    excerpt
}

/// Where the files belong together most clearly; otherwise the cause and the remedy.
fn align(excerpts: &[Stretch], rate_hz: f64) -> Result<Alignment, String> {
    #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
    let wanted = (STRETCH_S * rate_hz) as usize;
    let longest = excerpts.iter().filter_map(|excerpt| excerpt.before.first());
    let length = wanted.min(longest.map(Vec::len).max().unwrap_or(0));
    #[expect(clippy::cast_possible_truncation, reason = "768 000 at 384 kHz")]
    let lag = (LONGEST_DELAY_S * rate_hz) as i32;
    let mut aligner = Aligner::new(length, -lag..=lag);
    let mut silent = [true; 2];
    let mut best: Option<Alignment> = None;
    for excerpt in excerpts {
        let [before, after] = mono([&excerpt.before, &excerpt.after]);
        let last = before.len().saturating_sub(length);
        for start in (0..=last).step_by(length.max(1)) {
            let signals = [&*excerpt.before, &*excerpt.after];
            match aligner.compare_any([&before, &after], signals, start) {
                Relation::Aligned(found) => {
                    silent = [false; 2];
                    if best.is_none_or(|best| found.prominence > best.prominence) {
                        best = Some(found);
                    }
                }
                Relation::TooWeak { first, second } => {
                    silent = [silent[0] & first, silent[1] & second];
                }
                Relation::Unrelated => silent = [false; 2],
            }
        }
    }
    match (best, silent) {
        (Some(best), _) => Ok(best),
        (None, [false, false]) => Err(format!(
            "unrelated; give the same audio from before and after a process, at most {LONGEST_DELAY_S:.0} s apart"
        )),
        (None, _) => {
            Err("too quiet to be compared (below -70 dBFS); check what was exported".to_owned())
        }
    }
}
