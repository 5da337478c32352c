//! `crestline encoded`: what lossy encoders make of a file's peaks.

mod coding;
mod report;
mod source;
mod trial;

use std::path::PathBuf;
use std::process::ExitCode;

pub(crate) use self::report::Row;
pub(crate) use self::trial::{NoTrial, Trial, try_out};
use crate::console::{INPUT_UNUSABLE, OUTPUT_FAILED, print_as, print_error, progress_bar};
use crestline_files::{Unfinished, UnfinishedKind, printable};

const AFTER_HELP: &str = "\
The file is encoded as Ogg Vorbis (at the qualities that stand for 96, 160 and 320 kbit/s) and as MP3 (constant 128, 192
and 320 kbit/s), decoded again and measured. What an encoder leaves out or bends moves the peaks, mostly upwards, and most
where the music is dense.

The Vorbis encoder is built in. MP3 is encoded by the program `lame`, if it is installed; otherwise its rows are missing
and a line says so. What its presets turn down at low rates (0.4 dB at 128 kbit/s) is made up for, and so is the gain that
brings a float file beyond full scale to the 24 bits that it is given.

Files at 2, 4 or 8 times 44.1 or 48 kHz are brought to 44.1 or 48 kHz before they are encoded, as songs are delivered; what
this does to the peak is part of the overshoot. At less than 32 kHz MP3 has no 192 and 320 kbit/s, and below 16 kHz no 128;
what is left out is said.

Columns:
  rate          that the encoded file has come to, kbit/s
  true peak     after decoding, dBTP
  overshoot     true peak after less before, dB
  over          samples beyond full scale after decoding, which a player without headroom clips
  ceiling       the true-peak ceiling at which the decoded file would stay at -1 dBTP if the overshoot were the same, dBTP.
                It is not quite: an encoder decides otherwise of what is a decibel quieter, and the overshoot moves by
                some tenths. Encode what is made with that ceiling again. \"holds\" (the file's own peak with --json)
                where it stays under as it is; never above 0

JSON (--json):
  One object with the keys file, sample_rate_hz, channels, true_peak_dbtp, integrated_lufs, samples_over and mp3_encoder
  (null: not installed), and coded: [{codec: vorbis | mp3, nominal_kbps, kbps, sample_rate_hz, true_peak_dbtp,
  overshoot_db, samples_over, integrated_lufs, ceiling_dbtp, holds}]. null is what cannot be measured.

Exit codes:
  0  done
  2  wrong usage
  3  the input could not be used
  4  an encoder failed, or a result could not be written, or is there already; the rest was done

Examples:
  crestline encoded master.wav
  crestline encoded master.wav --keep encoded --json";

/// Encode a file as Ogg Vorbis and MP3, decode it, and tell what becomes of its peaks
///
/// Tells by how much encoders lift the true peak, and the ceiling that allows for it.
#[derive(clap::Args, Debug)]
#[command(after_long_help = AFTER_HELP, after_help = "The columns, the JSON keys and the exit codes are in --help.")]
pub struct EncodedArgs {
    /// Audio file to read: WAV, AIFF, FLAC, MP3 or Ogg Vorbis; mono or stereo
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Keep the encoded files in this folder, which must not be there yet
    #[arg(long, value_name = "FOLDER")]
    keep: Option<PathBuf>,
    /// Print JSON for machines instead of a table
    #[arg(long)]
    json: bool,
}

/// Tries the encoders and prints the result; the exit code is as `crestline encoded --help` says.
pub fn run(args: &EncodedArgs) -> ExitCode {
    if args.file.is_dir() {
        print_error(&format!(
            "{}: a folder; name one audio file in it",
            printable(&args.file)
        ));
        return ExitCode::from(INPUT_UNUSABLE);
    }
    let mut unfinished = None;
    if let Some(keep) = &args.keep {
        match Unfinished::make(
            UnfinishedKind::Folder,
            || std::fs::create_dir(keep),
            |()| keep.clone(),
        ) {
            Ok(((), folder)) => unfinished = Some(folder),
            Err(error) => {
                let name = printable(keep);
                print_error(&if error.kind() == std::io::ErrorKind::AlreadyExists {
                    format!("{name}: is there already; choose another name")
                } else {
                    format!(
                        "{name}: the folder could not be made ({error}); check the one that it is to \
                         lie in"
                    )
                });
                return ExitCode::from(OUTPUT_FAILED);
            }
        }
    }
    let bar = progress_bar(None, "encoding and decoding {bar:40} {percent:>3} %");
    let trial = try_out(&args.file, args.keep.as_deref(), &|done, of| {
        bar.set_length(of);
        bar.set_position(done);
    });
    bar.finish_and_clear();
    drop(unfinished);
    let trial = match trial {
        Ok(trial) => trial,
        Err(error) => {
            if let Some(keep) = &args.keep {
                // Made above, and still empty.
                let _ = std::fs::remove_dir(keep);
            }
            let (line, code) = match error {
                NoTrial::Input(line) => (line, INPUT_UNUSABLE),
                NoTrial::Room(line) => (line, OUTPUT_FAILED),
            };
            print_error(&line);
            return ExitCode::from(code);
        }
    };
    let notes = trial.original.notes.iter().chain(&trial.notes);
    for note in notes.chain(&trial.failed) {
        print_error(&format!("{}: {note}", printable(&args.file)));
    }
    for line in &trial.not_kept {
        print_error(line);
    }
    let code = if trial.not_kept.is_empty() && trial.failed.is_empty() {
        ExitCode::SUCCESS
    } else {
        if let Some(keep) = &args.keep {
            // Only if nothing at all is in it.
            let _ = std::fs::remove_dir(keep);
        }
        ExitCode::from(OUTPUT_FAILED)
    };
    let printed = print_as(args.json, || report::json(&trial), || report::text(&trial));
    printed.err().unwrap_or(code)
}
