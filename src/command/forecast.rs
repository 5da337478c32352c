//! `crestline forecast`: how loud a file can go, and what each decibel costs.

mod chart;
mod input;
mod json;
mod report;
mod told;

use std::path::PathBuf;
use std::process::ExitCode;

use self::report::{Reason, Report};
use crate::console::{
    INPUT_UNUSABLE, OUTPUT_FAILED, WRONG_USAGE, print_as, print_error, progress_bar,
};
use crate::output::Text;
use crate::stage_args::{StageArgs, with_bands, within};
use crestline_core::dsp::setting::Setting;
use crestline_core::process::PushSettings;
use crestline_core::session::forecast::{
    PUSH_STEP_DB, Path as Way, Point, Runs, Stretch, Summary, as_loud_as, at_one_loudness,
    potential,
};
use crestline_core::session::{PLAYBACK_LUFS, Section};
use crestline_files::printable;

const AFTER_HELP: &str = "\
{BANDS}

The file runs through the chain, with the stages as given, at pushes of 0 dB to --max-push-db, 1.5 dB apart, nearer to
each other where a curve bends, and at each push that something is told of. The limiter runs in both paths and the
saturator in the saturated one, with --saturate or without. --push-db and --saturate say where the output stands now.

The loudness potential is where one more decibel of push, and each after it, adds less than half an LU. At one loudness
(that of the path in use now, at the clean path's potential, and at each --at-lufs) is what either path has to pay for it:
the one that sets the loudness at its push, any other at the lowest that comes to it. Distortion of -150 dB is none.
Microdynamics that a limiter adds by pumping, above those of the file, are not kept, and the sentence does not count them.

Playback levelled to --playback-lufs turns down what is louder; what is quieter it turns up, but only as far as a true
peak of -1 dBTP. Unused peak is how far below that the peaks then lie. It goes by the loudness of a whole file: of the
loudest minute of a longer one it is said by how much the whole is quieter.

What one more decibel brings, the potential and the loudness in use now are told by the parts that count in the loudness
of the file as it is: pushed, quiet parts come to count, and the whole would be told quieter though no part of it is.
The other path is brought to the loudness of these parts: of a file that swells its whole can lie tenths of an LU off.

JSON (--json):
  One object with the keys
    file, sample_rate_hz, channels, section: {start_s, end_s, of_s, whole_quieter_lu}, now: {push_db, path}, max_push_db
    points            [{push_db, clean, saturated}], by rising push; each path has integrated_lufs, short_term_max_lufs,
                      true_peak_dbtp, plr_db, short_term_plr_min_db, ldr_db, limiter_mean_db, limiter_p95_db (what the
                      limiter takes away), distortion_db, and bands: [{reduction_db, distortion_db}], low to high
    potential         {clean, saturated}, each with push_db, beyond (the bend lies past --max-push-db, and what stands
                      here is less than the path can do), loudness_lufs, plr_db, ldr_db, distortion_db, and next_decibel
    next_decibel      {clean, saturated}: what one more decibel of push than now brings, each with loudness_lu, plr_db,
                      ldr_db, distortion_db (what lies below -70 dB counts as that)
    at_one_loudness   [{of: now | clean_potential | asked, loudness_lufs, clean, saturated}], each path with push_db,
                      plr_db, short_term_plr_min_db, ldr_db, distortion_db, and turned_down: {playback_lufs, gain_db,
                      true_peak_dbtp, plr_db, unused_peak_db}, all as played (playback_lufs, too); null where a path is
                      louder than that without any push, or does not come to it
    sentence          the same in plain words
  null is what cannot be measured; of_s and whole_quieter_lu are told of the loudest minute of a longer file alone.

Exit codes:
  0  done
  2  wrong usage
  3  the input could not be used
  4  the result could not be written, or is there already

Examples:
  crestline forecast mix.wav
  crestline forecast mix.wav --at-lufs -10 --high-shelf-db 2 --svg price.svg
  crestline forecast mix.wav --section 62-91.5 --json";

/// Highest push, dB: one step of the forecast at least.
const MAX_PUSH_DB: Setting = Setting::new(
    PUSH_STEP_DB,
    PushSettings::PUSH_DB.max,
    PushSettings::PUSH_DB.max,
);
/// Rounds of measuring what is told: where a path comes to a loudness is itself known better once the
/// push before has been measured.
const ROUNDS: usize = 2;
/// Loudness to compare at, LUFS: what music comes to, with room on either side.
const AT_LUFS: Setting = Setting::new(-40.0, 0.0, -14.0);

/// Forecast how loud a song can go, clean and saturated, and what each decibel costs
///
/// Runs one mono or stereo file through the same engine as the plug-in at one push after another
/// and tells where pushing stops paying.
#[derive(clap::Args, Debug)]
#[command(after_long_help = with_bands(AFTER_HELP), after_help = "The bands, the JSON keys and the exit codes are in --help.", mut_arg("no_limiter", |arg| arg.hide(true)))]
pub struct ForecastArgs {
    /// Audio file to read: WAV, AIFF, FLAC, MP3 or Ogg Vorbis
    #[arg(value_name = "FILE")]
    file: PathBuf,
    #[command(flatten)]
    stages: StageArgs,
    /// What of the file: its loudest minute, the whole, or from one time to another (s, m:ss or h:mm:ss)
    #[arg(
        long,
        value_name = "loudest|whole|START-END",
        default_value = "loudest"
    )]
    section: Section,
    /// Highest push, 1.5 to 18 dB
    #[arg(long, value_name = "DB", default_value_t = MAX_PUSH_DB.default, allow_hyphen_values = true, value_parser = within(MAX_PUSH_DB))]
    max_push_db: f64,
    /// A loudness to compare both paths at, -40 to 0 LUFS; may be given several times
    #[arg(long, value_name = "LUFS", allow_hyphen_values = true, value_parser = within(AT_LUFS))]
    at_lufs: Vec<f64>,
    /// Loudness that playback is levelled to, -30 to -5 LUFS
    #[arg(long, value_name = "LUFS", default_value_t = PLAYBACK_LUFS.default, allow_hyphen_values = true, value_parser = within(PLAYBACK_LUFS))]
    playback_lufs: f64,
    /// Draw the curves to an SVG file
    #[arg(long, value_name = "OUT.svg")]
    svg: Option<PathBuf>,
    /// Replace OUT.svg if it is there already
    #[arg(long)]
    force: bool,
    /// Print JSON for machines instead of a table
    #[arg(long)]
    json: bool,
}

impl ForecastArgs {
    /// What is wrong with the options: the option, why, and what to do.
    fn wrong(&self) -> Option<String> {
        let settings = self.stages.settings();
        if !settings.limiter.enabled {
            return Some(
                "--no-limiter leaves nothing to forecast: without the limiter loudness follows \
                 the push for ever; leave it out"
                    .to_owned(),
            );
        }
        if settings.push.push_db > self.max_push_db {
            return Some(format!(
                "--push-db {} lies past --max-push-db {}; raise the one or lower the other",
                settings.push.push_db, self.max_push_db
            ));
        }
        if self.force && self.svg.is_none() {
            return Some("--force changes nothing without --svg; leave it out".to_owned());
        }
        self.stages.without_effect(true)
    }

    /// The path that the output takes now.
    fn way(&self) -> Way {
        if self.stages.settings().saturator.enabled {
            Way::Saturated
        } else {
            Way::Clean
        }
    }

    /// Runs the even pushes, then those that something is told of.
    fn forecast(&self, input: &input::Input, stretch: Stretch) -> Report {
        let settings = self.stages.settings();
        let bar = progress_bar(None, "pushing {bar:40} {pos} of {len}  {eta} left");
        // Nobody cancels it.
        let never = || false;
        let Some(runs) = Runs::new(stretch, &settings, &never) else {
            return self.report(input, Vec::new());
        };
        let points = runs.all(self.max_push_db, &never, &mut |_, progress| {
            bar.set_length(progress.planned as u64);
            bar.set_position(progress.done as u64);
        });
        let mut report = self.report(input, points.unwrap_or_default());
        for _ in 0..ROUNDS {
            let pushes = told::missing(&report.points, &report.summary, report.now_db);
            bar.inc_length(pushes.len() as u64);
            let mut points = report.points;
            for push_db in pushes {
                points.extend(runs.at(push_db, &never));
                bar.inc(1);
            }
            points.sort_by(|a, b| a.push_db.total_cmp(&b.push_db));
            report = self.report(input, points);
        }
        bar.finish_and_clear();
        report
    }

    fn report(&self, input: &input::Input, points: Vec<Point>) -> Report {
        let (now_db, way) = (self.stages.settings().push.push_db, self.way());
        let level = self.playback_lufs;
        let now = as_loud_as(&points, way, now_db, level).map(|at| (Reason::Now, at));
        let bend = potential(&points, Way::Clean)
            .and_then(|bend| as_loud_as(&points, Way::Clean, bend.push_db, level))
            .map(|at| (Reason::CleanPotential, at));
        let asked = self.at_lufs.iter();
        let asked = asked.map(|lufs| (Reason::Asked, at_one_loudness(&points, *lufs, level)));
        let (reasons, compared) = now.into_iter().chain(bend).chain(asked).unzip();
        let summary = Summary::new(&points, now_db, compared);
        Report {
            file: self.file.clone(),
            section_s: input.section_s,
            whole: input.whole,
            sample_rate_hz: input.sample_rate_hz,
            channels: input.channels,
            now_db,
            way,
            max_push_db: self.max_push_db,
            playback_lufs: self.playback_lufs,
            reasons,
            points,
            summary,
        }
    }
}

/// Forecasts the file and prints the result; the exit code is as `crestline forecast --help` says.
pub fn run(args: &ForecastArgs) -> ExitCode {
    if let Some(wrong) = args.wrong() {
        print_error(&wrong);
        return ExitCode::from(WRONG_USAGE);
    }
    let svg = args.svg.as_deref();
    let svg = match svg
        .map(|svg| Text::begin(svg, args.force, &[&args.file]))
        .transpose()
    {
        Ok(begun) => begun,
        Err(line) => {
            print_error(&line);
            return ExitCode::from(OUTPUT_FAILED);
        }
    };
    let (input, stretch) = match input::read(&args.file, args.section) {
        Ok(read) => read,
        Err(message) => {
            print_error(&message);
            return ExitCode::from(INPUT_UNUSABLE);
        }
    };
    for note in &input.notes {
        print_error(&format!("{}: {note}", printable(&args.file)));
    }
    let report = args.forecast(&input, stretch);
    let drawn = svg.map_or(Ok(()), |svg| write_chart(&report, svg));
    if let Err(message) = &drawn {
        print_error(message);
    }
    let code = drawn.map_or(ExitCode::from(OUTPUT_FAILED), |()| ExitCode::SUCCESS);
    let printed = print_as(args.json, || report.json(), || report.text());
    printed.err().unwrap_or(code)
}

fn write_chart(report: &Report, svg: Text<'_>) -> Result<(), String> {
    let chart = chart::svg(report).map_err(|error| {
        format!(
            "the curves could not be drawn ({error}); leave out --svg to have the numbers alone"
        )
    })?;
    svg.write(&chart)
}
