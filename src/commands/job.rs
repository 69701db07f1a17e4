//! The main job of `measure` and `demo`, from an opened clip to a report.

use std::path::{Path, PathBuf};
use std::time::Instant;

use super::CommandError;
use super::function_work::{FittedClip, fit_wanted};
use super::level_clip::{LevelClip, SearchedLevel};
use super::output::{OutputFolder, write_files};
use super::search::CacheHit;
use super::unfinished;
use crate::camera::{Camera, CameraProfile};
use crate::clip::{Clip, ClipOptions, Frame, Levels};
use crate::foreign::give_back_memory;
use crate::functions::{InClip, Wanted};
use crate::measurement::{FrameRow, Measurement};
use crate::model_file::ModelFile;
use crate::motion::Motion;
use crate::progress::Progress;
use crate::report::{self, Picture, ReportInputs, TraceInputs, frame_to_mark};
use crate::stations::SeenRest;
use crate::tags::{SightedFrame, Sightings};
use crate::warning::{WarningText, gather};

/// Input of the job.
pub struct Job<'a> {
    /// The clip.
    pub clip: &'a Path,
    /// How it is read.
    pub clip_options: ClipOptions,
    /// The model file.
    pub model: &'a ModelFile,
    /// Which of its functions.
    pub wanted: &'a Wanted,
    /// The camera that took the clip.
    pub profile: &'a CameraProfile,
    /// Sightings of earlier searches.
    pub cache: Cache,
    /// Receives progress.
    pub progress: Box<dyn Progress>,
}

/// The opened clips of a job.
pub struct Clips {
    /// The clip to measure.
    pub main: Clip,
    /// Where the surfaces are held level with each other.
    pub level: Option<LevelClip>,
}

/// The cache: sightings from earlier searches, and new ones.
pub enum Cache {
    /// Read from and written to this folder.
    In(PathBuf),
    /// Written to this folder; the clip is searched again nevertheless.
    RefreshedIn(PathBuf),
    /// No cache.
    Off,
}

/// Where a job's files go.
pub struct Folders {
    /// The page and the tables.
    pub report: OutputFolder,
    /// Receives a picture of each stage and its time, if requested.
    pub trace: Option<OutputFolder>,
}

/// Output of the job.
pub struct Done {
    /// The result.
    pub measurement: Measurement,
    /// The part taken from an earlier search.
    pub cache_hit: CacheHit,
    /// Why there is no trace, if one was requested.
    pub no_trace: Option<CommandError>,
}

/// Result of a job.
struct JobResult {
    /// The record.
    measurement: Measurement,
    /// Every surface in every frame.
    rows: Vec<FrameRow>,
    /// Stages in their order, and how long each took.
    times_s: Vec<(&'static str, f64)>,
    /// The sightings in the frame that the report draws on.
    marked: Option<SightedFrame>,
    /// The lens of the result.
    lens: Camera,
    levels: Levels,
    cache_hit: CacheHit,
}

/// The state of a clip when the work ends, at the end or before.
#[derive(Default)]
pub(super) struct Seen {
    /// Every frame with its sightings.
    pub sightings: Option<Sightings>,
    /// The clip's first frame, if it was read.
    pub first: Option<Frame>,
    /// Every rest of all surfaces.
    pub rests: Vec<SeenRest>,
    /// The warnings of all stages.
    pub warnings: Vec<WarningText>,
}

impl Job<'_> {
    /// Measures and matches the opened clips, writes the results, and returns them. For a clip that
    /// cannot be measured it writes a page that shows the clip's tags and holds.
    pub fn run(&self, clips: Clips, folders: Folders) -> Result<Done, CommandError> {
        let info = clips.main.info().clone();
        let mut seen = Seen::default();
        let result = match self.measure(clips, &mut seen) {
            Ok(result) => result,
            Err(CommandError::Cancelled) => return Err(CommandError::Cancelled),
            Err(error) => {
                return Err(unfinished::with_page(
                    self,
                    error,
                    &info,
                    seen,
                    folders.report,
                ));
            }
        };
        give_back_memory();
        let still = self.still(&result, seen.first)?;
        let picture = still.as_ref().and_then(|frame| result.picture(frame));
        let no_trace = result.write(picture, folders)?;
        Ok(Done {
            measurement: result.measurement,
            cache_hit: result.cache_hit,
            no_trace,
        })
    }

    /// The frame that the report draws on: usually the clip's first. Any other is read again,
    /// because no other picture is kept.
    fn still(
        &self,
        result: &JobResult,
        first: Option<Frame>,
    ) -> Result<Option<Frame>, CommandError> {
        match &result.marked {
            Some(sighted) => self.frame_again(sighted, first),
            None => Ok(None),
        }
    }

    /// The frame of some sightings: the first, which is at hand, or one that is read again.
    pub(super) fn frame_again(
        &self,
        sighted: &SightedFrame,
        first: Option<Frame>,
    ) -> Result<Option<Frame>, CommandError> {
        if let Some(frame) = first.filter(|first| first.index == sighted.index) {
            return Ok(Some(frame));
        }
        let clip = Clip::open(self.clip, &self.clip_options)?;
        let frame = clip.frame(sighted.index, sighted.time_s)?;
        give_back_memory();
        Ok(frame)
    }

    /// Clip → sightings → motion → holds → responses → corrections → measurement. The results of
    /// finished stages stay in `seen`, even if a later one fails.
    fn measure(&self, clips: Clips, seen: &mut Seen) -> Result<JobResult, CommandError> {
        let (model, profile) = (self.model, self.profile);
        let mut times = Times::start();
        let info = clips.main.info().clone();
        let Seen {
            sightings,
            first,
            rests,
            warnings,
        } = seen;

        let (found, cache_hit) = gather(warnings, |doubts| self.search(clips.main, first, doubts))?;
        let sightings = &*sightings.insert(found);
        give_back_memory();
        times.stage(cache_hit.stage());

        let wanted = self.wanted;
        let (motion, shown) = fit_wanted(sightings, model, wanted, profile, warnings)?;
        give_back_memory();
        times.stage("motion");
        self.go_on()?;

        let level = self.search_level(clips.level, &shown, warnings, &mut times)?;
        let fitted = FittedClip {
            level: level.as_ref(),
            sightings,
            profile,
            motion: &motion,
            shown: &shown,
            chosen_by_motion: *wanted == Wanted::Moving,
            given: None,
            warnings,
        };
        let mut doubts = Vec::new();
        let measured = fitted.measure(&mut times, &mut doubts);
        if measured.is_err() {
            *rests = unfinished::rests_seen(model, &motion);
            warnings.append(&mut doubts);
        }
        let (measurement, rows) = measured?;
        Ok(JobResult {
            measurement,
            rows,
            times_s: times.stages,
            marked: marked_frame(sightings, &motion),
            lens: motion.lens,
            levels: info.levels,
            cache_hit,
        })
    }

    /// Searches the clip of the level position, unless the measured clip shows several functions.
    fn search_level(
        &self,
        level: Option<LevelClip>,
        shown: &InClip,
        warnings: &mut Vec<WarningText>,
        times: &mut Times,
    ) -> Result<Option<SearchedLevel>, CommandError> {
        let Some(level) = level else {
            return Ok(None);
        };
        if shown.functions.len() != 1 {
            return Ok(Some(level.of_several_functions()));
        }
        let searched = level.search(self, warnings)?;
        times.stage("level clip");
        Ok(Some(searched))
    }

    /// Ends the job early if its result is no longer wanted.
    pub(super) fn go_on(&self) -> Result<(), CommandError> {
        if self.progress.is_cancelled() {
            Err(CommandError::Cancelled)
        } else {
            Ok(())
        }
    }
}

/// The sightings in the frame that the report draws on.
fn marked_frame(sightings: &Sightings, motion: &Motion) -> Option<SightedFrame> {
    let frame = frame_to_mark(motion).unwrap_or(0);
    sightings.frames.get(frame).cloned()
}

impl JobResult {
    /// A frame with its sightings.
    fn picture<'a>(&'a self, frame: &'a Frame) -> Option<Picture<'a>> {
        Some(Picture {
            image: &frame.image,
            levels: self.levels,
            sighted: self.marked.as_ref()?,
            camera: &self.lens,
        })
    }

    /// Writes the report and the trace. It returns an error of the trace, which costs only the trace.
    fn write(
        &self,
        picture: Option<Picture<'_>>,
        folders: Folders,
    ) -> Result<Option<CommandError>, CommandError> {
        let inputs = ReportInputs {
            picture,
            frames: Some(&self.rows),
        };
        write_files(report::files(&self.measurement, &inputs)?, folders.report)?;
        let trace = folders
            .trace
            .map(|folder| self.write_trace(picture, folder));
        Ok(trace.and_then(Result::err))
    }

    fn write_trace(
        &self,
        picture: Option<Picture<'_>>,
        folder: OutputFolder,
    ) -> Result<(), CommandError> {
        let inputs = TraceInputs {
            measurement: &self.measurement,
            picture,
            times_s: &self.times_s,
        };
        write_files(report::trace_files(&inputs)?, folder)
    }
}

/// How long each stage took.
pub struct Times {
    last: Instant,
    stages: Vec<(&'static str, f64)>,
}

impl Times {
    /// The first stage begins.
    pub fn start() -> Self {
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
