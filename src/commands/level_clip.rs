//! The clip that shows the surfaces held level with each other, laid over the measured one.

use std::path::{Path, PathBuf};

use super::CommandError;
use super::job::Job;
use crate::camera::CameraProfile;
use crate::clip::Clip;
use crate::motion::{FitOptions, Motion};
use crate::registration::{LevelFault, LevelNotUsed, register_resting};
use crate::response::{LevelZero, Responses};
use crate::tags::Sightings;
use crate::warning::{WarningText, gather};

/// The clip, and the camera that took it.
pub struct LevelClip {
    /// Video file or folder of stills.
    pub path: PathBuf,
    /// The profile for its pictures.
    pub profile: CameraProfile,
}

impl LevelClip {
    /// Adds what the clip says of the neutrals to the responses; a clip that says nothing is a warning.
    pub fn lay_over(
        &self,
        job: &Job<'_>,
        (motion, responses): (&Motion, &mut Responses),
        warnings: &mut Vec<WarningText>,
    ) -> Result<(), CommandError> {
        let clip = self.path.display().to_string();
        let found = match self.search(job) {
            Ok(sightings) => self.registered(job, (motion, responses), &sightings),
            Err(reason) => Err(LevelFault::NotSearched(reason)),
        };
        match found {
            Ok(level) => responses.level = Some(level),
            Err(because) => {
                gather(warnings, |doubts| {
                    doubts.push(LevelNotUsed { clip, because });
                    Ok::<(), CommandError>(())
                })?;
            }
        }
        Ok(())
    }

    fn search(&self, job: &Job<'_>) -> Result<Sightings, String> {
        let said = |error: CommandError| error.to_string();
        let clip = Clip::open(&self.path, &job.clip_options).map_err(|error| said(error.into()))?;
        let searched = job.search(clip, &mut None, &mut Vec::new());
        searched.map(|(sightings, _)| sightings).map_err(said)
    }

    fn registered(
        &self,
        job: &Job<'_>,
        (motion, responses): (&Motion, &Responses),
        sightings: &Sightings,
    ) -> Result<LevelZero, LevelFault> {
        let measured = responses.neutral.as_ref().ok_or(LevelFault::NoPlaces)?;
        let options = FitOptions::of_clip(&sightings.clip).for_pictures(&sightings.overview);
        // The fit may have found another lens than the profile's; it holds for pictures of its size.
        let same_size = |a: &CameraProfile, b: &CameraProfile| {
            (a.width_px, a.height_px) == (b.width_px, b.height_px)
        };
        let camera = match same_size(&self.profile, job.profile) {
            true => &motion.lens,
            false => &self.profile.camera,
        };
        register_resting(measured, sightings, camera, &options)
            .map(|found| LevelZero::of_clip(shown(&self.path), &found))
            .map_err(LevelFault::NotLaid)
    }
}

fn shown(path: &Path) -> String {
    path.display().to_string()
}
