//! `demo`: the whole job on a bundled clip.

use std::path::{Path, PathBuf};

use clap::Args;

use super::job::{Cache, Folders, Job};
use super::output::OutputFolder;
use super::terminal::{progress, say, say_result};
use super::{CommandError, Common, Outcome};
use crate::camera::CameraProfile;
use crate::clip::{Clip, ClipOptions};
use crate::functions::Wanted;
use crate::model_file::ModelFile;
use crate::report::{self, TrueStation};

/// Folder of the bundled scenario, beside the project's sources.
const SAMPLE_FOLDER: &str = "sample-frames";

/// Options of `demo`.
#[derive(Debug, Args)]
pub struct Options {
    /// Folder for the report and the tables
    #[arg(long, default_value = "hingewise-demo")]
    out: PathBuf,
}

/// Measures the bundled clip and compares the result with the truth.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let sample = sample_folder()?;
    let model = ModelFile::read(&sample.join("model.toml"))?;
    let profile = CameraProfile::read(&sample.join("camera.toml"))?;
    let truth = true_stations(&sample.join("cards-true-stations.csv"))?;
    // A demo may be run again: its output can be made again at any time.
    let folders = Folders {
        report: OutputFolder::create(&options.out, true)?,
        trace: None,
    };
    let clip_path = sample.join("cards.mp4");
    let clip_options = ClipOptions::default();
    let clip = Clip::open(&clip_path, &clip_options)?;

    let job = Job {
        clip: &clip_path,
        clip_options,
        model: &model,
        wanted: &Wanted::Whole,
        profile: &profile,
        level: None,
        cache: Cache::Off,
        progress: progress(common),
    };
    let measurement = job.run(clip, folders)?.measurement;
    say(common, report::beside_truth(&measurement, &truth));
    say_result(&measurement, Some(&options.out.join(report::PAGE)), common)?;
    Ok(Outcome::Done)
}

/// Where packages put the scenario, from the folder that holds the program.
const INSTALLED_FOLDER: &str = "../share/hingewise";

/// The folder in the place where the program runs, beside where it was installed, or where it was built.
fn sample_folder() -> Result<PathBuf, CommandError> {
    let built = Path::new(env!("CARGO_MANIFEST_DIR")).join(SAMPLE_FOLDER);
    let program = std::env::current_exe().ok();
    let installed = program
        .as_deref()
        .and_then(Path::parent)
        .map(|folder| folder.join(INSTALLED_FOLDER).join(SAMPLE_FOLDER));
    [Some(PathBuf::from(SAMPLE_FOLDER)), installed, Some(built)]
        .into_iter()
        .flatten()
        .find(|folder| folder.is_dir())
        .ok_or(CommandError::NoSample {
            folder: SAMPLE_FOLDER,
        })
}

fn true_stations(path: &Path) -> Result<Vec<TrueStation>, CommandError> {
    let damaged = |source| CommandError::SampleDamaged {
        path: path.to_owned(),
        source,
    };
    let mut reader = csv::Reader::from_path(path).map_err(damaged)?;
    reader
        .deserialize()
        .collect::<Result<_, _>>()
        .map_err(damaged)
}
