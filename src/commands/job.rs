//! The main job, from an opened clip to a report: what `measure` and `demo` share.

use std::path::{Path, PathBuf};
use std::time::Instant;

use super::CommandError;
use super::function_work::FittedClip;
use super::memory;
use super::output::{OutputFolder, write_files};
use crate::camera::CameraProfile;
use crate::clip::{Clip, ClipOptions, ClipWarning, Frame, Levels};
use crate::functions::Wanted;
use crate::kept_sightings::{Before, KeptSightings, Searched};
use crate::measurement::{FrameRow, Measurement};
use crate::model_file::ModelFile;
use crate::motion::{self, FitOptions};
use crate::progress::Progress;
use crate::report::{self, Picture, ReportInputs, TraceInputs, frame_to_mark};
use crate::tags::{self, Begun, SightedFrame, Sightings, TagPlan};
use crate::warning::gather;

/// What is measured, and with what.
pub struct Job<'a> {
    /// The clip.
    pub clip: &'a Path,
    /// How it is read.
    pub clip_options: ClipOptions,
    /// What the person declared.
    pub model: &'a ModelFile,
    /// Which of its functions.
    pub wanted: &'a Wanted,
    /// The camera that took the clip.
    pub profile: &'a CameraProfile,
    /// Sightings kept from searches before.
    pub kept: Kept,
    /// Who is told how far the work is.
    pub progress: Box<dyn Progress>,
}

/// What becomes of sightings from searches before, and of new ones.
pub enum Kept {
    /// Taken from this folder and kept there.
    In(PathBuf),
    /// Kept in this folder; the clip is searched anew all the same.
    AnewIn(PathBuf),
    /// Neither.
    Nowhere,
}

/// Where a job's files go.
pub struct Folders {
    /// The page and the tables.
    pub report: OutputFolder,
    /// A picture of each stage and the time it took, where that was asked for.
    pub trace: Option<OutputFolder>,
}

/// What a job hands on.
pub struct Done {
    /// The result.
    pub measurement: Measurement,
    /// What is from the same search before.
    pub from_kept: FromKept,
}

/// How much of the sightings is from the same search before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FromKept {
    /// Nothing; the clip was searched.
    Nothing,
    /// It had been interrupted, and went on from there.
    Until {
        /// Time of the last frame that was searched before.
        time_s: f64,
    },
    /// All; the clip was not searched.
    All,
}

/// What a job brings.
struct JobResult {
    /// What is kept.
    measurement: Measurement,
    /// Every surface in every frame.
    rows: Vec<FrameRow>,
    /// Stages in their order, and how long each took.
    times_s: Vec<(&'static str, f64)>,
    /// What was seen in the frame that the report draws on.
    marked: Option<SightedFrame>,
    levels: Levels,
    from_kept: FromKept,
}

/// What the search of a clip brings.
struct SearchedClip {
    sightings: Sightings,
    /// The clip's first frame, if it was read.
    first: Option<Frame>,
    from_kept: FromKept,
}

impl Job<'_> {
    /// Measures and matches the opened clip, writes what a person keeps, and hands it on.
    pub fn run(&self, clip: Clip, folders: Folders) -> Result<Done, CommandError> {
        let (result, first) = self.measure(clip)?;
        memory::give_back();
        let still = self.still(&result, first)?;
        let picture = still
            .as_ref()
            .and_then(|frame| result.picture(frame, self.profile));
        result.write(picture, folders)?;
        Ok(Done {
            measurement: result.measurement,
            from_kept: result.from_kept,
        })
    }

    /// The frame that the report draws on: most often the clip's first. Any other is read once more,
    /// since no other picture is kept.
    fn still(
        &self,
        result: &JobResult,
        first: Option<Frame>,
    ) -> Result<Option<Frame>, CommandError> {
        let Some(sighted) = &result.marked else {
            return Ok(None);
        };
        if let Some(frame) = first.filter(|first| first.index == sighted.index) {
            return Ok(Some(frame));
        }
        let clip = Clip::open(self.clip, &self.clip_options)?;
        let frame = clip.frame(sighted.index, sighted.time_s)?;
        memory::give_back();
        Ok(frame)
    }

    /// Clip → sightings → motion → holds → responses → corrections → measurement; with the clip's first
    /// frame, if it was read.
    fn measure(&self, clip: Clip) -> Result<(JobResult, Option<Frame>), CommandError> {
        let (model, profile) = (self.model, self.profile);
        let (mut times, mut warnings) = (Times::start(), Vec::new());
        let info = clip.info().clone();

        let SearchedClip {
            sightings,
            first,
            from_kept,
        } = gather(&mut warnings, |doubts| self.search(clip, doubts))?;
        memory::give_back();
        times.stage(if from_kept == FromKept::All {
            "kept sightings"
        } else {
            "clip and tags"
        });

        let (options, wanted) = (FitOptions::default(), self.wanted);
        let candidates = wanted.candidates(model);
        let (motion, left_out) = gather(&mut warnings, |doubts| {
            motion::fit_what_moves(&sightings, &candidates, profile, &options, doubts)
        })?;
        let shown = gather(&mut warnings, |doubts| {
            wanted.in_clip(model, &motion, &left_out, doubts)
        })?;
        memory::give_back();
        times.stage("motion");

        let fitted = FittedClip {
            sightings: &sightings,
            profile,
            motion: &motion,
            shown: &shown,
            chosen_by_motion: *wanted == Wanted::Moving,
            warnings: &warnings,
        };
        let (measurement, rows) = fitted.measure(&mut times)?;
        let result = JobResult {
            measurement,
            rows,
            times_s: times.stages,
            marked: sightings
                .frames
                .into_iter()
                .nth(frame_to_mark(&motion).unwrap_or(0)),
            levels: info.levels,
            from_kept,
        };
        Ok((result, first))
    }

    /// Clip → sightings, as many of them as can be from the same search before.
    fn search(
        &self,
        clip: Clip,
        warnings: &mut Vec<ClipWarning>,
    ) -> Result<SearchedClip, CommandError> {
        let info = clip.info().clone();
        let plan = TagPlan::of(self.model);
        let place = |folder| KeptSightings::new(folder, &info, &self.clip_options, &plan);
        let taken = match &self.kept {
            Kept::Nowhere => None,
            Kept::In(folder) => place(folder).map(KeptSightings::take_up),
            Kept::AnewIn(folder) => place(folder).map(KeptSightings::begin_anew),
        };
        let (mut keeping, before) = taken.unwrap_or_default();
        let from_kept = FromKept::of(&before);
        let begun = match before {
            Before::All(Searched { frames, doubts }) => {
                warnings.extend(doubts);
                return Ok(SearchedClip {
                    sightings: Sightings { clip: info, frames },
                    first: None,
                    from_kept,
                });
            }
            Before::Part(begun) => *begun,
            Before::Nothing => Begun::new(&plan)?,
        };
        let mut frames = clip.into_stream()?;
        let progress = self.progress.as_ref();
        let mut first = None;
        let read = frames.by_ref().inspect(|frame| {
            if let (None, Ok(frame)) = (&first, frame) {
                first = Some(frame.clone());
            }
        });
        let sightings = tags::sight_on(read, &info, &plan, begun, &mut keeping, progress)?;
        let doubts = frames.finish();
        if let Some(keeping) = keeping {
            keeping.finish(&doubts);
        }
        warnings.extend(doubts);
        Ok(SearchedClip {
            sightings,
            first,
            from_kept,
        })
    }
}

impl FromKept {
    fn of(before: &Before) -> Self {
        match before {
            Before::All(_) => Self::All,
            Before::Part(begun) => begun
                .frames
                .last()
                .map_or(Self::Nothing, |frame| Self::Until {
                    time_s: frame.time_s,
                }),
            Before::Nothing => Self::Nothing,
        }
    }
}

impl JobResult {
    /// A frame with what was seen in it.
    fn picture<'a>(&'a self, frame: &'a Frame, profile: &'a CameraProfile) -> Option<Picture<'a>> {
        Some(Picture {
            image: &frame.image,
            levels: self.levels,
            sighted: self.marked.as_ref()?,
            camera: &profile.camera,
        })
    }

    fn write(&self, picture: Option<Picture<'_>>, folders: Folders) -> Result<(), CommandError> {
        let inputs = ReportInputs {
            picture,
            frames: Some(&self.rows),
        };
        write_files(report::files(&self.measurement, &inputs)?, folders.report)?;
        if let Some(folder) = folders.trace {
            let inputs = TraceInputs {
                measurement: &self.measurement,
                picture,
                times_s: &self.times_s,
            };
            write_files(report::trace_files(&inputs)?, folder)?;
        }
        Ok(())
    }
}

/// How long each stage took.
pub struct Times {
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

    /// Ends a stage; those of one name count together.
    pub fn stage(&mut self, name: &'static str) {
        let now = Instant::now();
        let took_s = now.duration_since(self.last).as_secs_f64();
        match self.stages.iter_mut().find(|stage| stage.0 == name) {
            Some(stage) => stage.1 += took_s,
            None => self.stages.push((name, took_s)),
        }
        self.last = now;
    }
}
