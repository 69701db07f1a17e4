//! `measure`: from a clip to the numbers to enter.

use std::path::{Path, PathBuf};

use clap::Args;

use super::entered::EnteredOptions;
use super::job::{Done, Folders, FromKept, Job, Kept};
use super::level_clip::LevelClip;
use super::output::OutputFolder;
use super::terminal::{progress, say, tell};
use super::values::positive_number;
use super::{CommandError, Common, Outcome};
use crate::camera::{CameraProfile, ProfileError};
use crate::clip::{Clip, ClipInfo, ClipOptions};
use crate::kept_sightings;
use crate::model_file::ModelFile;
use crate::report;

/// What `measure` is asked for.
#[derive(Debug, Args)]
#[command(after_help = about_kept())]
pub struct Options {
    /// Clip, or folder of frames with their times.csv
    clip: PathBuf,
    /// The model file
    #[arg(long)]
    model: PathBuf,
    #[command(flatten)]
    camera: CameraOptions,
    /// Folder for the report and the tables
    #[arg(long)]
    out: PathBuf,
    /// Frames per second of a folder of frames that has no times.csv
    #[arg(long, value_parser = positive_number)]
    fps: Option<f64>,
    /// End with exit code 1 if a mismatch as found is out of tolerance
    #[arg(long)]
    check: bool,
    /// Short clip or stills in which all surfaces are held level with each other, the tags as in the
    /// main clip: says how the neutrals compare, so that sub-trim is worked out as well
    #[arg(long, value_name = "CLIP")]
    level: Option<PathBuf>,
    #[command(flatten)]
    entered: EnteredOptions,
    /// Search the clip again, even if it was searched before
    #[arg(long)]
    fresh: bool,
    /// Folder for a picture of each stage and the time it took
    #[arg(long, value_name = "DIR")]
    trace: Option<PathBuf>,
}

/// Tells what was not searched anew.
fn tell_kept(from_kept: FromKept, common: Common) {
    match from_kept {
        FromKept::Nothing => {}
        FromKept::Until { time_s } => say(
            common,
            format!(
                "A search of this clip for the same tags was interrupted after {time_s:.1} s, and \
                 went on from there; --fresh searches all of it again.\n"
            ),
        ),
        FromKept::All => say(
            common,
            "This clip was searched before for the same tags, and what was seen then is used; \
             --fresh searches again.\n",
        ),
    }
}

/// What is told of kept sightings at the end of the help.
fn about_kept() -> String {
    let variable = kept_sightings::FOLDER_VARIABLE;
    format!(
        "What was seen in a clip is kept, so that measuring it again goes faster, and goes on where \
         it was interrupted: in the folder that the environment variable {variable} names, else in \
         hingewise below XDG_CACHE_HOME or ~/.cache. The folder may be deleted at any time."
    )
}

impl Options {
    fn kept(&self) -> Kept {
        match kept_sightings::usual_folder() {
            Some(folder) if self.fresh => Kept::AnewIn(folder),
            Some(folder) => Kept::In(folder),
            None => Kept::Nowhere,
        }
    }
}

/// The camera that took the clip.
#[derive(Debug, Args)]
pub struct CameraOptions {
    /// Camera profile that `calibrate` wrote
    #[arg(
        long,
        value_name = "PROFILE.toml",
        conflicts_with = "field_of_view_deg"
    )]
    camera: Option<PathBuf>,
    /// Angle across the picture's diagonal, for a rough result without a profile
    #[arg(long, value_name = "DEG", value_parser = positive_number)]
    field_of_view_deg: Option<f64>,
}

/// What is known of the camera before the clip is opened.
enum CameraSource {
    Profile(Box<CameraProfile>),
    FieldOfView(f64),
}

impl CameraOptions {
    fn source(&self) -> Result<CameraSource, CommandError> {
        match (&self.camera, self.field_of_view_deg) {
            (Some(path), _) => Ok(CameraSource::Profile(CameraProfile::read(path)?.into())),
            (None, Some(angle_deg)) => Ok(CameraSource::FieldOfView(angle_deg)),
            (None, None) => Err(CommandError::NoCamera),
        }
    }
}

impl CameraSource {
    /// The profile for the pictures of a clip.
    fn profile(&self, clip: &ClipInfo) -> Result<CameraProfile, ProfileError> {
        match self {
            Self::Profile(profile) => profile.for_picture(clip.width_px, clip.height_px),
            Self::FieldOfView(angle_deg) => {
                CameraProfile::from_field_of_view(*angle_deg, clip.width_px, clip.height_px)
            }
        }
    }
}

/// Measures, matches, and writes what a person keeps.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    // All that can be wrong with what was named is found before the long work.
    let mut model = ModelFile::read(&options.model)?;
    model.radio = options.entered.radio(&model.name, model.radio.take())?;
    let camera = options.camera.source()?;
    let create = |path: &Path| OutputFolder::create(path, common.force);
    let folders = Folders {
        report: create(&options.out)?,
        trace: options.trace.as_deref().map(create).transpose()?,
    };
    let clip_options = ClipOptions {
        fps: options.fps,
        untimed: false,
    };
    let clip = Clip::open(&options.clip, &clip_options)?;
    let profile = camera.profile(clip.info())?;

    let level = match &options.level {
        Some(path) => Some(LevelClip {
            path: path.clone(),
            profile: camera.profile(Clip::open(path, &clip_options)?.info())?,
        }),
        None => None,
    };

    let job = Job {
        clip: &options.clip,
        clip_options,
        model: &model,
        profile: &profile,
        level,
        kept: options.kept(),
        progress: progress(common),
    };
    let Done {
        measurement,
        from_kept,
    } = job.run(clip, folders)?;
    tell_kept(from_kept, common);
    tell(&measurement, Some(&options.out.join(report::PAGE)), common)?;
    Ok(Outcome::of_check(options.check, &measurement))
}
