//! The `crestline` command.

mod channels;
mod compare;
mod comparison;
mod console;
mod encoded;
mod forecast;
mod interrupt;
mod measure_files;
mod measures;
mod output;
mod paired;
mod reduction;
mod render;
mod report;
mod stage_args;
mod table;
mod workers;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use self::compare::CompareArgs;
use self::encoded::EncodedArgs;
use self::forecast::ForecastArgs;
use self::measure_files::MeasureArgs;
use self::reduction::ReductionArgs;
use self::render::RenderArgs;
use self::report::ReportArgs;

/// Frames of a file that are read and measured at a time.
const BLOCK_FRAMES: usize = 4096;

/// Shows what each decibel of loudness costs.
#[derive(Parser)]
#[command(
    name = "crestline",
    version,
    arg_required_else_help = true,
    subcommand_required = true
)]
struct CommandLine {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Measure(MeasureArgs),
    Render(Box<RenderArgs>),
    Reduction(ReductionArgs),
    Forecast(Box<ForecastArgs>),
    Compare(CompareArgs),
    Encoded(EncodedArgs),
    Report(ReportArgs),
}

fn main() -> ExitCode {
    interrupt::watch();
    // On Windows programs are given patterns as they are typed.
    match CommandLine::parse_from(wild::args_os()).command {
        Command::Measure(args) => measure_files::run(&args),
        Command::Render(args) => render::run(&args),
        Command::Reduction(args) => reduction::run(&args),
        Command::Forecast(args) => forecast::run(&args),
        Command::Compare(args) => compare::run(&args),
        Command::Encoded(args) => encoded::run(&args),
        Command::Report(args) => report::run(&args),
    }
}
