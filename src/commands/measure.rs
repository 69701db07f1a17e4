//! `measure`: from a clip to the numbers to enter.

use std::path::{Path, PathBuf};

use clap::Args;

use super::entered::EnteredOptions;
use super::job::{Cache, CacheHit, Clips, Done, Job};
use super::level_clip::LevelClip;
use super::output::OutputFolder;
use super::stage_log::StageLog;
use super::terminal::{progress, say, say_result, warn};
use super::values::positive_number;
use super::{CommandError, Common, Outcome, with_causes};
use crate::camera::{CameraProfile, ProfileError};
use crate::clip::{Clip, ClipInfo, ClipOptions};
use crate::functions::Wanted;
use crate::model_file::ModelFile;
use crate::report;
use crate::sighting_cache;
use crate::stations;

/// Options of `measure`.
#[derive(Debug, Args)]
#[command(after_help = about_cache())]
pub struct Options {
    /// Clip, or folder of frames with a file times.csv
    clip: PathBuf,
    /// The model file
    #[arg(long)]
    model: PathBuf,
    #[command(flatten)]
    camera: CameraOptions,
    /// Folder for the report and the tables
    #[arg(long)]
    out: PathBuf,
    /// Frame rate of a folder of frames without times.csv
    #[arg(long, value_parser = positive_number)]
    fps: Option<f64>,
    /// Exit with code 1 if a pair is out of tolerance
    #[arg(long)]
    check: bool,
    /// Clip of the surfaces held level with each other
    #[arg(long, value_name = "CLIP")]
    level: Option<PathBuf>,
    #[command(flatten)]
    entered: EnteredOptions,
    /// Measure this function of the model file; may be given several times [default: what moves]
    #[arg(long = "function", value_name = "NAME")]
    functions: Vec<String>,
    /// Ignore the cache and search the whole clip again
    #[arg(long)]
    fresh: bool,
    /// Folder for pictures, tables and the time of each stage
    #[arg(long, value_name = "DIR")]
    trace: Option<PathBuf>,
}

/// Reports that cached sightings were used.
fn report_cached(cache_hit: CacheHit, common: Common) {
    match cache_hit {
        CacheHit::Nothing => {}
        CacheHit::Until { time_s } => say(
            common,
            format!(
                "An earlier search of this clip for the same tags was interrupted at {time_s:.1} s, and this one \
                 continued from there; --fresh searches the whole clip again.\n"
            ),
        ),
        CacheHit::All => say(
            common,
            "The results of an earlier search of this clip for the same tags were used; \
             --fresh searches again.\n",
        ),
    }
}

/// The cache and an example, at the end of the help.
fn about_cache() -> String {
    let variable = sighting_cache::FOLDER_VARIABLE;
    format!(
        "Example:\n  hingewise measure clip.mp4 --model heron.toml --camera phone.toml --out heron-before\n\n\
         The program caches what it finds in a clip. Measuring the clip again is then\n\
         faster, and an interrupted run continues. The cache is in the folder named by\n\
         the environment variable {variable}, or in hingewise under\n\
         XDG_CACHE_HOME or ~/.cache. It takes 200 MB at most; you can delete it."
    )
}

impl Options {
    fn cache(&self) -> Cache {
        match sighting_cache::usual_folder() {
            Some(folder) if self.fresh => Cache::RefreshedIn(folder),
            Some(folder) => Cache::In(folder),
            None => Cache::Off,
        }
    }
}

/// The camera that took the clip.
#[derive(Debug, Args)]
pub struct CameraOptions {
    /// Camera profile, made by `calibrate`
    #[arg(
        long,
        value_name = "PROFILE.toml",
        conflicts_with = "field_of_view_deg"
    )]
    camera: Option<PathBuf>,
    /// Diagonal angle of view, where there is no profile
    #[arg(long, value_name = "DEG", value_parser = positive_number)]
    field_of_view_deg: Option<f64>,
}

/// The camera, before the clip is opened.
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
    fn level_clip(&self, path: &Path, options: &ClipOptions) -> Result<LevelClip, CommandError> {
        let clip = Clip::open(path, options)?;
        let profile = self.profile(clip.info())?;
        Ok(LevelClip::new(clip, profile))
    }

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

/// Measures, matches, and writes the results.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    // Errors in the named files are found before the long work.
    let mut model = ModelFile::read(&options.model)?;
    model.radio = options.entered.radio(&model.name, model.radio.take())?;
    let wanted = Wanted::of(&model, &options.functions)?;
    for known in wanted.known(&model) {
        stations::check_table(&known)?;
    }
    let camera = options.camera.source()?;
    let create = |path: &Path| OutputFolder::create(path, common.force);
    let folder = create(&options.out)?;
    let trace = options.trace.as_deref().map(create).transpose()?;
    let clip_options = ClipOptions {
        fps: options.fps,
        untimed: false,
    };
    let clip = Clip::open(&options.clip, &clip_options)?;
    let profile = camera.profile(clip.info())?;

    let opened = |path: &PathBuf| camera.level_clip(path, &clip_options);
    let level = options.level.as_ref().map(opened).transpose()?;
    let job = Job {
        clip: &options.clip,
        clip_options,
        model: &model,
        wanted: &wanted,
        profile: &profile,
        cache: options.cache(),
        progress: progress(common),
    };
    let mut log = StageLog::start(trace);
    let done = job.run(Clips { main: clip, level }, folder, &mut log);
    if let Some(error) = log.no_trace() {
        warn(format_args!(
            "The trace was not written to its end: {}",
            with_causes(error)
        ));
    }
    let Done {
        measurement,
        cache_hit,
    } = done?;
    report_cached(cache_hit, common);
    say_result(&measurement, Some(&options.out.join(report::PAGE)), common)?;
    Ok(Outcome::of_check(options.check, &measurement))
}
