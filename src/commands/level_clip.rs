//! The clip that shows the surfaces held level with each other, laid over the measured one.

use std::path::PathBuf;

use super::CommandError;
use super::job::Job;
use crate::camera::{Camera, CameraProfile};
use crate::clip::Clip;
use crate::motion::{FitOptions, Motion};
use crate::registration::{LevelFault, LevelNotUsed, register_resting};
use crate::response::{LevelZero, Responses};
use crate::tags::Sightings;

/// The clip, and the camera that took it.
pub struct LevelClip {
    /// Video file or folder of stills.
    pub path: PathBuf,
    /// The profile for its pictures.
    pub profile: CameraProfile,
}

/// The clip once it was searched.
pub struct SearchedLevel {
    /// Name of the clip.
    name: String,
    profile: CameraProfile,
    /// What was seen, or why nothing was.
    sightings: Result<Sightings, String>,
}

impl LevelClip {
    /// Finds the tags in the clip.
    pub fn search(&self, job: &Job<'_>) -> SearchedLevel {
        let name = self.path.file_name().unwrap_or(self.path.as_os_str());
        let said = |error: CommandError| error.to_string();
        let clip = Clip::open(&self.path, &job.clip_options).map_err(|error| said(error.into()));
        let sightings = clip.and_then(|clip| {
            let searched = job.search(clip, &mut None, &mut Vec::new());
            searched.map(|(sightings, _)| sightings).map_err(said)
        });
        SearchedLevel {
            name: name.to_string_lossy().into_owned(),
            profile: self.profile.clone(),
            sightings,
        }
    }
}

impl SearchedLevel {
    /// Adds what the clip says of the neutrals to the responses; `profile` is that of the measured clip.
    pub fn lay_over(
        &self,
        profile: &CameraProfile,
        (motion, responses): (&Motion, &mut Responses),
    ) -> Result<(), LevelNotUsed> {
        // The fit may have found another lens than the profile's; it holds for pictures of its size.
        let size = |profile: &CameraProfile| (profile.width_px, profile.height_px);
        let camera = match size(&self.profile) == size(profile) {
            true => &motion.lens,
            false => &self.profile.camera,
        };
        let level = self.registered(camera, responses);
        responses.level = Some(level.map_err(|because| self.not_used(because))?);
        Ok(())
    }

    /// The doubt where the measured clip shows several functions.
    pub fn several_functions(&self) -> LevelNotUsed {
        self.not_used(LevelFault::SeveralFunctions)
    }

    fn not_used(&self, because: LevelFault) -> LevelNotUsed {
        LevelNotUsed {
            clip: self.name.clone(),
            because,
        }
    }

    fn registered(&self, camera: &Camera, responses: &Responses) -> Result<LevelZero, LevelFault> {
        let sightings = self.sightings.as_ref();
        let sightings = sightings.map_err(|reason| LevelFault::NotSearched(reason.clone()))?;
        let measured = responses.neutral.as_ref().ok_or(LevelFault::NoPlaces)?;
        let options = FitOptions::of_clip(&sightings.clip).for_pictures(&sightings.overview);
        register_resting(measured, sightings, camera, &options)
            .map(|found| LevelZero::of_clip(self.name.clone(), &found))
            .map_err(LevelFault::NotLaid)
    }
}
