//! Tracker: the whole picture once, then only where each tag is expected.

mod state;
mod whole_picture;

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{Point2, Vector2};

use super::recognise::{nearby, recognise, shows_in_part};
use super::search::{SearchResult, SearchWindow, TagSearch};
use crate::clip::{ClipInfo, Frame, GreyImage};
use crate::landmarks::{LandmarkSighting, TagsInFrame};
use crate::tags::error::TagsError;
use crate::tags::pattern_fit::look::Look;
use crate::tags::pattern_fit::pattern::Pattern;
use crate::tags::pattern_fit::quality;
use crate::tags::pattern_fit::refine::{PatternFit, refine};
use crate::tags::pattern_fit::sensor::Sensor;
use crate::tags::pattern_fit::tone::Coding;
use crate::tags::sighting::{DropReason, Dropped, SightedFrame, Sighting};
use crate::vision::Dictionary;

pub use state::TrackerState;
use whole_picture::EARLY_S;

/// A tag may move by this many of its edges between two frames before the window loses it.
const WINDOW_MARGIN: f64 = 1.5;

/// The fit of a tag in a frame, or why there is none.
type FitOrReason = Result<PatternFit, DropReason>;

/// Follows the declared tags from frame to frame.
pub(in crate::tags) struct Tracker {
    search: TagSearch,
    coding: Coding,
    memory: TrackerState,
}

impl Tracker {
    /// Resumes a search.
    pub fn new(memory: TrackerState, clip: &ClipInfo) -> Result<Self, TagsError> {
        Ok(Self {
            search: TagSearch::new()?,
            coding: Coding::of(clip),
            memory,
        })
    }

    /// The state for the next frame.
    pub fn memory(&self) -> &TrackerState {
        &self.memory
    }

    /// Forgets undeclared tags that were seen earlier, for a search without an end.
    pub fn forget_undeclared_before(&mut self, time_s: f64) {
        self.memory.forget_undeclared_before(time_s);
    }

    /// Searches the next frame.
    pub fn see(&mut self, frame: &Frame) -> Result<SightedFrame, TagsError> {
        let mut seen = self.follow_all(frame)?;
        let lost = seen.values().any(Result::is_err);
        let mut whole = None;
        if lost && frame.time_s >= self.memory.next_whole_s - EARLY_S {
            let found = self.search_whole(frame, &mut seen)?;
            self.plan_next_search(frame.time_s, &seen);
            whole = Some(found.candidates);
        }
        let edges_px = seen.values().flatten().map(|fit| fit.edge_px);
        let smallest_px = edges_px.min_by(f64::total_cmp);
        let cards = self
            .memory
            .cards
            .look(frame, &mut self.search, whole, smallest_px)?;
        let strangers = self.memory.cards.take_strangers();
        self.memory.note_undeclared(frame.time_s, strangers.iter());
        let tags = self.tags_in_frame(&seen);
        let landmarks = self
            .memory
            .landmarks
            .follow(frame.time_s, &frame.image, &tags)?;
        Ok(self.note(frame, seen, cards, landmarks))
    }

    /// Follows all tags, those on the airframe first: unpredicted motion of an airframe tag is
    /// camera motion, and moves the others as well.
    fn follow_all(&mut self, frame: &Frame) -> Result<BTreeMap<u32, FitOrReason>, TagsError> {
        let (airframe, others): (Vec<u32>, Vec<u32>) =
            (self.memory.tracks.keys()).partition(|tag_id| self.memory.airframe.contains(tag_id));
        let mut seen = BTreeMap::new();
        let mut unforeseen_px = Vector2::zeros();
        for tag_id in &airframe {
            let fit = self.follow(*tag_id, frame, unforeseen_px)?;
            let track = self.memory.tracks.get(tag_id);
            if let (Ok(fit), Some(track)) = (&fit, track) {
                let tag_px = track.unforeseen_px(frame, &fit.corners_px);
                unforeseen_px = tag_px.unwrap_or(unforeseen_px);
            }
            seen.insert(*tag_id, fit);
        }
        for tag_id in others {
            seen.insert(tag_id, self.follow(tag_id, frame, unforeseen_px)?);
        }
        Ok(seen)
    }

    fn tags_in_frame(&self, seen: &BTreeMap<u32, FitOrReason>) -> TagsInFrame {
        let mut tags = TagsInFrame::default();
        for (tag_id, fit) in seen {
            let Ok(PatternFit { corners_px, .. }) = fit else {
                continue;
            };
            let of_kind = if self.memory.airframe.contains(tag_id) {
                &mut tags.airframe_px
            } else {
                &mut tags.surfaces_px
            };
            of_kind.insert(*tag_id, *corners_px);
        }
        tags
    }

    /// Measures a tag at its predicted place, moved by the unpredicted camera motion.
    fn follow(
        &mut self,
        tag_id: u32,
        frame: &Frame,
        unforeseen_px: Vector2<f64>,
    ) -> Result<Result<PatternFit, DropReason>, TagsError> {
        let (Some(track), Some(sensor)) = (self.memory.tracks.get(&tag_id), &self.memory.sensor)
        else {
            return Ok(Err(DropReason::NotFound));
        };
        let Some(last) = track.last else {
            return Ok(Err(DropReason::NotFound));
        };
        let image = &frame.image;
        let mut reason = DropReason::NotFound;
        let mut fit_from = |start_px: [Point2<f64>; 4]| {
            measured(image, sensor, &track.pattern, &start_px, Some(&last.look))
                .map_err(|why| reason = reason.min(why))
                .ok()
        };
        // From half a cell off the fit often fails, which takes longer than a search.
        let mut predictions = track
            .predictions(frame, unforeseen_px)
            .into_iter()
            .filter_map(|start_px| {
                nearby(image, &start_px, &track.pattern)
                    .or_else(|| shows_in_part(image, &start_px, &track.pattern).then_some(start_px))
            });
        if let Some(fit) = predictions.find_map(&mut fit_from) {
            return Ok(Ok(fit));
        }
        let window = SearchWindow::around(&last.corners_px, WINDOW_MARGIN);
        let found = self.search.window(image, window)?;
        let places = places_of(image, &found, tag_id, &track.pattern);
        if let Some(fit) = places.into_iter().find_map(&mut fit_from) {
            return Ok(Ok(fit));
        }
        if reason == DropReason::NotFound && shows_in_part(image, &last.corners_px, &track.pattern)
        {
            reason = DropReason::PartlyHidden;
        }
        Ok(Err(reason))
    }

    /// Records the frame and the places for the next one.
    fn note(
        &mut self,
        frame: &Frame,
        seen: BTreeMap<u32, FitOrReason>,
        cards: Vec<Sighting>,
        landmarks: Vec<LandmarkSighting>,
    ) -> SightedFrame {
        let mut sightings = cards;
        let mut dropped = Vec::new();
        for (tag_id, result) in seen {
            match result {
                Ok(fit) => {
                    let pictures = self.memory.pictures.entry(tag_id).or_default();
                    pictures.add(fit.picture);
                    if let Some(sensor) = &mut self.memory.sensor {
                        sensor.learn(&fit.mosaic);
                    }
                    if let Some(track) = self.memory.tracks.get_mut(&tag_id) {
                        track.note(frame, &fit);
                    }
                    sightings.push(Sighting {
                        tag_id,
                        corners_px: fit.corners_px,
                        covariance_px2: fit.covariance_px2,
                    });
                }
                Err(reason) => dropped.push(Dropped { tag_id, reason }),
            }
        }
        sightings.sort_by_key(|sighting| sighting.tag_id);
        // Sightings stay in memory for the whole clip: so would spare capacity.
        sightings.shrink_to_fit();
        SightedFrame {
            index: frame.index,
            time_s: frame.time_s,
            sightings,
            dropped,
            landmarks,
        }
    }
}

/// Where a search has seen a tag: decoded by the library, or recognised by its pattern.
fn places_of(
    image: &GreyImage,
    found: &SearchResult,
    tag_id: u32,
    pattern: &Pattern,
) -> Vec<[Point2<f64>; 4]> {
    let decoded = found
        .candidates
        .iter()
        .filter(|c| c.tag_id == tag_id)
        .map(|c| c.corners_px);
    let places: Vec<_> = decoded.collect();
    if !places.is_empty() {
        return places;
    }
    let others = found.other_squares_px.iter();
    others
        .filter_map(|outline_px| recognise(image, outline_px, pattern))
        .collect()
}

/// A fit that is good enough, or why there is none.
fn measured(
    image: &GreyImage,
    sensor: &Sensor,
    pattern: &Pattern,
    start_px: &[Point2<f64>; 4],
    before: Option<&Look>,
) -> Result<PatternFit, DropReason> {
    let fit = refine(image, sensor, pattern, start_px, before)?;
    quality::judge(&fit).map(|()| fit)
}

/// The patterns of tags as officially drawn, by id.
pub(in crate::tags) fn printed_patterns(
    ids: &BTreeSet<u32>,
) -> Result<BTreeMap<u32, Pattern>, TagsError> {
    let printed = |&tag_id: &u32| {
        let cells = Dictionary::official_tag_cells(tag_id)?;
        let pattern = cells.and_then(|cells| Pattern::from_cells(&cells));
        Ok((tag_id, pattern.ok_or(TagsError::NoSuchTag { tag_id })?))
    };
    ids.iter().map(printed).collect()
}
