//! `demo`: the whole job on a bundled clip.

use std::path::PathBuf;

use clap::Args;

use super::output::OutputFolder;
use super::{CommandError, Common, Outcome};

/// What `demo` is asked for.
#[derive(Debug, Args)]
pub struct Options {
    /// Folder for the report and the tables
    #[arg(long, default_value = "hingewise-demo")]
    out: PathBuf,
}

/// Measures the bundled clip and tells what was recovered beside what was true.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    OutputFolder::create(&options.out, common.force)?;
    Err(CommandError::NotBuilt { command: "demo" })
}
