//! `match`: matches a kept measurement again, without the clip.

use std::path::PathBuf;

use clap::Args;

use super::entered::EnteredOptions;
use super::output::{OutputFolder, write_files};
use super::terminal::say_result;
use super::{CommandError, Common, Outcome};
use crate::matching::{self, MatchingWarning};
use crate::measurement::Measurement;
use crate::model_file::ModelFile;
use crate::report::{self, ReportInputs};

/// Options of `match`.
#[derive(Debug, Args)]
pub struct Options {
    /// The folder that `measure` wrote, or its measurement.json
    measurement: PathBuf,
    /// Model file with other match groups or another radio [default: as measured]
    #[arg(long)]
    model: Option<PathBuf>,
    #[command(flatten)]
    entered: EnteredOptions,
    /// Exit with code 1 if a pair is out of tolerance
    #[arg(long)]
    check: bool,
    /// Folder for the new report and tables [default: print the result only]
    #[arg(long)]
    out: Option<PathBuf>,
}

/// Matches again and prints the numbers to enter.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let kept = Measurement::read(&options.measurement)?;
    let model = options.model.as_deref().map(ModelFile::read).transpose()?;
    let folder = options
        .out
        .as_deref()
        .map(|out| OutputFolder::create(out, common.force))
        .transpose()?;
    let mut warnings = Vec::new();
    let other = model.as_ref().filter(|model| model.name != kept.model);
    warnings.extend(other.map(|model| MatchingWarning::OtherAircraft {
        measured: kept.model.clone(),
        declared: model.name.clone(),
    }));
    let (groups, radio) = match model {
        Some(model) => (kept.groups_of(&model), kept.with_proposal_kept(model.radio)),
        None => (kept.groups.clone(), kept.radio.clone()),
    };
    let radio = options.entered.radio(&kept.model, radio)?;

    let responses = kept.responses();
    let corrections = matching::match_groups(&responses, &groups, radio.as_ref(), &mut warnings)?;
    let matched = kept.rematched(groups, radio, corrections, &warnings)?;

    let page = options.out.as_ref().map(|out| out.join(report::PAGE));
    if let Some(folder) = folder {
        write_files(report::files(&matched, &ReportInputs::default())?, folder)?;
    }
    say_result(&matched, page.as_deref(), common)?;
    Ok(Outcome::of_check(options.check, &matched))
}
