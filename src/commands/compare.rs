//! `compare`: two measurements of one model, before and after.

use std::path::PathBuf;

use clap::Args;

use super::output::OutputFolder;
use super::{CommandError, Common, Outcome};
use crate::measurement::Measurement;

/// What `compare` is asked for.
#[derive(Debug, Args)]
pub struct Options {
    /// The measurement.json from before
    before: PathBuf,
    /// The measurement.json from after the numbers were entered
    after: PathBuf,
    /// Folder for the report [default: only say the result]
    #[arg(long)]
    out: Option<PathBuf>,
}

/// Tells whether the sides are now within tolerance; exit code 1 if not.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let _before = Measurement::read(&options.before)?;
    let _after = Measurement::read(&options.after)?;
    if let Some(out) = &options.out {
        OutputFolder::create(out, common.force)?;
    }
    Err(CommandError::NotBuilt { command: "compare" })
}
