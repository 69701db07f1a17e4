//! A live session: what happens to a frame.

use std::collections::VecDeque;

use nalgebra::Vector2;

use super::error::LiveError;
use super::holds::{Hold, Level};
use super::input::{LiveFrame, LiveOptions};
use super::learner::Learner;
use super::measuring::Measuring;
use super::peaks::Peaks;
use super::state::LiveState;
use super::stations::Stations;
use super::store::Store;
use crate::camera::CameraProfile;
use crate::clip::{ClipInfo, Frame, Levels};
use crate::functions::Wanted;
use crate::geometry::quadrilateral;
use crate::model_file::ModelFile;
use crate::motion::MotionError;
use crate::tags::{FrameSearch, SightedFrame, TagPlan, TagsError};

/// The newest frames are at hand for so long, s.
const RECENT_S: f64 = 1.5;
/// A surface moves, before any fit, if its tag goes further than this against the airframe's, px, …
const MOVES_PX: f64 = 1.0;
/// … within this time, s.
const MOVES_WITHIN_S: f64 = 0.4;
/// A frame is at rest, for the store, if it ends a rest of this length, s.
const RESTING_S: f64 = 0.15;

/// The search, once the size of the pictures is known.
pub(super) struct Input {
    pub clip: ClipInfo,
    pub profile: CameraProfile,
    pub search: FrameSearch,
}

/// A live session.
pub struct LiveSession {
    /// As declared.
    pub(super) declared: ModelFile,
    /// The surfaces, match groups and stations that are measured.
    pub(super) model: ModelFile,
    /// The tags of that model.
    plan: TagPlan,
    profile: CameraProfile,
    pub(super) options: LiveOptions,
    pub(super) input: Option<Input>,
    next_index: usize,
    pub(super) learner: Learner,
    /// Time and frames with motion when a fit was asked for.
    pub(super) asked_s: f64,
    pub(super) asked_moved: usize,
    pub(super) fits: usize,
    /// Why the newest fit failed, if it did.
    pub(super) no_fit: Option<MotionError>,
    pub(super) store: Store,
    pub(super) recent: VecDeque<SightedFrame>,
    pub(super) measuring: Option<Measuring>,
    pub(super) holds: Vec<Hold>,
    /// The newest hold still goes on.
    pub(super) holding: bool,
    pub(super) at_rest: bool,
    /// First and last time of the present rest, s.
    pub(super) rest_s: Option<[f64; 2]>,
    /// The present rest was kept.
    pub(super) rest_kept: bool,
    /// The rest that was kept or taken back last, until the surfaces leave it; a new hold begins elsewhere.
    pub(super) left_from: Option<Level>,
    pub(super) stations: Stations,
    pub(super) automatic: bool,
    /// A rest waits for its station.
    pub(super) waits_for_station: bool,
    /// Neutral as the person has set it.
    pub(super) neutral: Option<Level>,
    /// The first whole frame of the first fit.
    pub(super) start: Option<Level>,
    pub(super) peaks: Peaks,
    pub(super) twice: Option<u32>,
    pub(super) state: LiveState,
}

impl LiveSession {
    /// Begins a session.
    ///
    /// # Errors
    /// [`LiveError::Tags`] for an id that the family does not hold; [`LiveError::Functions`] for an unknown
    /// function; [`LiveError::NoWorker`].
    pub fn begin(
        model: ModelFile,
        profile: CameraProfile,
        options: LiveOptions,
    ) -> Result<Self, LiveError> {
        let names: Vec<String> = options.function.iter().cloned().collect();
        let wanted = Wanted::of(&model, &names)?;
        let candidates = wanted.candidates(&model);
        let of_function = wanted.known(&candidates).pop().unwrap_or(candidates);
        let plan = TagPlan::of(&of_function);
        // An id that the family does not hold is found now, and not with the first frame.
        FrameSearch::check(&plan)?;
        let mut session = Self {
            stations: Stations::of(&of_function),
            state: LiveState::before(&of_function),
            learner: Learner::begin(options.refits)?,
            declared: model,
            model: of_function,
            plan,
            profile,
            options,
            input: None,
            next_index: 0,
            asked_s: f64::MIN,
            asked_moved: 0,
            fits: 0,
            no_fit: None,
            store: Store::default(),
            recent: VecDeque::new(),
            measuring: None,
            holds: Vec::new(),
            holding: false,
            at_rest: false,
            rest_s: None,
            rest_kept: false,
            left_from: None,
            automatic: true,
            waits_for_station: false,
            neutral: None,
            start: None,
            peaks: Peaks::default(),
            twice: None,
        };
        session.refresh();
        Ok(session)
    }

    /// Takes the next frame and returns the state after it.
    ///
    /// # Errors
    /// For a picture of another size or range, and for a time that is not later; the session stays as it was.
    pub fn frame(&mut self, frame: LiveFrame) -> Result<LiveState, LiveError> {
        self.check(&frame)?;
        let sighted = self.search(Frame {
            index: self.next_index,
            time_s: frame.time_s,
            image: frame.luma,
        })?;
        Ok(self.take(sighted))
    }

    /// The same for a frame whose tags were found before, in a picture of the profile's size.
    ///
    /// # Errors
    /// For a time that is not later; the session stays as it was.
    pub fn sighted(&mut self, mut sighted: SightedFrame) -> Result<LiveState, LiveError> {
        self.check_time(sighted.time_s)?;
        if self.input.is_none() {
            let size_px = [self.profile.width_px, self.profile.height_px];
            self.open_input(size_px, Levels::FULL)?;
        }
        sighted.index = self.next_index;
        Ok(self.take(sighted))
    }

    fn take(&mut self, sighted: SightedFrame) -> LiveState {
        if let Some(answer) = self.learner.answer() {
            self.adopt(answer);
        }
        let time_s = sighted.time_s;
        self.next_index += 1;
        self.state.time_s = Some(time_s);
        self.recent.push_back(sighted.clone());
        while (self.recent.front()).is_some_and(|oldest| oldest.time_s < time_s - RECENT_S) {
            self.recent.pop_front();
        }
        self.measure(&sighted);
        if self.is_of_use() {
            let moves = self.moves(&sighted);
            self.store.add(&sighted, moves);
        }
        self.ask_for_fit(time_s);
        self.refresh();
        self.state()
    }

    /// The state after the newest frame.
    pub fn state(&self) -> LiveState {
        self.state.clone()
    }

    fn check(&mut self, frame: &LiveFrame) -> Result<(), LiveError> {
        let LiveFrame {
            time_s,
            luma,
            levels,
        } = frame;
        let (width_px, height_px) = (luma.width_px, luma.height_px);
        let pixels = width_px.checked_mul(height_px);
        if pixels != Some(luma.pixels.len()) || luma.pixels.is_empty() {
            return Err(LiveError::NotAPicture {
                width_px,
                height_px,
                bytes: luma.pixels.len(),
            });
        }
        self.check_time(*time_s)?;
        if let Some(Input { clip, .. }) = &self.input {
            let size_px = [clip.width_px, clip.height_px];
            if size_px != [width_px, height_px] {
                return Err(LiveError::SizeChanged {
                    from_px: size_px,
                    to_px: [width_px, height_px],
                });
            }
            return match clip.levels == *levels {
                true => Ok(()),
                false => Err(LiveError::RangeChanged),
            };
        }
        self.open_input([width_px, height_px], *levels)
    }

    fn check_time(&self, time_s: f64) -> Result<(), LiveError> {
        let last_s = self.state.time_s.unwrap_or(f64::NEG_INFINITY);
        match time_s.is_finite() && time_s > last_s {
            true => Ok(()),
            false => Err(LiveError::NotLater { time_s, last_s }),
        }
    }

    /// Begins the search in pictures of this size.
    fn open_input(
        &mut self,
        [width_px, height_px]: [usize; 2],
        levels: Levels,
    ) -> Result<(), LiveError> {
        let clip = ClipInfo {
            path: self.options.source.clone(),
            width_px,
            height_px,
            levels,
            transfer: self.options.transfer,
            lines: self.options.lines,
            claimed_frames: None,
        };
        self.input = Some(Input {
            profile: self.profile.for_picture(width_px, height_px)?,
            search: FrameSearch::begin(&self.plan, &clip)?,
            clip,
        });
        Ok(())
    }

    /// The tags of a frame; none where one of them is in the picture twice.
    fn search(&mut self, frame: Frame) -> Result<SightedFrame, LiveError> {
        let empty = SightedFrame::without_tags(&frame);
        let Some(input) = &mut self.input else {
            return Ok(empty);
        };
        match input.search.see(&frame) {
            Ok(sighted) => {
                self.twice = None;
                Ok(sighted)
            }
            Err(TagsError::SameIdTwice { tag_id, .. }) => {
                self.twice = Some(tag_id);
                Ok(empty)
            }
            Err(error) => Err(error.into()),
        }
    }

    pub(super) fn largest_other_square_px(&self) -> f64 {
        let search = self.input.as_ref().map(|input| &input.search);
        search.map_or(0.0, FrameSearch::largest_other_square_px)
    }

    /// Tags in the picture that are not declared, as far as they were seen in the last moments.
    pub(super) fn undeclared(&self) -> Vec<u32> {
        let Some(input) = &self.input else {
            return vec![];
        };
        let recent_s = self.state.time_s.unwrap_or(0.0) - RECENT_S;
        input.search.undeclared_since(recent_s)
    }

    /// Settles the newest frame, and looks for rests.
    fn measure(&mut self, sighted: &SightedFrame) {
        self.at_rest = false;
        self.waits_for_station = false;
        let Some(measuring) = &mut self.measuring else {
            return;
        };
        measuring.look(sighted);
        let rest = measuring.rest();
        let learned = measuring.learned();
        if let Some(figures) = &measuring.figures {
            self.peaks.note(sighted, figures, &learned);
        }
        self.follow_rest(rest, sighted);
    }

    /// Whether a frame may become part of a fit.
    fn is_of_use(&self) -> bool {
        self.measuring
            .as_ref()
            .is_none_or(|measuring| measuring.watch.is_of_use())
    }

    /// Whether surfaces move in the newest frame: as the figures have it, else by their tags against the airframe's.
    fn moves(&self, sighted: &SightedFrame) -> bool {
        if let Some(measuring) = &self.measuring
            && measuring.figures.is_some()
            && measuring.surfaces.iter().all(Option::is_some)
        {
            let first = measuring.series.front().map(|it| it.time_s);
            let known_for_s = first.map_or(0.0, |first_s| sighted.time_s - first_s);
            let rests = self
                .rest_s
                .is_some_and(|[from_s, to_s]| to_s >= sighted.time_s && to_s - from_s >= RESTING_S);
            return known_for_s < RESTING_S || !rests;
        }
        let since_s = sighted.time_s - MOVES_WITHIN_S;
        let Some(before) = self.recent.iter().find(|frame| frame.time_s >= since_s) else {
            return true;
        };
        let centre = |frame: &SightedFrame, tag_id: u32| {
            let seen = frame.sighting(tag_id)?;
            Some(quadrilateral::centre(&seen.corners_px))
        };
        let shift = |tag_id: &u32| Some(centre(sighted, *tag_id)? - centre(before, *tag_id)?);
        let airframe: Vec<_> = self.plan.airframe.iter().filter_map(shift).collect();
        let all = airframe.iter().sum::<Vector2<f64>>() / airframe.len().max(1) as f64;
        let surfaces = self.plan.expected.difference(&self.plan.airframe);
        let mut moved = surfaces.filter_map(shift).map(|shift| (shift - all).norm());
        moved.any(|moved_px| moved_px > MOVES_PX)
    }
}
