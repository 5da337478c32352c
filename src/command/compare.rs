//! `crestline compare`: a mix beside a reference, balance first.

mod json;
mod report;
mod sides;

use std::path::PathBuf;
use std::process::ExitCode;

use self::report::Report;
pub(crate) use self::report::{nothing_apart, shelves};
pub(crate) use self::sides::{ONE_BESIDE_TWO, profile_of};
use crate::console::{INPUT_UNUSABLE, OUTPUT_FAILED, WRONG_USAGE, print_as, print_error};
use crate::output::Text;
use crestline_core::session::Section;
use crestline_core::session::reference::{Comparison, Profile, findings};

const AFTER_HELP: &str = "\
Both files are measured whole and in the part that is asked for: by default the loudest 30 s of either, so that choruses
are compared with choruses. The parts are compared at equal loudness. Files may have different sample rates and channels;
mono beside stereo is told as it is heard from both loudspeakers, 3.01 LU louder at the same peaks.

REFERENCE may also be a profile that --save-profile has written; its part is then the one that was measured, or the
whole where that is asked for. A note says where it is another than --section asks for.

The shelves are those of the chain, at most 6 dB up or down, that bring the mix nearest to the reference over the third
octaves (least squares; a band weighs by its level). A shelf that does not bring most of what it moves nearer is left out:
no shelf undoes a notch or a resonance.

Flat tops are those of the wave's highest tops (within 3 dB of a level that one a second passes) that are flatter than
a smooth wave's, as clipping leaves them and saturation that reaches a ceiling; a limiter that looks ahead makes none.
Few do not prove that nothing was: soft saturation leaves none, and a low cut, an all-pass, a decibel of equaliser, widening or lossy
coding rounds them again. A dash stands where fewer than 200 tops last long enough to be seen, as of drums, where
lower ones are flat as well, as of square waves, and where less than 1 % are of a file that is lossy (MP3, Vorbis).
With ≥, of such a file, stand the least there were.

JSON (--json):
  One object with the keys
    mix, reference    each with file, sample_rate_hz, channels, lossy, part and whole; either has start_s, end_s, integrated_lufs,
                      short_term_max_lufs, loudness_range_lu, true_peak_dbtp, plr_db, short_term_plr_min_db, ldr_db,
                      flat_tops_percent
    same              true where nothing that is measured differs
    match_gain_db     gain of the reference that brings its part to the loudness of the mix's
    bands             [{hz, mix_db, reference_db, difference_db, shelved_db}], third octaves from 20 Hz: level of either, mix
                      less reference at equal loudness, and the same with the suggested shelves
    regions           [{low_hz, high_hz, difference_db, mix_crest_db, reference_crest_db}], low to high: the difference of
                      whole regions, null where both hold next to nothing there, and the crest factor of either in the
                      four bands of the crossover, from 20 Hz on: true peak less RMS of single seconds, and of these the
                      mean over the middle half; null for both where one does not reach the end of the band, holds next to
                      nothing in it, or is surround and the other not, and where the reference was saved by an
                      earlier version; low_hz of the first and high_hz of the last are null
    suggestion        {helps, low_shelf_hz, low_shelf_db, high_shelf_hz, high_shelf_db, before_db, after_db,
                      loudness_change_lu}: difference in shape (weighted rms) before and after
    findings          [{about: balance | density | loudness | microdynamics | plr | flat tops, difference, sentence}],
                      the heaviest first and flat tops last; difference is mix less reference, of flat tops those of one
                      alone where the other's cannot be told
  null is what cannot be measured, and a loudness range over less than a minute, which is not reliable.

Exit codes:
  0  done
  2  wrong usage
  3  an input could not be used
  4  the result could not be written, or is there already

Examples:
  crestline compare mix.wav reference.flac
  crestline compare mix.wav reference.flac --section 62-91.5 --json
  crestline compare mix.wav reference.flac --save-profile reference.json";

/// Compare a mix with a reference: balance at equal loudness, shelves, density
///
/// Measures both files and tells what sets them apart, in order of weight.
#[derive(clap::Args, Debug)]
#[command(after_long_help = AFTER_HELP, after_help = "The JSON keys and the exit codes are in --help.")]
pub struct CompareArgs {
    /// The mix: WAV, AIFF, FLAC, MP3 or Ogg Vorbis
    #[arg(value_name = "MIX")]
    mix: PathBuf,
    /// The reference: an audio file, or a profile saved before
    #[arg(value_name = "REFERENCE")]
    reference: PathBuf,
    /// What of the files: their loudest 30 s, the whole, or from one time to another (s, m:ss or h:mm:ss)
    #[arg(
        long,
        value_name = "loudest|whole|START-END",
        default_value = "loudest"
    )]
    section: Section,
    /// Keep the profile of the reference
    #[arg(long, value_name = "OUT.json")]
    save_profile: Option<PathBuf>,
    /// Replace OUT.json if it is there already
    #[arg(long)]
    force: bool,
    /// Print JSON for machines instead of tables
    #[arg(long)]
    json: bool,
}

/// Compares the files and prints the result; the exit code is as `crestline compare --help` says.
pub fn run(args: &CompareArgs) -> ExitCode {
    if args.force && args.save_profile.is_none() {
        print_error("--force changes nothing without --save-profile; leave it out");
        return ExitCode::from(WRONG_USAGE);
    }
    let saved = args.save_profile.as_deref();
    let inputs = [&*args.mix, &*args.reference];
    let saved = match saved
        .map(|saved| Text::begin(saved, args.force, &inputs))
        .transpose()
    {
        Ok(begun) => begun,
        Err(line) => {
            print_error(&line);
            return ExitCode::from(OUTPUT_FAILED);
        }
    };
    let sides = match sides::read(&args.mix, &args.reference, args.section) {
        Ok(sides) => sides,
        Err(lines) => {
            for line in &lines {
                print_error(line);
            }
            return ExitCode::from(INPUT_UNUSABLE);
        }
    };
    for note in &sides.notes {
        print_error(note);
    }
    let saved = saved.map_or(Ok(()), |saved| saved.write(&sides.reference.to_json()));
    if let Err(line) = &saved {
        print_error(line);
    }
    let code = saved.map_or(ExitCode::from(OUTPUT_FAILED), |()| ExitCode::SUCCESS);
    let [mix, reference] = Profile::pair(&sides.mix, &sides.reference);
    let mut comparison = Comparison::new(&mix, &reference);
    comparison.same |= sides.same_file;
    let report = Report {
        files: [&args.mix, &args.reference].map(PathBuf::clone),
        channels: [sides.mix.channels, sides.reference.channels],
        findings: findings(&mix, &reference, &comparison),
        mix: mix.into_owned(),
        reference: reference.into_owned(),
        comparison,
    };
    let printed = print_as(args.json, || report.json(), || report.text());
    printed.err().unwrap_or(code)
}
