//! `bench`: serves the whole job as pages for the browser of this computer.

use std::path::PathBuf;

use clap::Args;

use super::{CommandError, Outcome};
use crate::bench::{Serving, serve};

/// What `bench` is asked for.
#[derive(Debug, Args)]
pub struct Options {
    /// Folder of model files, camera profiles, clips and measurements
    #[arg(default_value = ".")]
    folder: PathBuf,
    /// Port of the address [default: 7465, or any that is free]
    #[arg(long)]
    port: Option<u16>,
    /// Open for phones in the same network; each has to be paired by a code
    #[arg(long)]
    lan: bool,
    /// Do not open a browser
    #[arg(long)]
    no_open: bool,
}

/// Serves until the program is asked to end. The first line of output is the address.
pub fn run(options: &Options) -> Result<Outcome, CommandError> {
    serve(&Serving {
        folder: options.folder.clone(),
        port: options.port,
        lan: options.lan,
        open_browser: !options.no_open,
    })?;
    Ok(Outcome::Done)
}
