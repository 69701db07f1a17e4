//! `print`: tags, station cards, boards and kits as PDF.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::output::OutputFile;
use super::{CommandError, Common, Outcome};

/// What `print` is asked for.
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Everything that one aircraft needs, named by surface
    Kit {
        /// The model file
        #[arg(long)]
        model: PathBuf,
        /// The PDF to write
        #[arg(long)]
        out: PathBuf,
    },
}

/// Writes the PDF.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let What::Kit { out, .. } = &options.what;
    OutputFile::create(out, common.force)?;
    Err(CommandError::NotBuilt { command: "print" })
}
