//! The `crestline` command.

use std::process::ExitCode;

use clap::{Parser, Subcommand};
use crestline::offline::measure_files::{self, MeasureArgs};
use crestline::offline::reduction::{self, ReductionArgs};
use crestline::offline::render::{self, RenderArgs};

/// Shows what each decibel of loudness costs.
#[derive(Parser)]
#[command(
    version,
    arg_required_else_help = true,
    subcommand_required = true,
    disable_help_subcommand = true
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
}

fn main() -> ExitCode {
    match CommandLine::parse().command {
        Command::Measure(args) => measure_files::run(&args),
        Command::Render(args) => render::run(&args),
        Command::Reduction(args) => reduction::run(&args),
    }
}
