//! One guided calibration.

use nalgebra::Point2;

use super::super::calibration::{
    ALIKE_SHARE, BLUR_LIMIT, Board, BoardFinder, BoardSighting, BoardView, CalibrateOptions,
    CalibrationError, CharucoLayout, GOOD_U_DEG, NoView, distance_px, usual_blur_px,
};
use super::asking;
use super::check::CHECK_VIEWS;
use super::knowledge::{Information, Knowledge};
use super::missing::views_help;
use super::outlines::Asked;
use super::placing::placed;
use super::reason::{NotKept, NotSeen};
use super::search::Search;
use super::standing::Phase;
use super::stillness::{Motion, Stillness};
use super::work::{Done, Fit, Job, Work, Worked};
use crate::camera::CameraProfile;
use crate::clip::GreyImage;
use crate::vision::VisionError;

/// Blur of a first view, px (standard deviation), that is too much: an edge is then twelve pixels wide
/// (common practice, no source). Later views are compared with those before.
const LARGEST_BLUR_PX: f64 = 3.0;
/// Part of the gain of the best pose that a view must bring once there is a fit. Below it, ten views of
/// the kind do not replace one that follows the outline.
const LITTLE_GAIN: f64 = 0.1;

/// What a kept view is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// The fit.
    Fit,
    /// The check: never fitted.
    Check,
}

/// A kept view.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    /// Its number, from 1, in the order of keeping; that of a view taken back is given again.
    pub number: usize,
    /// What it is for.
    pub part: Part,
}

impl Kept {
    /// The name for its picture. Names sort in the order of keeping.
    pub fn file_name(&self) -> String {
        format!("view-{:03}.png", self.number)
    }
}

/// What a picture showed.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// Crossings that were measured, px.
    pub crossings_px: Vec<Point2<f64>>,
    /// What became of it.
    pub outcome: Outcome,
}

/// What became of a picture.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// It does not show the board.
    NotSeen(NotSeen),
    /// It shows the board, and is not kept.
    NotKept(NotKept),
    /// It is kept.
    Kept(Kept),
}

/// A picture that cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum GuidanceError {
    /// Another size than before: another mode of the camera.
    #[error("the picture is {found:?} px in size, those before were {before:?} px")]
    OtherSize {
        /// Width and height now.
        found: (usize, usize),
        /// Width and height of the kept views.
        before: (usize, usize),
    },
    /// Fewer or more code values than pixels, or hardly any pixels.
    #[error("a picture of {size_px:?} px with {values} code values is damaged or too small")]
    Damaged {
        /// Width and height claimed.
        size_px: (usize, usize),
        /// Code values that came.
        values: usize,
    },
    /// The vision library failed.
    #[error(transparent)]
    Vision(#[from] VisionError),
}

impl GuidanceError {
    /// What to do about it.
    pub fn mend(&self) -> &'static str {
        match self {
            Self::OtherSize { .. } => {
                "a profile is for one mode: go back to the size before, or begin again"
            }
            Self::Damaged { .. } => "send whole pictures of at least 64 × 64 pixels",
            Self::Vision(_) => "try another picture; if it fails again, report it",
        }
    }
}

/// Smallest side of a picture, px.
const SMALLEST_SIDE_PX: usize = 64;

/// A view with what it is for.
pub(super) struct KeptView {
    pub kept: Kept,
    pub view: BoardView,
}

/// A calibration while the camera runs.
pub struct Guidance {
    pub(super) board: Board,
    finder: BoardFinder,
    pub(super) size_px: Option<(usize, usize)>,
    layout: Option<CharucoLayout>,
    stillness: Stillness,
    search: Search,
    pub(super) kept: Vec<KeptView>,
    /// The view that was taken back last, until the board leaves its place.
    taken_back: Option<BoardView>,
    knowledge: Option<Knowledge>,
    pub(super) asked: Option<Asked>,
    pub(super) fit: Option<Result<Box<Fit>, CalibrationError>>,
    /// Counts changes of the kept views: as many as are kept, handed out as work, and settled.
    round: u64,
    handed_out: u64,
    settled: u64,
}

impl Guidance {
    /// A guided calibration with a board.
    ///
    /// # Errors
    /// There can be no such board.
    pub fn new(board: Board) -> Result<Self, CalibrationError> {
        board.check()?;
        Ok(Self {
            finder: BoardFinder::new(board)?,
            board,
            size_px: None,
            layout: None,
            stillness: Stillness::default(),
            search: Search::default(),
            kept: Vec::new(),
            taken_back: None,
            knowledge: None,
            asked: None,
            fit: None,
            round: 0,
            handed_out: 0,
            settled: 0,
        })
    }

    /// Looks at the next picture. Times are seconds of the capture, from any origin.
    ///
    /// # Errors
    /// The picture cannot be used.
    pub fn look(&mut self, time_s: f64, image: &GreyImage) -> Result<Look, GuidanceError> {
        let size_px = (image.width_px, image.height_px);
        let values = image.pixels.len();
        if size_px.0.min(size_px.1) < SMALLEST_SIDE_PX
            || size_px.0.checked_mul(size_px.1) != Some(values)
        {
            return Err(GuidanceError::Damaged { size_px, values });
        }
        self.begin(size_px)?;
        let found = self.finder.look("", image)?;
        let look = self.see(time_s, size_px, found)?;
        if let Outcome::NotSeen(not_seen) = &look.outcome {
            self.search.missed(time_s, &not_seen.no_view, image);
        }
        Ok(look)
    }

    /// The same for a picture in which the board was already looked for.
    ///
    /// # Errors
    /// The picture has another size than the kept views.
    pub fn see(
        &mut self,
        time_s: f64,
        size_px: (usize, usize),
        found: Result<BoardSighting, NoView>,
    ) -> Result<Look, GuidanceError> {
        self.begin(size_px)?;
        let sighting = match found {
            Ok(sighting) => sighting,
            Err(no_view) => {
                let seen = self.search.seen().cloned();
                let outcome = Outcome::NotSeen(NotSeen { no_view, seen });
                return Ok(Look {
                    crossings_px: Vec::new(),
                    outcome,
                });
            }
        };
        self.search.found();
        let points = sighting.view.points.iter();
        Ok(Look {
            crossings_px: points.map(|point| point.in_image_px).collect(),
            outcome: match self.why_not(time_s, &sighting, size_px) {
                Some(why) => Outcome::NotKept(why),
                None => Outcome::Kept(self.keep(sighting)),
            },
        })
    }

    fn begin(&mut self, size_px: (usize, usize)) -> Result<(), GuidanceError> {
        match self.size_px {
            Some(before) if before == size_px => return Ok(()),
            Some(before) if !self.kept.is_empty() => {
                let found = size_px;
                return Err(GuidanceError::OtherSize { found, before });
            }
            _ => {}
        }
        self.size_px = Some(size_px);
        self.stillness = Stillness::default();
        self.learn();
        Ok(())
    }

    /// Why a view is not kept; `None` if it is to be.
    fn why_not(
        &mut self,
        time_s: f64,
        sighting: &BoardSighting,
        (width_px, _): (usize, usize),
    ) -> Option<NotKept> {
        let motion = self.stillness.look(time_s, &sighting.view, width_px);
        if self.phase() == Phase::Done {
            return Some(NotKept::Done);
        }
        let alike_px = ALIKE_SHARE * width_px as f64;
        let is_alike = |view: &BoardView| {
            distance_px(view, &sighting.view).is_some_and(|apart_px| apart_px < alike_px)
        };
        if self.taken_back.as_ref().is_some_and(is_alike) {
            return Some(NotKept::TakenBack);
        }
        self.taken_back = None;
        match motion {
            Motion::Moving => Some(NotKept::Moving),
            _ if self.kept.iter().any(|kept| is_alike(&kept.view)) => Some(NotKept::Alike),
            Motion::Resting => Some(NotKept::Resting),
            Motion::Still if !self.kept.is_empty() && sighting.layout != self.layout => {
                Some(NotKept::OtherLayout)
            }
            Motion::Still if self.awaits_check() => Some(NotKept::Checking),
            Motion::Still if sighting.view.blur_px > self.blur_limit_px() => Some(NotKept::Blurred),
            Motion::Still if self.helps_little(&sighting.view) => Some(NotKept::HelpsLittle),
            Motion::Still => None,
        }
    }

    fn blur_limit_px(&self) -> f64 {
        let blurs_px = self.kept.iter().map(|kept| kept.view.blur_px);
        usual_blur_px(blurs_px).map_or(LARGEST_BLUR_PX, |usual_px| BLUR_LIMIT * usual_px)
    }

    /// Whether a view for the fit would bring hardly anything beside the pose that is asked for.
    fn helps_little(&self, view: &BoardView) -> bool {
        let (Phase::Fit, Some(Ok(fit)), Some(knowledge)) =
            (self.phase(), &self.fit, &self.knowledge)
        else {
            return false;
        };
        // Once the uncertainty is small enough, any other place is as welcome.
        if fit.verdict.u_of_30_deg <= GOOD_U_DEG {
            return false;
        }
        let best = self.asked.as_ref().map_or(0.0, |asked| asked.gain);
        let gain = information(knowledge, view).and_then(|added| knowledge.gain(&added));
        gain.is_some_and(|gain| gain < LITTLE_GAIN * best)
    }

    fn keep(&mut self, sighting: BoardSighting) -> Kept {
        let part = match self.phase() {
            Phase::Check => Part::Check,
            Phase::Fit | Phase::Done => Part::Fit,
        };
        let number = self.kept.last().map_or(0, |last| last.kept.number) + 1;
        let kept = Kept { number, part };
        if self.kept.is_empty() {
            self.layout = sighting.layout;
        }
        let view = BoardView {
            name: kept.file_name(),
            ..sighting.view
        };
        if let (Part::Fit, Some(knowledge)) = (part, &mut self.knowledge)
            && let Some(added) = information(knowledge, &view)
        {
            knowledge.add(&added);
        }
        self.kept.push(KeptView {
            kept: kept.clone(),
            view,
        });
        self.round += 1;
        self.ask();
        kept
    }

    /// Takes the last kept view back; its picture is to be deleted.
    pub fn undo(&mut self) -> Option<Kept> {
        let last = self.kept.pop()?;
        self.taken_back = Some(last.view);
        // The fit was made with it.
        self.fit = None;
        self.round += 1;
        self.learn();
        Some(last.kept)
    }

    /// Work that is due and was not handed out yet.
    pub fn work(&mut self) -> Option<Work> {
        let size_px = self.size_px?;
        if self.handed_out < self.round {
            self.handed_out = self.round;
            let fitted: Vec<BoardView> = self.views(Part::Fit).cloned().collect();
            if fitted.len() >= CalibrateOptions::default().fewest_views {
                return Some(Work(Job::Fit {
                    round: self.round,
                    fitted,
                    left_out: self.views(Part::Check).cloned().collect(),
                    size_px,
                }));
            }
            self.settled = self.round;
        }
        let (no_view, picture) = self.search.take_undiagnosed()?;
        Some(Work(Job::Diagnosis {
            board: self.board,
            no_view,
            picture,
        }))
    }

    /// Takes in what work found. Work on views that have changed since is passed over.
    pub fn settle(&mut self, done: Done) {
        match done.0 {
            Worked::Diagnosis(seen) => self.search.diagnosed(seen.ok()),
            Worked::Fit { round, fit } if round == self.round => {
                self.settled = round;
                self.fit = Some(fit);
                self.learn();
            }
            Worked::Fit { .. } => {}
        }
    }

    /// What the kept views say, from the best camera that is known.
    fn learn(&mut self) {
        let Some(size_px) = self.size_px else { return };
        self.knowledge = match &self.fit {
            Some(Ok(fit)) => Knowledge::of_fit(&fit.calibration),
            _ => Knowledge::before_views(size_px),
        };
        if let Some(knowledge) = &mut self.knowledge {
            for kept in &self.kept {
                if kept.kept.part == Part::Fit
                    && let Some(added) = information(knowledge, &kept.view)
                {
                    knowledge.add(&added);
                }
            }
        }
        self.ask();
    }

    fn ask(&mut self) {
        self.asked = match (&self.knowledge, self.size_px) {
            (Some(knowledge), Some(size_px)) => asking::next(self, knowledge, size_px),
            _ => None,
        };
    }

    /// What is being done.
    pub(super) fn phase(&self) -> Phase {
        let Some(Ok(fit)) = &self.fit else {
            return Phase::Fit;
        };
        if fit.verdict.objections.iter().any(views_help) {
            return Phase::Fit;
        }
        match fit.check {
            Some(check) if check.agrees() => Phase::Done,
            Some(_) => Phase::Fit,
            None => Phase::Check,
        }
    }

    /// Whether all views of the check are there, and their result is not.
    fn awaits_check(&self) -> bool {
        self.phase() == Phase::Check && self.count(Part::Check) >= CHECK_VIEWS
    }

    pub(super) fn count(&self, part: Part) -> usize {
        self.views(part).count()
    }

    pub(super) fn views(&self, part: Part) -> impl Iterator<Item = &BoardView> {
        let of_part = self.kept.iter().filter(move |kept| kept.kept.part == part);
        of_part.map(|kept| &kept.view)
    }

    pub(super) fn is_behind(&self) -> bool {
        self.settled < self.round
    }

    /// The profile of the views of the fit; `None` before there is one, and while work on them is due.
    pub fn profile(&self, name: &str) -> Option<CameraProfile> {
        match &self.fit {
            Some(Ok(fit)) if !self.is_behind() => Some(fit.calibration.profile(name)),
            _ => None,
        }
    }
}

fn information(knowledge: &Knowledge, view: &BoardView) -> Option<Information> {
    let pose = placed(&knowledge.camera, view)?.camera_from_board;
    let points = view.points.iter().map(|point| point.on_board_mm);
    knowledge.of_view(&pose, points)
}
