//! Commands: one file each; they compose the stages and compute nothing.

mod bench;
mod calibrate;
pub(crate) mod calibration_job;
mod compare;
mod demo;
mod entered;
mod error;
mod function_work;
pub(crate) mod job;
pub(crate) mod level_clip;
pub mod live_job;
mod match_again;
mod measure;
mod new;
pub mod output;
mod print;
pub(crate) mod record;
pub(crate) mod stage_log;
mod system_files;
mod terminal;
mod unfinished;
mod usage;
mod values;

use std::sync::LazyLock;

use clap::{Args, Parser, Subcommand};

pub use error::CommandError;
pub(crate) use error::with_causes;
pub use usage::parse;

use crate::foreign::ffmpeg_version;
use crate::measurement::Measurement;
use crate::report::Judgement;
use crate::vision;

use crate::cautions::{AFTER_ENTERING, BEFORE_MOVING};

/// Text at the top of the help.
const ABOUT: &str = "Measures from a clip how far the control surfaces of a model aircraft move, \
                     and computes the numbers to enter in the radio so that both sides move alike";

/// The program's version, with those of the libraries that it found.
static VERSION: LazyLock<String> = LazyLock::new(|| {
    let (opencv, ffmpeg) = (vision::library_version(), ffmpeg_version());
    format!(
        "{} (OpenCV {opencv}, FFmpeg {ffmpeg})",
        env!("CARGO_PKG_VERSION")
    )
});

/// Cautions before surfaces move, at the end of the help.
fn cautions() -> String {
    let lines = BEFORE_MOVING.iter().chain(&AFTER_ENTERING);
    let list: Vec<String> = lines.map(|line| format!("  - {line}")).collect();
    let list = list.join("\n");
    format!(
        "To be led through the whole job in the browser:  hingewise bench\n\n\
         Surfaces that move can hurt:\n{list}"
    )
}

/// The command line.
#[derive(Debug, Parser)]
#[command(name = "hingewise", version = VERSION.as_str(), about = ABOUT, after_help = cautions())]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    common: Common,
}

impl Arguments {
    /// Whether the command ends on signals itself, after it has put its work in order.
    pub fn ends_on_signals_itself(&self) -> bool {
        matches!(self.command, Command::Bench(_))
    }
}

/// Options that every command takes.
#[derive(Debug, Clone, Copy, Args)]
pub struct Common {
    /// Overwrite existing files
    #[arg(long, global = true)]
    pub force: bool,
    /// Print only errors and the requested result
    #[arg(long, global = true)]
    pub quiet: bool,
    /// Print only the result, as JSON
    #[arg(long, global = true)]
    pub json: bool,
}

impl Common {
    /// Overwrites nothing and says nothing.
    pub(crate) const SILENT: Self = Self {
        force: false,
        quiet: true,
        json: false,
    };
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Serve the whole job as pages for the browser of this computer
    #[command(after_help = "Example:\n  hingewise bench models")]
    Bench(bench::Options),
    /// Do the whole job on a bundled clip and compare with the truth
    #[command(after_help = "Example:\n  hingewise demo")]
    Demo(demo::Options),
    /// Write a commented model file for the surfaces of an aircraft
    #[command(
        after_help = "Example:\n  hingewise new heron.toml \"left aileron\" \"right aileron\""
    )]
    New(new::Options),
    /// Make a PDF of tags, station cards, a calibration board or a whole kit
    #[command(after_help = "Example:\n  hingewise print kit --model heron.toml --out kit.pdf")]
    Print(print::Options),
    /// Calibrate a camera from a clip or stills of a printed board
    #[command(
        after_help = "Example:\n  hingewise calibrate board.mp4 --charuco 9x6 --square-mm 24 --marker-mm 18 --dictionary DICT_5X5_100 --out phone.toml"
    )]
    Calibrate(calibrate::Options),
    /// Measure the surfaces in a clip and compute the numbers to enter
    Measure(measure::Options),
    /// Compute the numbers again with another radio or tolerance
    #[command(
        after_help = "Example:\n  hingewise match heron-before/measurement.json --model heron.toml"
    )]
    Match(match_again::Options),
    /// Compare two measurements of one model, before and after
    #[command(
        after_help = "Example:\n  hingewise compare heron-before/measurement.json heron-after/measurement.json"
    )]
    Compare(compare::Options),
    /// Keep measurements with the model file and write a setup sheet
    #[command(
        after_help = "Example:\n  hingewise record heron-before heron-after --model heron.toml"
    )]
    Record(record::Options),
    /// Write manual pages and completions of shells, for packages
    #[command(hide = true)]
    SystemFiles(system_files::Options),
}

/// How a command ended when nothing went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Done.
    Done,
    /// Done; with `--check`, the surfaces are out of tolerance.
    OutOfTolerance,
}

impl Outcome {
    /// Maps the result of an optional `--check` to an outcome.
    fn of_check(asked: bool, measurement: &Measurement) -> Self {
        if asked && !Judgement::all_alike(measurement) {
            Self::OutOfTolerance
        } else {
            Self::Done
        }
    }
}

/// Runs the command.
///
/// # Errors
///
/// Bad input or usage, with what is wrong, where, and what to do.
pub fn run(arguments: &Arguments) -> Result<Outcome, CommandError> {
    let common = arguments.common;
    let outcome = match &arguments.command {
        Command::Bench(options) => bench::run(options),
        Command::Demo(options) => demo::run(options, common),
        Command::New(options) => new::run(options, common),
        Command::Print(options) => print::run(options, common),
        Command::Calibrate(options) => calibrate::run(options, common),
        Command::Measure(options) => measure::run(options, common),
        Command::Match(options) => match_again::run(options, common),
        Command::Compare(options) => compare::run(options, common),
        Command::Record(options) => record::run(options, common),
        Command::SystemFiles(options) => system_files::run(options, common),
    }?;
    terminal::check_written()?;
    Ok(outcome)
}
