//! `match`: matches a kept measurement again, without the clip.

use std::path::PathBuf;

use clap::Args;

use super::output::OutputFolder;
use super::{CommandError, Common, Outcome};
use crate::measurement::Measurement;
use crate::model_file::ModelFile;

/// What `match` is asked for.
#[derive(Debug, Args)]
pub struct Options {
    /// The measurement.json that `measure` wrote
    measurement: PathBuf,
    /// Model file with other match groups or another radio [default: as measured]
    #[arg(long)]
    model: Option<PathBuf>,
    /// End with exit code 1 if a mismatch as found is out of tolerance
    #[arg(long)]
    check: bool,
    /// Folder for the new report and tables [default: only say the result]
    #[arg(long)]
    out: Option<PathBuf>,
}

/// Matches again and tells the numbers to enter.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let _measurement = Measurement::read(&options.measurement)?;
    if let Some(model) = &options.model {
        ModelFile::read(model)?;
    }
    if let Some(out) = &options.out {
        OutputFolder::create(out, common.force)?;
    }
    Err(CommandError::NotBuilt { command: "match" })
}
