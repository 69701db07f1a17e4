//! `compare`: two measurements of one model, before and after.

use std::path::PathBuf;

use clap::Args;

use super::output::OutputFolder;
use super::terminal::{say, say_json};
use super::{CommandError, Common, Outcome};
use crate::comparison::{self, Comparison, Standing};
use crate::measurement::Measurement;
use crate::report::{comparison_page, comparison_summary};

/// Options of `compare`.
#[derive(Debug, Args)]
pub struct Options {
    /// What was measured before: the folder that `measure` wrote, or its measurement.json
    before: PathBuf,
    /// What was measured after the numbers were entered, likewise
    after: PathBuf,
    /// Folder for the report [default: print the result only]
    #[arg(long)]
    out: Option<PathBuf>,
    /// The aircraft was renamed between the two measurements
    #[arg(long)]
    renamed: bool,
}

/// Reports whether the sides are now within tolerance; exit code 1 unless they certainly are.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let folder = options
        .out
        .as_ref()
        .map(|out| OutputFolder::create(out, common.force))
        .transpose()?;
    let before = Measurement::read(&options.before)?;
    let after = Measurement::read(&options.after)?;
    if !options.renamed {
        comparison::check_names(&before, &after)?;
    }
    let comparison = Comparison::of(&before, &after)?;
    let page = comparison_page(&comparison, &before, &after)?;
    if let Some(folder) = folder {
        folder.write("comparison.html", page)?;
        folder.finish()?;
    }
    say(common, comparison_summary(&comparison, &after).trim_end());
    say_json(common, &comparison);
    Ok(match comparison.standing {
        Standing::Within => Outcome::Done,
        Standing::CannotTell | Standing::Out => Outcome::OutOfTolerance,
    })
}
