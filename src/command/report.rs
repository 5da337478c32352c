//! `crestline report`: a page about one song or a whole record, to be handed over.

mod cautions;
mod html;
mod page;
mod picture;
mod record;
mod song;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::builder::{PossibleValuesParser, TypedValueParser};
use indicatif::ProgressBar;

use self::page::Report;
use self::song::{Song, Wanted};
use crate::compare::profile_of;
use crate::console::{
    INPUT_UNUSABLE, OUTPUT_FAILED, WRONG_USAGE, print_error, print_result, progress_bar,
};
use crate::output::Text;
use crate::stage_args::within;
use crestline_core::session::reference::Profile;
use crestline_core::session::{
    BUILT_IN, BuiltIn, DEFAULT_WINDOW_ID, PLAYBACK_LUFS, Section, built_in,
};
use crestline_files::{Profiled, printable};

const AFTER_HELP: &str = "\
The page opens from disk, needs no network, prints on A4 and follows light and dark. It holds, for the songs as one record,
the main numbers of `crestline measure`, the state of the target, what playback levelled to one loudness does to each song
as a track and as part of the album, and how the balance differs from song to song; and for each song its cautions,
history, place on the plane, balance, density, and what lossy encoders make of its peaks (as `crestline encoded`).

With --reference each song is set beside it, as `crestline compare` does.

A file that cannot be used is named on standard error and on the page; the others are reported all the same. Without one
that can be used, or without the reference that was asked for, there is no page.

Exit codes:
  0  done
  2  wrong usage
  3  some file could not be used
  4  an encoder failed, which the page says, or the page could not be written or is there already

Examples:
  crestline report mix.wav --html mix.html
  crestline report album/*.flac --reference reference.wav --html album.html";

/// Write a page about songs: numbers, pictures, cautions, to be handed over
///
/// Measures audio files and writes one HTML page about them, as songs of one record.
#[derive(clap::Args, Debug)]
#[command(after_long_help = AFTER_HELP, after_help = "What is on the page and the exit codes are in --help.")]
pub struct ReportArgs {
    /// Audio files: WAV, AIFF, FLAC, MP3 or Ogg Vorbis
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// The page to write
    #[arg(long, value_name = "OUT.html")]
    html: PathBuf,
    /// A reference to set each song beside: an audio file, or a profile that `compare` has saved
    #[arg(long, value_name = "REF")]
    reference: Option<PathBuf>,
    /// What is compared with --reference: the loudest 30 s, the whole, or from one time to another
    /// (s, m:ss or h:mm:ss) [default: loudest]
    #[arg(long, value_name = "loudest|whole|START-END")]
    section: Option<Section>,
    /// The target window, from a standard
    #[arg(long, value_name = "TARGET", default_value = DEFAULT_WINDOW_ID, value_parser = target())]
    target: &'static BuiltIn,
    /// Loudness that playback is levelled to, -30 to -5 LUFS
    #[arg(long, value_name = "LUFS", default_value_t = PLAYBACK_LUFS.default, allow_hyphen_values = true, value_parser = within(PLAYBACK_LUFS))]
    playback_lufs: f64,
    /// Leave the encoders out, which take most of the time
    #[arg(long)]
    no_encoders: bool,
    /// Replace OUT.html if it is there already
    #[arg(long)]
    force: bool,
}

/// Takes a target by its name, and lists the names.
fn target() -> impl TypedValueParser<Value = &'static BuiltIn> {
    let names = BUILT_IN.iter().map(|target| target.id);
    PossibleValuesParser::new(names).try_map(|id| built_in(&id).ok_or("no such target"))
}

/// Writes the page; the exit code is as `crestline report --help` says.
pub fn run(args: &ReportArgs) -> ExitCode {
    if args.section.is_some() && args.reference.is_none() {
        print_error(
            "--section changes nothing without --reference; add --reference or leave it out",
        );
        return ExitCode::from(WRONG_USAGE);
    }
    let name = printable(&args.html);
    let inputs = args.files.iter().chain(&args.reference);
    let inputs: Vec<&Path> = inputs.map(PathBuf::as_path).collect();
    let html = match Text::begin(&args.html, args.force, &inputs) {
        Ok(begun) => begun,
        Err(line) => {
            print_error(&line);
            return ExitCode::from(OUTPUT_FAILED);
        }
    };
    let bar = progress_bar(
        Some(args.files.len() as u64),
        "reporting {bar:40} {pos} of {len}  {eta} left",
    );
    let measured = measure(args, &bar);
    bar.finish_and_clear();
    let (songs, reference, missing) = match measured {
        Ok(measured) => measured,
        Err(line) => {
            print_error(&line);
            return ExitCode::from(INPUT_UNUSABLE);
        }
    };
    let failed = songs.iter().flat_map(|song| &song.failed);
    for line in missing.iter().chain(failed.clone()) {
        print_error(line);
    }
    let code = if !missing.is_empty() {
        ExitCode::from(INPUT_UNUSABLE)
    } else if failed.count() > 0 {
        ExitCode::from(OUTPUT_FAILED)
    } else {
        ExitCode::SUCCESS
    };
    if songs.is_empty() {
        return ExitCode::from(INPUT_UNUSABLE);
    }
    let count = songs.len();
    let report = Report {
        songs,
        reference,
        target: args.target,
        playback_lufs: args.playback_lufs,
        missing,
    };
    let page = match report.html() {
        Ok(page) => page,
        Err(error) => {
            print_error(&format!(
                "{name}: could not be drawn ({error}); report on fewer songs to find which one it is"
            ));
            return ExitCode::from(OUTPUT_FAILED);
        }
    };
    if let Err(line) = html.write(&page) {
        print_error(&line);
        return ExitCode::from(OUTPUT_FAILED);
    }
    let songs = if args.files.len() == 1 {
        "song"
    } else {
        "songs"
    };
    let of = match args.files.len() {
        all if all == count => String::new(),
        all => format!(" of {all}"),
    };
    print_result(&format!("{name}: {count}{of} {songs}\n"))
        .err()
        .unwrap_or(code)
}

type Measured = (Vec<Song>, Option<Profile>, Vec<String>);

/// The songs, the reference, and a line for each file that could not be used. Without the reference
/// that was asked for there is no report.
fn measure(args: &ReportArgs, bar: &ProgressBar) -> Result<Measured, String> {
    let section = args.section.unwrap_or(Section::Loudest);
    let reference = match &args.reference {
        None => None,
        Some(path) => {
            let Profiled { profile, notes } = profile_of(path, section, &mut |_| true)?;
            for note in notes {
                bar.suspend(|| print_error(&format!("{}: {note}", printable(path))));
            }
            Some(profile)
        }
    };
    let wanted = Wanted {
        reference: reference.as_ref(),
        section,
        encoded: !args.no_encoders,
    };
    let (mut songs, mut missing) = (Vec::new(), Vec::new());
    for path in &args.files {
        match song::measure(path, wanted) {
            Ok(song) => songs.push(song),
            Err(line) => missing.push(line),
        }
        bar.inc(1);
    }
    Ok((songs, reference, missing))
}
