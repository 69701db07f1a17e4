//! The clip that shows the surfaces held level with each other, laid over the measured one.

use super::CommandError;
use super::job::Job;
use crate::camera::{Camera, CameraProfile};
use crate::clip::Clip;
use crate::motion::{FitOptions, Motion};
use crate::registration::{LevelFault, LevelNotUsed, register_resting};
use crate::response::{LevelZero, Responses};
use crate::tags::Sightings;
use crate::warning::WarningText;

/// The opened clip, and the camera that took it.
pub struct LevelClip {
    /// Name of the clip.
    name: String,
    clip: Clip,
    profile: CameraProfile,
}

/// The clip once it was searched.
pub struct SearchedLevel {
    /// Name of the clip.
    name: String,
    profile: CameraProfile,
    /// What was seen, or why nothing was.
    sightings: Result<Sightings, LevelFault>,
}

impl LevelClip {
    /// A clip that was opened; `profile` is for its pictures.
    pub fn new(clip: Clip, profile: CameraProfile) -> Self {
        let path = &clip.info().path;
        let name = path.file_name().unwrap_or(path.as_os_str());
        Self {
            name: name.to_string_lossy().into_owned(),
            clip,
            profile,
        }
    }

    /// Finds the tags in the clip. Doubts about the clip name it.
    ///
    /// # Errors
    /// The job was cancelled. A clip that cannot be searched costs only the level position.
    pub fn search(
        self,
        job: &Job<'_>,
        warnings: &mut Vec<WarningText>,
    ) -> Result<SearchedLevel, CommandError> {
        let mut doubts = Vec::new();
        let sightings = match job.search(self.clip, &mut None, &mut doubts) {
            Ok((sightings, _)) => Ok(sightings),
            Err(CommandError::Cancelled) => return Err(CommandError::Cancelled),
            Err(error) => Err(LevelFault::NotSearched(error.to_string())),
        };
        warnings.extend(doubts.iter().map(|doubt| {
            let doubt = WarningText::from(doubt);
            WarningText {
                text: format!("level clip {}: {}", self.name, doubt.text),
                ..doubt
            }
        }));
        Ok(SearchedLevel {
            name: self.name,
            profile: self.profile,
            sightings,
        })
    }

    /// The clip where the measured clip shows several functions: it is not searched.
    pub fn of_several_functions(self) -> SearchedLevel {
        SearchedLevel {
            name: self.name,
            profile: self.profile,
            sightings: Err(LevelFault::SeveralFunctions),
        }
    }
}

impl SearchedLevel {
    /// Adds the neutrals that the clip shows to the responses; `profile` is that of the measured clip.
    pub fn lay_over(
        &self,
        profile: &CameraProfile,
        motion: &Motion,
        responses: &mut Responses,
    ) -> Result<(), LevelNotUsed> {
        // The fit may have found another lens than the profile's; it holds for pictures of its size.
        let size = |profile: &CameraProfile| (profile.width_px, profile.height_px);
        let camera = if size(&self.profile) == size(profile) {
            &motion.lens
        } else {
            &self.profile.camera
        };
        let level = self.registered(camera, responses);
        responses.level = Some(level.map_err(|because| self.not_used(because))?);
        Ok(())
    }

    fn not_used(&self, because: LevelFault) -> LevelNotUsed {
        LevelNotUsed {
            clip: self.name.clone(),
            because,
        }
    }

    fn registered(&self, camera: &Camera, responses: &Responses) -> Result<LevelZero, LevelFault> {
        let sightings = self.sightings.as_ref().map_err(LevelFault::clone)?;
        let measured = responses.neutral.as_ref().ok_or(LevelFault::NoPlaces)?;
        let options = FitOptions::of_clip(&sightings.clip).for_pictures(&sightings.overview);
        register_resting(measured, sightings, camera, &options)
            .map(|found| LevelZero::of_clip(self.name.clone(), &found))
            .map_err(LevelFault::NotLaid)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use std::path::Path;

    use super::*;
    use crate::clip::ClipOptions;
    use crate::commands::job::Cache;
    use crate::functions::Wanted;
    use crate::model_file::ModelFile;
    use crate::progress::Progress;

    /// Somebody who no longer wants the result.
    struct Unwanted;

    impl Progress for Unwanted {
        fn advance(&self, _work: &str, _done: u64, _total: Option<u64>) {}

        fn is_cancelled(&self) -> bool {
            true
        }
    }

    #[test]
    fn a_job_that_is_cancelled_during_the_level_clip_ends_there() {
        let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
        let path = sample.join("cards.mp4");
        let model = ModelFile::read(&sample.join("model.toml")).unwrap();
        let profile = CameraProfile::read(&sample.join("camera.toml")).unwrap();
        let clip_options = ClipOptions::default();
        let job = Job {
            clip: &path,
            clip_options,
            model: &model,
            wanted: &Wanted::Whole,
            profile: &profile,
            cache: Cache::Off,
            progress: Box::new(Unwanted),
        };
        let clip = Clip::open(&path, &clip_options).unwrap();
        let level = LevelClip::new(clip, profile.clone());
        let searched = level.search(&job, &mut Vec::new());
        assert!(matches!(searched, Err(CommandError::Cancelled)));
    }
}
