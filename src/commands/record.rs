//! `record`: keeps measurements beside the model file and prints a setup sheet.

use std::fs::Metadata;
use std::path::{Path, PathBuf};

use clap::Args;

use super::output::{OutputFile, OutputFolder};
use super::terminal::say;
use super::{CommandError, Common, Outcome};
use crate::bounded_file;
use crate::measurement::{FILE_NAME, Measurement};
use crate::model_file::ModelFile;
use crate::record::{self, Kept, NeutralDrift, Source};
use crate::report::{neutral_lines, setup_sheet, source_lines};

/// Further files of a result that are kept if they exist.
const BESIDE: [&str; 4] = ["report.html", "stations.csv", "frames.csv", "marked.svg"];

/// Largest file that is kept beside a measurement, bytes: several times `frames.csv` of ten minutes.
const MOST_BYTES: u64 = 256 << 20;

/// Options of `record`.
#[derive(Debug, Args)]
pub struct Options {
    /// Folders that `measure` wrote
    #[arg(required = true, value_name = "DIR")]
    pub(crate) folders: Vec<PathBuf>,
    /// The model file; the record is kept beside it
    #[arg(long)]
    pub(crate) model: PathBuf,
}

/// Keeps every measurement that is not kept yet, and writes a sheet of the latest.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let model = ModelFile::read(&options.model)?;
    let mut measured = Vec::new();
    for folder in &options.folders {
        let file = folder.join(FILE_NAME);
        no_link(&file)?;
        let measurement = Measurement::read(&file)?;
        record::check(&measurement, &model)?;
        measured.push((folder, measurement));
    }
    let home = record::record_folder(&options.model);
    no_link(&home)?;
    let mut kept = read_record(&home)?;
    for (folder, measurement) in measured {
        if let Some(same) = kept.iter().find(|kept| kept.measurement == measurement) {
            let (folder, name) = (folder.display(), &same.name);
            say(common, format!("{folder} is already kept as {name}"));
            continue;
        }
        let entry = keep(folder, measurement, &home, &kept)?;
        say(
            common,
            format!("kept as {}", home.join(&entry.name).display()),
        );
        kept.push(entry);
    }
    record::latest_first(&mut kept);
    let sources = record::sources(&kept, &model);
    if let Some(latest) = sources.first() {
        let drifts: Vec<NeutralDrift> = sources.iter().flat_map(Source::neutral_drifts).collect();
        let missing = record::never_measured(&sources, &model);
        let sheet = write_sheet(&home, &setup_sheet(&sources, &drifts, &missing)?)?;
        say(common, format!("Setup sheet: {}", sheet.display()));
        for line in source_lines(&sources, &missing) {
            say(common, line);
        }
        let lines = neutral_lines(&drifts, latest.earlier);
        if !lines.is_empty() {
            say(common, lines.join("\n"));
        }
    }
    Ok(Outcome::Done)
}

fn read_record(home: &Path) -> Result<Vec<Kept>, CommandError> {
    let mut kept = Vec::new();
    for name in names_in(home)? {
        let entry = home.join(&name);
        let file = entry.join(FILE_NAME);
        let is_entry = record::entry_number(&name).is_some() && is_plain(&entry, Metadata::is_dir);
        if is_entry && is_plain(&file, Metadata::is_file) {
            let measurement = Measurement::read(&file)?;
            kept.push(Kept { name, measurement });
        }
    }
    Ok(kept)
}

/// Whether a path is of a kind and no link to it: a record holds what is kept, not the way to it.
fn is_plain(path: &Path, kind: impl Fn(&Metadata) -> bool) -> bool {
    path.symlink_metadata()
        .is_ok_and(|metadata| kind(&metadata))
}

/// A record neither reads nor writes through links: they may lead to files of others.
fn no_link(path: &Path) -> Result<(), CommandError> {
    match is_plain(path, Metadata::is_symlink) {
        true => Err(CommandError::Link { path: path.into() }),
        false => Ok(()),
    }
}

/// Names in a folder, sorted; none if there is no such folder.
fn names_in(folder: &Path) -> Result<Vec<String>, CommandError> {
    if !folder.exists() {
        return Ok(Vec::new());
    }
    let unreadable = |source| not_readable(folder, source);
    let mut names = std::fs::read_dir(folder)
        .map_err(unreadable)?
        .map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned()))
        .collect::<std::io::Result<Vec<String>>>()
        .map_err(unreadable)?;
    names.sort();
    Ok(names)
}

fn not_readable(path: &Path, source: std::io::Error) -> CommandError {
    let path = path.into();
    CommandError::NotReadable { path, source }
}

fn keep(
    folder: &Path,
    measurement: Measurement,
    home: &Path,
    kept: &[Kept],
) -> Result<Kept, CommandError> {
    let last = kept
        .iter()
        .filter_map(|kept| record::entry_number(&kept.name))
        .max();
    let name = record::entry_name(last.unwrap_or(0) + 1, &measurement);
    // Even with --force nothing in a record is overwritten.
    let entry = OutputFolder::create(&home.join(&name), false)?;
    entry.write(FILE_NAME, measurement.to_json()?)?;
    for beside in BESIDE {
        let file = folder.join(beside);
        if is_plain(&file, Metadata::is_file) {
            let bytes = bounded_file::read(&file, MOST_BYTES)
                .map_err(|source| not_readable(&file, source))?;
            entry.write(beside, bytes)?;
        }
    }
    entry.finish()?;
    Ok(Kept { name, measurement })
}

/// Writes a sheet under the next free number, unless the last one is identical.
fn write_sheet(home: &Path, sheet: &str) -> Result<PathBuf, CommandError> {
    let names = names_in(home)?;
    let numbers = names.iter().filter_map(|name| record::sheet_number(name));
    let last = numbers.max().unwrap_or(0);
    let named = |number: usize| home.join(record::sheet_name(number));
    if bounded_file::read(&named(last), MOST_BYTES).is_ok_and(|written| written == sheet.as_bytes())
    {
        return Ok(named(last));
    }
    Ok(OutputFile::create(&named(last + 1), false)?.finish(sheet)?)
}
