//! A search of single frames, without an end: the same as that of a clip.

use super::follow::tracker::{Tracker, TrackerState};
use super::{Overview, SightedFrame, TagPlan, TagsError};
use crate::clip::{ClipInfo, Frame};

/// How long undeclared tags stay in the overview, s.
const UNDECLARED_FOR_S: f64 = 60.0;

/// Searches frames one by one, as [`super::sight`] does those of a clip.
pub struct FrameSearch {
    tracker: Tracker,
}

impl FrameSearch {
    /// A search for these tags before its first frame.
    ///
    /// # Errors
    /// [`TagsError::NoSuchTag`] for an id that the family does not hold.
    pub fn begin(plan: &TagPlan, clip: &ClipInfo) -> Result<Self, TagsError> {
        Ok(Self {
            tracker: Tracker::new(TrackerState::new(plan)?, clip)?,
        })
    }

    /// Whether tags can be searched for, before the first frame.
    ///
    /// # Errors
    /// As [`FrameSearch::begin`].
    pub fn check(plan: &TagPlan) -> Result<(), TagsError> {
        TrackerState::new(plan).map(|_| ())
    }

    /// Searches the next frame; indices rise by one from frame to frame.
    ///
    /// # Errors
    /// [`TagsError::SameIdTwice`], and errors of the vision library. The search can go on.
    pub fn see(&mut self, frame: &Frame) -> Result<SightedFrame, TagsError> {
        self.tracker
            .forget_undeclared_before(frame.time_s - UNDECLARED_FOR_S);
        self.tracker.see(frame)
    }

    /// What the search found besides the sightings; undeclared tags of the last minute.
    pub fn overview(&self) -> Overview {
        self.tracker.memory().overview()
    }

    /// Tags seen since a time that are neither followed nor cards, rising.
    pub fn undeclared_since(&self, since_s: f64) -> Vec<u32> {
        let seen = self.tracker.memory().undeclared.iter();
        let recent = seen.filter(|(_, times_s)| times_s.last().is_some_and(|it| *it >= since_s));
        recent.map(|(tag_id, _)| *tag_id).collect()
    }

    /// Mean edge of the largest square seen so far that was no tag, px; 0 if there was none.
    pub fn largest_other_square_px(&self) -> f64 {
        self.tracker.memory().largest_other_square_px
    }
}
