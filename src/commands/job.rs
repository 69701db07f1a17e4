//! The main job, from an opened clip to a report: what `measure` and `demo` share.

use std::path::{Path, PathBuf};
use std::time::Instant;

use super::CommandError;
use super::level_clip::LevelClip;
use super::memory;
use super::output::{OutputFolder, write_files};
use super::unfinished;
use crate::camera::{Camera, CameraProfile};
use crate::clip::{Clip, ClipOptions, ClipWarning, Frame, Levels, day_of_file};
use crate::kept_sightings::{Before, KeptSightings, Searched};
use crate::matching;
use crate::measurement::{FrameRow, Measurement, Stages, frame_rows};
use crate::model_file::ModelFile;
use crate::motion::{self, FitOptions};
use crate::progress::Progress;
use crate::report::{self, Picture, ReportInputs, TraceInputs, frame_to_mark};
use crate::response;
use crate::stations::{self, HoldOptions, SeenRest};
use crate::tags::{self, Begun, SightedFrame, Sightings, TagPlan};
use crate::warning::{WarningText, gather};

/// What is measured, and with what.
pub struct Job<'a> {
    /// The clip.
    pub clip: &'a Path,
    /// How it is read.
    pub clip_options: ClipOptions,
    /// What the person declared.
    pub model: &'a ModelFile,
    /// The camera that took the clip.
    pub profile: &'a CameraProfile,
    /// Where the surfaces are held level with each other.
    pub level: Option<LevelClip>,
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
    /// The lens that the result goes by.
    lens: Camera,
    levels: Levels,
    from_kept: FromKept,
}

/// What is known of a clip when the work on it ends, at the end or before.
#[derive(Default)]
pub(super) struct Seen {
    /// Every frame with what was seen in it.
    pub sightings: Option<Sightings>,
    /// The clip's first frame, if it was read.
    pub first: Option<Frame>,
    /// Every rest of all surfaces.
    pub rests: Vec<SeenRest>,
    /// The doubts of all stages.
    pub warnings: Vec<WarningText>,
}

impl Job<'_> {
    /// Measures and matches the opened clip, writes what a person keeps, and hands it on. Of a clip that
    /// cannot be measured a page is written that shows what was seen.
    pub fn run(&self, clip: Clip, folders: Folders) -> Result<Done, CommandError> {
        let info = clip.info().clone();
        let mut seen = Seen::default();
        let result = match self.measure(clip, &mut seen) {
            Ok(result) => result,
            Err(error) => return Err(unfinished::told(self, error, &info, seen, folders.report)),
        };
        memory::give_back();
        let still = self.still(&result, seen.first)?;
        let picture = still.as_ref().and_then(|frame| result.picture(frame));
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

    /// Clip → sightings → motion → holds → responses → corrections → measurement. What the stages have
    /// brought stays in `seen`, also where a later one fails.
    fn measure(&self, clip: Clip, seen: &mut Seen) -> Result<JobResult, CommandError> {
        let (model, profile) = (self.model, self.profile);
        let mut times = Times::start();
        let info = clip.info().clone();
        let Seen {
            sightings,
            first,
            rests,
            warnings,
        } = seen;

        let (found, from_kept) = gather(warnings, |doubts| self.search(clip, first, doubts))?;
        let sightings = &*sightings.insert(found);
        memory::give_back();
        times.stage(if from_kept == FromKept::All {
            "kept sightings"
        } else {
            "clip and tags"
        });

        gather(warnings, |doubts| {
            tags::doubt_search(&TagPlan::of(model), &sightings.overview, doubts);
        });
        let options = FitOptions::of_clip(&info).for_pictures(&sightings.overview);
        let motion = gather(warnings, |doubts| {
            motion::fit(sightings, model, profile, &options, doubts)
        })?;
        memory::give_back();
        times.stage("motion");

        let options = HoldOptions::default();
        let holds = gather(warnings, |doubts| {
            stations::find_holds(&motion, sightings, model, &options, doubts)
        });
        if holds.is_err() {
            *rests = stations::rests_seen(&motion, &options);
        }
        let holds = holds?;
        times.stage("stations");

        let mut responses = gather(warnings, |doubts| {
            response::respond(&motion, &holds, model, doubts)
        })?;
        times.stage("response");
        if let Some(level) = &self.level {
            level.lay_over(self, (&motion, &mut responses), warnings)?;
            times.stage("level zero");
        }

        let (groups, radio) = (&model.matches, model.radio.as_ref());
        let corrections = gather(warnings, |doubts| {
            matching::match_groups(&responses, groups, radio, doubts)
        })?;
        times.stage("matching");

        let rows = frame_rows(&motion, &holds);
        let measurement = Measurement::assemble(&Stages {
            sightings,
            profile,
            model,
            motion: &motion,
            rows: &rows,
            responses: &responses,
            stick_log: holds.log.as_ref(),
            corrections: &corrections,
            warnings,
            date: day_of_file(&info.path).as_deref(),
        })?;
        Ok(JobResult {
            measurement,
            rows,
            times_s: times.stages,
            marked: sightings
                .frames
                .get(frame_to_mark(&motion).unwrap_or(0))
                .cloned(),
            lens: motion.lens,
            levels: info.levels,
            from_kept,
        })
    }

    /// Clip → sightings, as many of them as can be from the same search before.
    pub(super) fn search(
        &self,
        clip: Clip,
        first: &mut Option<Frame>,
        warnings: &mut Vec<ClipWarning>,
    ) -> Result<(Sightings, FromKept), CommandError> {
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
            Before::All(Searched {
                frames,
                overview,
                doubts,
            }) => {
                warnings.extend(doubts);
                let sightings = Sightings {
                    clip: info,
                    frames,
                    overview,
                };
                return Ok((sightings, from_kept));
            }
            Before::Part(begun) => *begun,
            Before::Nothing => Begun::new(&plan)?,
        };
        let mut frames = clip.into_stream()?;
        let progress = self.progress.as_ref();
        let read = frames.by_ref().inspect(|frame| {
            if let (None, Ok(frame)) = (&first, frame) {
                *first = Some(frame.clone());
            }
        });
        let sightings = tags::sight_on(read, &info, &plan, begun, &mut keeping, progress)?;
        let doubts = frames.finish();
        if let Some(keeping) = keeping {
            keeping.finish(&doubts);
        }
        warnings.extend(doubts);
        Ok((sightings, from_kept))
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
    fn picture<'a>(&'a self, frame: &'a Frame) -> Option<Picture<'a>> {
        Some(Picture {
            image: &frame.image,
            levels: self.levels,
            sighted: self.marked.as_ref()?,
            camera: &self.lens,
        })
    }

    fn write(&self, picture: Option<Picture<'_>>, folders: Folders) -> Result<(), CommandError> {
        let inputs = ReportInputs {
            picture,
            frames: Some(&self.rows),
        };
        let folder = folders.report.target().to_owned();
        write_files(report::files(&self.measurement, &inputs)?, folders.report)?;
        unfinished::remove_page(&folder);
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
