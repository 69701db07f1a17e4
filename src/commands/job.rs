//! The main job of `measure` and `demo`, from an opened clip to a report.

mod search;

use std::path::{Path, PathBuf};

use super::CommandError;
use super::function_work::{FittedClip, fit_wanted};
use super::level_clip::{LevelClip, SearchedLevel};
use super::output::{OutputFolder, write_files};
use super::stage_log::StageLog;
use super::unfinished;
use crate::camera::{Camera, CameraProfile};
use crate::clip::{Clip, ClipOptions, Frame, Levels};
use crate::foreign::give_back_memory;
use crate::functions::{InClip, Wanted};
use crate::measurement::{FrameRow, Measurement};
use crate::model_file::ModelFile;
use crate::motion::Motion;
use crate::progress::Progress;
use crate::report::{self, NamedFile, Picture, ReportInputs, frame_to_mark};
use crate::stations::{self, HoldOptions, SeenRest};
use crate::tags::{SightedFrame, Sightings};
use crate::warning::{WarningText, gather};
pub use search::CacheHit;

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

/// Output of the job.
pub struct Done {
    /// The result.
    pub measurement: Measurement,
    /// The part taken from an earlier search.
    pub cache_hit: CacheHit,
}

/// Result of a job.
struct JobResult {
    /// The record.
    measurement: Measurement,
    /// Every surface in every frame.
    rows: Vec<FrameRow>,
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
    pub fn run(
        &self,
        clips: Clips,
        folder: OutputFolder,
        log: &mut StageLog,
    ) -> Result<Done, CommandError> {
        let info = clips.main.info().clone();
        let mut seen = Seen::default();
        let result = match self.measure(clips, &mut seen, log) {
            Ok(result) => result,
            Err(CommandError::Cancelled) => return Err(CommandError::Cancelled),
            Err(error) => {
                return Err(unfinished::with_page(self, error, &info, seen, folder));
            }
        };
        give_back_memory();
        let still = self.still(&result, seen.first)?;
        let picture = still.as_ref().and_then(|frame| result.picture(frame));
        result.write(picture, folder)?;
        Ok(Done {
            measurement: result.measurement,
            cache_hit: result.cache_hit,
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
    fn measure(
        &self,
        clips: Clips,
        seen: &mut Seen,
        log: &mut StageLog,
    ) -> Result<JobResult, CommandError> {
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
        log.stage(cache_hit.stage());
        log.trace(|| self.traced_sightings(sightings, first.clone()));

        let (motion, shown) = self.fit(sightings, warnings, log)?;
        let level = self.search_level(clips.level, &shown, warnings, log)?;
        let fitted = FittedClip {
            level: level.as_ref(),
            sightings,
            profile: self.profile,
            motion: &motion,
            shown: &shown,
            chosen_by_motion: *self.wanted == Wanted::Moving,
            given: None,
            warnings,
        };
        let mut doubts = Vec::new();
        let measured = fitted.measure(log, &mut doubts);
        if measured.is_err() {
            *rests = unfinished::rests_seen(self.model, &motion);
            warnings.append(&mut doubts);
        }
        let (measurement, rows) = measured?;
        log.trace(|| Ok(report::trace_of_record(&measurement)));
        Ok(JobResult {
            measurement,
            rows,
            marked: marked_frame(sightings, &motion),
            lens: motion.lens,
            levels: info.levels,
            cache_hit,
        })
    }

    /// Sightings → motion, with the functions that the clip shows.
    fn fit(
        &self,
        sightings: &Sightings,
        warnings: &mut Vec<WarningText>,
        log: &mut StageLog,
    ) -> Result<(Motion, InClip), CommandError> {
        let (model, wanted, profile) = (self.model, self.wanted, self.profile);
        let (motion, shown) = fit_wanted(sightings, model, wanted, profile, warnings)?;
        give_back_memory();
        log.stage("motion");
        log.trace(|| {
            let rests = stations::rests_seen(&motion, &HoldOptions::default());
            Ok(report::trace_of_motion(&motion, &rests)?)
        });
        self.go_on()?;
        Ok((motion, shown))
    }

    /// Searches the clip of the level position, unless the measured clip shows several functions.
    fn search_level(
        &self,
        level: Option<LevelClip>,
        shown: &InClip,
        warnings: &mut Vec<WarningText>,
        log: &mut StageLog,
    ) -> Result<Option<SearchedLevel>, CommandError> {
        let Some(level) = level else {
            return Ok(None);
        };
        if shown.functions.len() != 1 {
            return Ok(Some(level.of_several_functions()));
        }
        let searched = level.search(self, warnings)?;
        log.stage("level clip");
        Ok(Some(searched))
    }

    /// The files of a trace that show the sightings; the picture is of the frame with the most tags.
    fn traced_sightings(
        &self,
        sightings: &Sightings,
        first: Option<Frame>,
    ) -> Result<Vec<NamedFile>, CommandError> {
        let shown = unfinished::frame_to_show(self, &sightings.frames, first)?;
        let picture = shown.as_ref().map(|(frame, sighted)| Picture {
            image: &frame.image,
            levels: sightings.clip.levels,
            sighted,
            camera: &self.profile.camera,
        });
        Ok(report::trace_of_sightings(&sightings.frames, picture)?)
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

    fn write(
        &self,
        picture: Option<Picture<'_>>,
        folder: OutputFolder,
    ) -> Result<(), CommandError> {
        let inputs = ReportInputs {
            picture,
            frames: Some(&self.rows),
        };
        write_files(report::files(&self.measurement, &inputs)?, folder)
    }
}
