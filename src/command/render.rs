//! `crestline render`: one file through the chain, as the plug-in would process it.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::ValueEnum;
use serde::Serialize;

use crate::channels::{taken_for_front, too_many};
use crate::comparison::Comparison;
use crate::console::{INPUT_UNUSABLE, OUTPUT_FAILED, WRONG_USAGE, print_as, print_error};
use crate::measures::{MeasuredFile, Measures};
use crate::output;
use crate::stage_args::{StageArgs, with_bands};
use crate::table::table;
use crestline_core::dsp::crossover::held_hz;
use crestline_core::engine::{CHUNK, Engine, EngineSpec, PAID_CLEAN, PAID_OUTPUT, Settings};
use crestline_core::measure::Readings;
use crestline_core::process::{ListenSettings, Source};
use crestline_files::{AudioFile, named};
use crestline_files::{InputError, OutputError, OutputErrorKind, printable};
use crestline_files::{SampleFormat, WavFile};

const AFTER_HELP: &str = "\
The output has the input's length and timing: the latency is taken out. 16 and 24 bits are dithered (TPDF), and clip what
lies beyond full scale: a note says how many samples, and all that is told is of the signal before that.
What IN tells beside its audio (title, comments, markers) is not copied.
Unless --no-limiter is given the true peak is held at the ceiling: 0.05 dB over at most for what holds nothing above 0.45
of the rate where the limiter stands, behind the saturator. Of what does, meters read up to 0.2 dB over in bright music
at 44.1 and 48 kHz, up to 0.4 in noise and in what has been clipped before, and differ by as much. So they do, with
--saturate, within a sample of where a file begins or ends in the midst of a sound: what the saturator's filters ring
there lies outside the file.
The limiter sets its gain on a grid from the file's start: with silence put before it that is no multiple of 32 frames
single samples of the result differ by -55 dBFS at 6 dB of push, and by -45 dBFS at 18 dB.
Both paths are measured whichever is written: clean is the chain without its saturator, output the chain with it;
without --saturate they are one.

{BANDS}

Printed are the measures of the input and of both paths, then what each path paid: reduction and added distortion by
band (see crestline reduction --help), counted from the input with its push and shelves, and the change from input to path.
Distortion of -150 dB is none.

JSON (--json):
  One object with the keys file, path, sample_rate_hz, channels, duration_s, clipped_samples, and input, clean and output,
  each an object with the measuring keys of crestline measure but dc_offset_dbfs, and clean_reduction and
  output_reduction, each an object with the keys of crestline reduction; null for what cannot be measured. The file is
  the one that was written.

Exit codes:
  0  the file was written
  2  wrong usage
  3  the input could not be used
  4  the file or the result could not be written, or is there already

Examples:
  crestline render mix.wav loud.wav --push-db 6
  crestline render mix.wav loud.wav --push-db 6 --saturate --shoulder-db 3 --bits 24
  crestline render mix.wav lost.wav --push-db 6 --saturate --path residue";

/// Render an audio file through the chain: push, shelves, bands, saturator, limiter
///
/// Runs one mono or stereo file through the same engine as the plug-in, writes a WAV file and
/// prints what was measured before and after.
#[derive(clap::Args, Debug)]
#[command(after_long_help = with_bands(AFTER_HELP), after_help = "The bands, the JSON keys and the exit codes are in --help.")]
pub struct RenderArgs {
    /// Audio file to read: WAV, AIFF, FLAC, MP3 or Ogg Vorbis
    #[arg(value_name = "IN")]
    input: PathBuf,
    /// WAV file to write
    #[arg(value_name = "OUT")]
    output: PathBuf,
    #[command(flatten)]
    stages: StageArgs,
    /// What is written
    #[arg(long, value_enum, default_value_t = PathChoice::Output)]
    path: PathChoice,
    /// Bits of a sample
    #[arg(long, value_enum, default_value_t = Bits::Int24)]
    bits: Bits,
    /// Replace OUT if it is there already
    #[arg(long)]
    force: bool,
    /// Print JSON for machines instead of a table
    #[arg(long)]
    json: bool,
}

/// A signal that can be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum, Serialize)]
#[serde(rename_all = "lowercase")]
enum PathChoice {
    /// The whole chain
    Output,
    /// The chain without its saturator
    Clean,
    /// What the chain changed: output less the input at the gain that fits best over the last 0.4 s
    Residue,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Bits {
    #[value(name = "16")]
    Int16,
    #[value(name = "24")]
    Int24,
    #[value(name = "32f")]
    Float32,
}

/// The object of `--json`.
#[derive(Serialize)]
struct Rendered {
    file: String,
    path: PathChoice,
    sample_rate_hz: u32,
    channels: usize,
    duration_s: f64,
    clipped_samples: u64,
    input: Measures,
    clean: Measures,
    output: Measures,
    clean_reduction: Comparison,
    output_reduction: Comparison,
}

enum RenderError {
    Input(InputError),
    /// The input has more channels than the chain.
    Channels(usize),
    Output(OutputError),
}

impl From<InputError> for RenderError {
    fn from(error: InputError) -> Self {
        Self::Input(error)
    }
}

impl From<OutputError> for RenderError {
    fn from(error: OutputError) -> Self {
        Self::Output(error)
    }
}

/// Renders the file and prints the result; the exit code is as `crestline render --help` says.
pub fn run(args: &RenderArgs) -> ExitCode {
    if let Some(wrong) = args.stages.without_effect(false) {
        print_error(&wrong);
        return ExitCode::from(WRONG_USAGE);
    }
    if let Some(wrong) = no_wav(&args.output) {
        print_error(&wrong);
        return ExitCode::from(WRONG_USAGE);
    }
    if let Some(line) = output::refused(&args.output, args.force, &[&args.input]) {
        print_error(&line);
        return ExitCode::from(OUTPUT_FAILED);
    }
    let (rendered, rows) = match render(args) {
        Ok(done) => done,
        Err(RenderError::Input(error)) => {
            print_error(&error.to_string());
            return ExitCode::from(INPUT_UNUSABLE);
        }
        Err(RenderError::Channels(count)) => {
            print_error(&too_many(&args.input, count));
            return ExitCode::from(INPUT_UNUSABLE);
        }
        Err(RenderError::Output(error)) => {
            // Another program may have come first since it was looked for.
            match error.kind {
                OutputErrorKind::Exists => {
                    print_error(&format!("{}: {}", printable(&args.output), output::THERE));
                }
                _ => print_error(&error.to_string()),
            }
            return ExitCode::from(OUTPUT_FAILED);
        }
    };
    let text = || {
        let [clean, output] = [&rendered.clean_reduction, &rendered.output_reduction]
            .map(|paid| format!("{}{}", paid.table(), paid.changes()));
        let paid = if args.stages.saturates() {
            vec![
                format!("clean path\n{clean}"),
                format!("output path\n{output}"),
            ]
        } else {
            vec![format!(
                "clean and output path, which are the same\n{output}"
            )]
        };
        format!(
            "{}\n{}\nwritten: {}\n",
            table(&rows),
            paid.join("\n"),
            printable(&args.output)
        )
    };
    let printed = print_as(args.json, || &rendered, text);
    printed.err().unwrap_or(ExitCode::SUCCESS)
}

/// A name that promises another kind of file than is written.
fn no_wav(path: &Path) -> Option<String> {
    let ending = path.extension()?;
    let wav = ["wav", "wave"]
        .iter()
        .any(|wav| ending.eq_ignore_ascii_case(wav));
    let better = printable(&path.with_extension("wav"));
    let name = printable(path);
    (!wav).then(|| format!("{name}: only WAV is written; call it {better}"))
}

fn render(args: &RenderArgs) -> Result<(Rendered, [MeasuredFile; 3]), RenderError> {
    let mut audio = AudioFile::open(&args.input)?;
    let (sample_rate_hz, channels) = (audio.sample_rate_hz(), audio.roles().len());
    if channels > 2 {
        return Err(RenderError::Channels(channels));
    }
    let format = match args.bits {
        Bits::Int16 => SampleFormat::Int16,
        Bits::Int24 => SampleFormat::Int24,
        Bits::Float32 => SampleFormat::Float32,
    };
    // Found out now, and not gigabytes later.
    if let Some(frames) = audio.promised_frames()
        && !WavFile::can_hold(frames, channels, format)
    {
        return Err(OutputError::new(&args.output, OutputErrorKind::TooLong).into());
    }
    let file = WavFile::create(&args.output, sample_rate_hz, channels, format, args.force)?;
    let mut run = Run::new(f64::from(sample_rate_hz), channels, file, &args.settings());
    while let Some(planes) = audio.next_block()? {
        run.push(planes)?;
    }
    let (mut notes, duration_frames) = (audio.notes(), audio.frames());
    let rate_hz = f64::from(sample_rate_hz);
    let corners_hz = held_hz(run.settings.chain.bands.crossovers_hz, rate_hz);
    let (engine, clipped) = run.finish()?;
    let told = engine.snapshot();
    let [input, clean, output] = [told.input, told.clean, told.output].map(|point| point.readings);
    notes.extend(taken_for_front(audio.roles()));
    for note in notes {
        print_error(&format!("{}: {note}", printable(&args.input)));
    }
    if clipped > 0 {
        let samples = if clipped == 1 { "sample" } else { "samples" };
        print_error(&format!(
            "{}: {clipped} {samples} lay beyond full scale and were clipped, of which the figures show nothing; \
             push less, leave out --no-limiter, or write --bits 32f",
            printable(&args.output)
        ));
    }
    let duration_s = duration_frames as f64 / rate_hz;
    let row = |name: &str, readings: &Readings| MeasuredFile {
        file: name.to_owned(),
        sample_rate_hz,
        channels,
        duration_s,
        measures: Measures::new(readings),
        dc_offset_dbfs: None,
        loudness_range_settled: readings.loudness_range_settled,
        notes: Vec::new(),
    };
    let rows = [
        row("input", &input),
        row("clean", &clean),
        row("output", &output),
    ];
    let paid = |index: usize, readings: &Readings| {
        let measures = [&Measures::new(&input), &Measures::new(readings)];
        Comparison::new(engine.reduction(), index, corners_hz, None, measures)
    };
    let rendered = Rendered {
        file: named(&args.output),
        path: args.path,
        sample_rate_hz,
        channels,
        duration_s,
        clipped_samples: clipped,
        input: Measures::new(&input),
        clean: Measures::new(&clean),
        output: Measures::new(&output),
        clean_reduction: paid(PAID_CLEAN, &clean),
        output_reduction: paid(PAID_OUTPUT, &output),
    };
    Ok((rendered, rows))
}

impl RenderArgs {
    fn settings(&self) -> Settings {
        let source = match self.path {
            PathChoice::Output => Source::Output,
            PathChoice::Clean => Source::Clean,
            PathChoice::Residue => Source::Residue,
        };
        Settings {
            chain: self.stages.settings(),
            listen: ListenSettings {
                source,
                ..ListenSettings::default()
            },
            playing: true,
            ..Settings::default()
        }
    }
}

/// A file on its way through the engine.
struct Run {
    engine: Engine,
    settings: Settings,
    file: WavFile,
    /// Input gathered until it fills a chunk.
    pending: [Vec<f32>; 2],
    channels: usize,
    /// Frames that came in, and frames at the head of the output that belong before the file.
    taken: u64,
    early: usize,
    written: u64,
}

impl Run {
    fn new(sample_rate_hz: f64, channels: usize, file: WavFile, settings: &Settings) -> Self {
        let engine = Engine::for_file(EngineSpec {
            sample_rate_hz,
            channels,
        });
        Self {
            early: engine.latency_frames(),
            engine,
            settings: *settings,
            file,
            pending: [Vec::with_capacity(CHUNK), Vec::with_capacity(CHUNK)],
            channels,
            taken: 0,
            written: 0,
        }
    }

    fn push(&mut self, planes: &[Vec<f32>]) -> Result<(), OutputError> {
        let frames = planes.first().map_or(0, Vec::len);
        self.taken += frames as u64;
        for frame in 0..frames {
            for (pending, plane) in self.pending.iter_mut().zip(planes) {
                pending.push(plane[frame]);
            }
            if self.pending[0].len() == CHUNK {
                self.chunk()?;
            }
        }
        Ok(())
    }

    /// Runs a chunk and writes what of its output lies within the file.
    fn chunk(&mut self) -> Result<(), OutputError> {
        let [left, right] = &mut self.pending;
        let mut main = [&mut left[..], &mut right[..]];
        self.engine
            .process(&mut main[..self.channels], &[], &self.settings);
        let start = self.early.min(CHUNK);
        self.early -= start;
        let rest = usize::try_from(self.taken - self.written).unwrap_or(usize::MAX);
        let end = start + rest.min(CHUNK - start);
        self.written += (end - start) as u64;
        let heard = [&left[start..end], right.get(start..end).unwrap_or(&[])];
        self.file.write(&heard[..self.channels])?;
        self.pending.iter_mut().for_each(Vec::clear);
        Ok(())
    }

    /// Lets the latency run out and completes the file, some samples of which may have been clipped;
    /// the engine has measured it.
    fn finish(mut self) -> Result<(Engine, u64), OutputError> {
        self.engine.file_ends(self.taken);
        while self.written < self.taken {
            for pending in &mut self.pending[..self.channels] {
                pending.resize(CHUNK, 0.0);
            }
            self.chunk()?;
        }
        let clipped = self.file.finish()?;
        self.engine.finish();
        Ok((self.engine, clipped))
    }
}
