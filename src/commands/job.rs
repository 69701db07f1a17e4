//! The main job, from an opened clip to a measurement: what `measure` and `demo` share.

use std::time::Instant;

use super::CommandError;
use crate::camera::CameraProfile;
use crate::clip::{Clip, Frame, day_of_file};
use crate::matching;
use crate::measurement::{FrameRow, Measurement, Stages, frame_rows};
use crate::model_file::ModelFile;
use crate::motion::{self, FitOptions, Motion};
use crate::progress::Progress;
use crate::report::{Picture, frame_to_mark};
use crate::response;
use crate::stations::{self, HoldOptions};
use crate::tags::{self, Sightings, TagPlan};

/// What a clip is measured with.
pub struct Job<'a> {
    /// What the person declared.
    pub model: &'a ModelFile,
    /// The camera that took the clip.
    pub profile: &'a CameraProfile,
    /// Who is told how far the work is.
    pub progress: Box<dyn Progress>,
}

/// What a job brings.
pub struct JobResult {
    /// What is kept.
    pub measurement: Measurement,
    /// Every surface in every frame.
    pub rows: Vec<FrameRow>,
    /// Stages in their order, and how long each took.
    pub times_s: Vec<(&'static str, f64)>,
    sightings: Sightings,
    motion: Motion,
}

impl Job<'_> {
    /// Clip → sightings → motion → holds → responses → corrections → measurement.
    pub fn run(&self, clip: Clip) -> Result<JobResult, CommandError> {
        let (model, profile) = (self.model, self.profile);
        let (mut times, mut warnings) = (Times::start(), Vec::new());
        let info = clip.info().clone();

        let mut frames = clip.into_stream()?;
        let plan = TagPlan::of(model);
        let sightings = tags::sight(frames.by_ref(), &info, &plan, self.progress.as_ref())?;
        warnings.extend(frames.finish());
        times.stage("clip and tags");

        let options = FitOptions::default();
        let motion = motion::fit(&sightings, model, profile, &options, &mut warnings)?;
        times.stage("motion");

        let options = HoldOptions::default();
        let holds = stations::find_holds(&motion, &sightings, model, &options, &mut warnings)?;
        times.stage("stations");

        let responses = response::respond(&motion, &holds, model, &mut warnings)?;
        times.stage("response");

        let (groups, radio) = (&model.matches, model.radio.as_ref());
        let corrections = matching::match_groups(&responses, groups, radio, &mut warnings)?;
        times.stage("matching");

        let measurement = Measurement::assemble(&Stages {
            sightings: &sightings,
            profile,
            model,
            motion: &motion,
            holds: &holds,
            responses: &responses,
            corrections: &corrections,
            warnings: &warnings,
            date: day_of_file(&info.path).as_deref(),
        })?;
        let rows = frame_rows(&motion, &holds);
        Ok(JobResult {
            measurement,
            rows,
            times_s: times.stages,
            sightings,
            motion,
        })
    }
}

impl JobResult {
    /// Position in the clip of the frame that the report draws on.
    pub fn frame_to_mark(&self) -> usize {
        frame_to_mark(&self.motion).unwrap_or(0)
    }

    /// That frame with what was seen in it.
    pub fn picture<'a>(
        &'a self,
        frame: &'a Frame,
        profile: &'a CameraProfile,
    ) -> Option<Picture<'a>> {
        Some(Picture {
            image: &frame.image,
            levels: self.sightings.clip.levels,
            sighted: self.sightings.frames.get(frame.index)?,
            camera: &profile.camera,
        })
    }
}

/// How long each stage took.
struct Times {
    last: Instant,
    stages: Vec<(&'static str, f64)>,
}

impl Times {
    fn start() -> Self {
        Self {
            last: Instant::now(),
            stages: Vec::new(),
        }
    }

    fn stage(&mut self, name: &'static str) {
        let now = Instant::now();
        self.stages
            .push((name, now.duration_since(self.last).as_secs_f64()));
        self.last = now;
    }
}
