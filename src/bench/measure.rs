//! Measuring a clip, with the same stages and files as `measure`.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::workshop::stem;
use crate::camera::CameraProfile;
use crate::clip::{Clip, ClipOptions};
use crate::commands::CommandError;
use crate::commands::job::{Cache, Folders, Job};
use crate::commands::level_clip::LevelClip;
use crate::commands::output::OutputFolder;
use crate::functions::Wanted;
use crate::model_file::ModelFile;
use crate::progress::Progress;
use crate::sighting_cache;

/// A clip to measure. All names are inside the folder that is served.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Order {
    /// The model file.
    pub aircraft: PathBuf,
    /// The camera profile.
    pub camera: PathBuf,
    /// The clip.
    pub clip: PathBuf,
    /// The clip in which the surfaces are held level with each other, if there is one.
    #[serde(default)]
    pub level: Option<PathBuf>,
    /// The folder for the result.
    pub out: PathBuf,
}

impl Order {
    /// Checks all that can be checked before the long work, as `measure` does.
    ///
    /// # Errors
    /// What `measure` would say.
    pub fn check(&self, root: &Path) -> Result<(), CommandError> {
        ModelFile::read(&root.join(&self.aircraft))?;
        let profile = CameraProfile::read(&root.join(&self.camera))?;
        for clip in [Some(&self.clip), self.level.as_ref()]
            .into_iter()
            .flatten()
        {
            profile_for(&profile, &root.join(clip))?;
        }
        Ok(())
    }

    /// Measures, and writes the files of the result.
    ///
    /// # Errors
    /// What `measure` would say.
    pub fn run(&self, root: &Path, progress: Box<dyn Progress>) -> Result<(), CommandError> {
        let model = ModelFile::read(&root.join(&self.aircraft))?;
        let profile = CameraProfile::read(&root.join(&self.camera))?;
        let folders = Folders {
            report: OutputFolder::create(&root.join(&self.out), false)?,
            trace: None,
        };
        let clip_path = root.join(&self.clip);
        let clip_options = ClipOptions::default();
        let clip = Clip::open(&clip_path, &clip_options)?;
        let level = self.level.as_ref().map(|level| {
            let path = root.join(level);
            let profile = profile_for(&profile, &path)?;
            Ok::<_, CommandError>(LevelClip { path, profile })
        });
        let level = level.transpose()?;
        let profile = profile.for_picture(clip.info().width_px, clip.info().height_px)?;
        let job = Job {
            level,
            clip: &clip_path,
            clip_options,
            model: &model,
            wanted: &Wanted::of(&model, &[])?,
            profile: &profile,
            cache: sighting_cache::usual_folder().map_or(Cache::Off, Cache::In),
            progress,
        };
        job.run(clip, folders).map(drop)
    }
}

/// The profile for the pictures of a clip.
fn profile_for(profile: &CameraProfile, clip: &Path) -> Result<CameraProfile, CommandError> {
    let clip = Clip::open(clip, &ClipOptions::default())?;
    Ok(profile.for_picture(clip.info().width_px, clip.info().height_px)?)
}

/// The folder for the result of a clip: named after aircraft and clip, with a number where such a
/// name is taken.
pub fn free_folder(aircraft: &Path, clip: &Path, is_taken: impl Fn(&Path) -> bool) -> PathBuf {
    let name = format!("{}-{}", stem(aircraft), stem(clip));
    let candidates = (1_u32..).map(|number| match number {
        1 => PathBuf::from(&name),
        number => PathBuf::from(format!("{name}-{number}")),
    });
    let mut free = candidates.filter(|folder| !is_taken(folder));
    free.next().unwrap_or_default()
}
