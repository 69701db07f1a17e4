//! Measuring a clip, with the same stages and files as `measure`.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::free_name::free_name;
use crate::camera::{CameraProfile, ProfileError};
use crate::clip::{Clip, ClipOptions};
use crate::commands::CommandError;
use crate::commands::job::{Cache, Clips, Job};
use crate::commands::level_clip::LevelClip;
use crate::commands::output::OutputFolder;
use crate::commands::stage_log::StageLog;
use crate::functions::Wanted;
use crate::model_file::ModelFile;
use crate::names::of_file;
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
            let clip = Clip::open(&root.join(clip), &ClipOptions::default())?;
            for_pictures_of(&profile, &clip)?;
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
        let result = OutputFolder::create(&root.join(&self.out), false)?;
        let clip_path = root.join(&self.clip);
        let clip_options = ClipOptions::default();
        let clip = Clip::open(&clip_path, &clip_options)?;
        let level = self.level.as_ref().map(|level| {
            let clip = Clip::open(&root.join(level), &clip_options)?;
            let profile = for_pictures_of(&profile, &clip)?;
            Ok::<_, CommandError>(LevelClip::new(clip, profile))
        });
        let level = level.transpose()?;
        let profile = for_pictures_of(&profile, &clip)?;
        let job = Job {
            clip: &clip_path,
            clip_options,
            model: &model,
            wanted: &Wanted::of(&model, &[])?,
            profile: &profile,
            cache: sighting_cache::usual_folder().map_or(Cache::Off, Cache::In),
            progress,
        };
        let clips = Clips { main: clip, level };
        job.run(clips, result, &mut StageLog::start(None)).map(drop)
    }
}

/// The profile for the pictures of a clip.
fn for_pictures_of(profile: &CameraProfile, clip: &Clip) -> Result<CameraProfile, ProfileError> {
    profile.for_picture(clip.info().width_px, clip.info().height_px)
}

/// The folder for the result of a clip: named after aircraft and clip, with a number where such a
/// name is taken.
pub fn free_folder(aircraft: &Path, clip: &Path, is_free: impl Fn(&Path) -> bool) -> PathBuf {
    let stem = format!("{}-{}", of_file(aircraft), of_file(clip));
    free_name(&stem, "", is_free)
}
