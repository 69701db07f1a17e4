//! Commands: one file each; they compose the stages and compute nothing.

mod calibrate;
mod compare;
mod demo;
mod entered;
mod error;
mod job;
mod level_clip;
mod match_again;
mod measure;
mod memory;
mod new;
pub mod output;
mod print;
mod record;
mod terminal;
mod unfinished;
mod usage;
mod values;

use clap::{Args, Parser, Subcommand};

pub use error::CommandError;
pub use usage::parse;

use crate::measurement::Measurement;
use crate::report::Judgement;

use crate::cautions::{AFTER_ENTERING, BEFORE_MOVING};

/// What is said at the top of the help.
const ABOUT: &str = "Measures how far the control surfaces of a model aircraft move, from a clip, \
                     and tells how to make two sides move alike";

/// What has to be heard before surfaces move, at the end of the help.
fn cautions() -> String {
    let lines = BEFORE_MOVING.iter().chain(&AFTER_ENTERING);
    let list: Vec<String> = lines.map(|line| format!("  - {line}")).collect();
    format!("Surfaces that move can hurt:\n{}", list.join("\n"))
}

/// The command line.
#[derive(Debug, Parser)]
#[command(name = "hingewise", version, about = ABOUT, after_help = cautions())]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    common: Common,
}

/// Options that every command takes.
#[derive(Debug, Clone, Copy, Args)]
pub struct Common {
    /// Overwrite what is already there
    #[arg(long, global = true)]
    pub force: bool,
    /// Say nothing but errors and what was asked for
    #[arg(long, global = true)]
    pub quiet: bool,
    /// Write the result as JSON to standard output, and nothing else there
    #[arg(long, global = true)]
    pub json: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Do the whole job on a bundled clip, and compare with the truth
    Demo(demo::Options),
    /// Write a commented model file for the surfaces of an aircraft
    New(new::Options),
    /// Make tags, station cards, a calibration board or a whole kit to print
    Print(print::Options),
    /// Calibrate a camera from a clip or stills of a printed board
    Calibrate(calibrate::Options),
    /// Measure the surfaces in a clip, and match them
    Measure(measure::Options),
    /// Match a kept measurement again, with another radio or tolerance
    Match(match_again::Options),
    /// Compare two measurements of one model, before and after
    Compare(compare::Options),
    /// Keep measurements beside the model file, and print a setup sheet
    Record(record::Options),
}

/// How a command ended when nothing went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// All is done.
    Done,
    /// All is done; a check was asked for, and the surfaces are out of tolerance.
    OutOfTolerance,
}

impl Outcome {
    /// How a command ends that a check was asked of, or not: with every mismatch as found inside
    /// its tolerance, or not.
    fn of_check(asked: bool, measurement: &Measurement) -> Self {
        if asked && !Judgement::all_alike(measurement) {
            Self::OutOfTolerance
        } else {
            Self::Done
        }
    }
}

/// Does what the command line asks for.
///
/// # Errors
/// Bad input or usage, with what, where and the mend.
pub fn run(arguments: &Arguments) -> Result<Outcome, CommandError> {
    let common = arguments.common;
    match &arguments.command {
        Command::Demo(options) => demo::run(options, common),
        Command::New(options) => new::run(options, common),
        Command::Print(options) => print::run(options, common),
        Command::Calibrate(options) => calibrate::run(options, common),
        Command::Measure(options) => measure::run(options, common),
        Command::Match(options) => match_again::run(options, common),
        Command::Compare(options) => compare::run(options, common),
        Command::Record(options) => record::run(options, common),
    }
}
