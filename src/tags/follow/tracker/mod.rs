//! Tracker: the whole picture once, then only where each tag is expected.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{Point2, Vector2};
use serde::{Deserialize, Serialize};

use super::cards::CardWatch;
use super::recognise::{nearby, recognise, shows_in_part};
use super::search::{RoughTag, SearchResult, SearchWindow, TagSearch};
use super::track::Track;
use crate::clip::{ClipInfo, Frame, GreyImage};
use crate::landmarks::{LandmarkSighting, Landmarks, TagsInFrame};
use crate::tags::error::TagsError;
use crate::tags::overview::Overview;
use crate::tags::pattern_fit::pattern::Pattern;
use crate::tags::pattern_fit::picture::PictureSums;
use crate::tags::pattern_fit::refine::{Look, PatternFit, refine};
use crate::tags::pattern_fit::sensor::Sensor;
use crate::tags::pattern_fit::tone::Coding;
use crate::tags::pattern_fit::{quality, sensor_estimate};
use crate::tags::plan::TagPlan;
use crate::tags::sighting::{DropReason, Dropped, SightedFrame, Sighting};
use crate::vision::Dictionary;

/// A tag may move by this many of its edges between two frames before the window loses it.
const WINDOW_MARGIN: f64 = 1.5;

/// Time between two searches of the whole picture while a tag stays lost, s: doubled every time, from
/// the first up to the longest. A picture that comes later than that is always searched.
const FIRST_PAUSE_S: f64 = 1.0 / 15.0;
const LONGEST_PAUSE_S: f64 = 8.0 / 15.0;

/// A picture that comes so little before its time is searched as well, s: times are rounded.
const EARLY_S: f64 = 0.005;

/// Every so many searches of the whole picture one is made in the enlarged picture, from the
/// second on.
const ENLARGED_EVERY: usize = 4;

/// Follows the declared tags from frame to frame.
pub(in crate::tags) struct Tracker {
    search: TagSearch,
    coding: Coding,
    memory: TrackerState,
}

/// The state that a search carries from one frame to the next. A search resumed from it gives the
/// same result as one without interruption.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackerState {
    sensor: Option<Sensor>,
    tracks: BTreeMap<u32, Track>,
    cards: CardWatch,
    /// Tags on the airframe.
    airframe: BTreeSet<u32>,
    landmarks: Landmarks,
    whole_searches: usize,
    pause_s: Option<f64>,
    next_whole_s: f64,
    /// Mean edge of the largest square seen that was no tag.
    pub(in crate::tags) largest_other_square_px: f64,
    /// Times at which tags of the family were seen that are neither followed nor cards.
    pub(in crate::tags) undeclared: BTreeMap<u32, Vec<f64>>,
    /// Pictures of the tags that are followed.
    pictures: BTreeMap<u32, PictureSums>,
}

impl TrackerState {
    /// Before the first frame.
    pub(in crate::tags) fn new(plan: &TagPlan) -> Result<Self, TagsError> {
        let patterns = printed_patterns(&plan.expected)?;
        Ok(Self {
            sensor: None,
            tracks: patterns
                .into_iter()
                .map(|(tag_id, pattern)| (tag_id, Track::new(pattern)))
                .collect(),
            cards: CardWatch::new(printed_patterns(&plan.cards)?),
            airframe: plan.airframe.clone(),
            landmarks: Landmarks::default(),
            whole_searches: 0,
            pause_s: None,
            next_whole_s: f64::MIN,
            largest_other_square_px: 0.0,
            undeclared: BTreeMap::new(),
            pictures: BTreeMap::new(),
        })
    }

    /// Findings of the search besides the sightings.
    pub fn overview(&self) -> Overview {
        let pictures = self.pictures.iter();
        Overview {
            pictures: pictures
                .filter_map(|(&tag_id, sums)| Some((tag_id, sums.mean()?)))
                .collect(),
            undeclared_s: self.undeclared.clone(),
        }
    }

    /// Forgets when undeclared tags were seen before a time, so that a search without an end needs no more
    /// memory than one of a clip.
    pub(in crate::tags) fn forget_undeclared_before(&mut self, time_s: f64) {
        self.undeclared.retain(|_, times_s| {
            times_s.retain(|seen_s| *seen_s >= time_s);
            !times_s.is_empty()
        });
    }

    /// Records the undeclared tags among those just found.
    fn note_undeclared<'a>(&mut self, time_s: f64, found: impl Iterator<Item = &'a RoughTag>) {
        for RoughTag { tag_id, .. } in found {
            if self.tracks.contains_key(tag_id) || self.cards.knows(*tag_id) {
                continue;
            }
            let times_s = self.undeclared.entry(*tag_id).or_default();
            if times_s.last() != Some(&time_s) {
                times_s.push(time_s);
            }
        }
    }
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
    fn follow_all(
        &mut self,
        frame: &Frame,
    ) -> Result<BTreeMap<u32, Result<PatternFit, DropReason>>, TagsError> {
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

    fn tags_in_frame(&self, seen: &BTreeMap<u32, Result<PatternFit, DropReason>>) -> TagsInFrame {
        let mut tags = TagsInFrame::default();
        for (tag_id, fit) in seen {
            let Ok(PatternFit { corners_px, .. }) = fit else {
                continue;
            };
            let of_kind = match self.memory.airframe.contains(tag_id) {
                true => &mut tags.airframe_px,
                false => &mut tags.surfaces_px,
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

    /// Searches the whole picture; enlarged as well now and then, while a tag was never seen.
    fn search_whole(
        &mut self,
        frame: &Frame,
        seen: &mut BTreeMap<u32, Result<PatternFit, DropReason>>,
    ) -> Result<SearchResult, TagsError> {
        let found = self.search.whole(&frame.image)?;
        let largest = found.largest_other_square_px();
        self.memory.largest_other_square_px = self.memory.largest_other_square_px.max(largest);
        let candidates = found.candidates.iter();
        self.memory.note_undeclared(frame.time_s, candidates);
        self.take(&found, frame, seen)?;
        let never_seen = |(id, track): (&u32, &Track)| {
            track.last.is_none() && seen.get(id).is_none_or(Result::is_err)
        };
        if self.memory.whole_searches.is_multiple_of(ENLARGED_EVERY)
            && self.memory.tracks.iter().any(never_seen)
        {
            let enlarged = self.search.whole_enlarged(&frame.image)?;
            self.take(&enlarged, frame, seen)?;
        }
        self.memory.whole_searches += 1;
        Ok(found)
    }

    /// Measures the tags that a search of the whole picture found again.
    fn take(
        &mut self,
        found: &SearchResult,
        frame: &Frame,
        seen: &mut BTreeMap<u32, Result<PatternFit, DropReason>>,
    ) -> Result<(), TagsError> {
        let places: BTreeMap<u32, Vec<[Point2<f64>; 4]>> = self
            .memory
            .tracks
            .iter()
            .map(|(&id, track)| (id, places_of(&frame.image, found, id, &track.pattern)))
            .collect();
        let sensor = match &self.memory.sensor {
            Some(sensor) => sensor,
            None if places.values().all(Vec::is_empty) => return Ok(()),
            None => self.memory.sensor.insert(estimate_sensor(
                &self.memory.tracks,
                &places,
                &frame.image,
                self.coding,
            )),
        };
        for (tag_id, places) in places {
            let (Some(track), Some(entry)) =
                (self.memory.tracks.get(&tag_id), seen.get_mut(&tag_id))
            else {
                continue;
            };
            let fits: Vec<_> = places
                .iter()
                .map(|start_px| measured(&frame.image, sensor, &track.pattern, start_px, None))
                .collect();
            check_single(tag_id, frame, fits.iter().flatten())?;
            if entry.is_err()
                && let Some(best) = fits.into_iter().min_by_key(Result::is_err)
            {
                *entry = best;
            }
        }
        Ok(())
    }

    fn plan_next_search(
        &mut self,
        time_s: f64,
        seen: &BTreeMap<u32, Result<PatternFit, DropReason>>,
    ) {
        let lost = seen.values().any(Result::is_err);
        let longer_s = self
            .memory
            .pause_s
            .map_or(FIRST_PAUSE_S, |pause_s| 2.0 * pause_s);
        self.memory.pause_s = lost.then_some(longer_s.min(LONGEST_PAUSE_S));
        self.memory.next_whole_s = time_s + self.memory.pause_s.unwrap_or(0.0);
    }

    /// Records the frame and the places for the next one.
    fn note(
        &mut self,
        frame: &Frame,
        seen: BTreeMap<u32, Result<PatternFit, DropReason>>,
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

fn estimate_sensor(
    tracks: &BTreeMap<u32, Track>,
    places: &BTreeMap<u32, Vec<[Point2<f64>; 4]>>,
    image: &GreyImage,
    coding: Coding,
) -> Sensor {
    let tags: Vec<_> = places
        .iter()
        .filter_map(|(id, places)| Some((&tracks.get(id)?.pattern, *places.first()?)))
        .collect();
    sensor_estimate::estimate(image, coding, &tags)
}

/// Rejects two good fits of one id at different places.
fn check_single<'a>(
    tag_id: u32,
    frame: &Frame,
    fits: impl Iterator<Item = &'a PatternFit>,
) -> Result<(), TagsError> {
    let fits: Vec<&PatternFit> = fits.collect();
    let Some(first) = fits.first() else {
        return Ok(());
    };
    let apart =
        |fit: &&&PatternFit| (fit.corners_px[0] - first.corners_px[0]).norm() > first.edge_px / 2.0;
    match fits.iter().find(apart) {
        None => Ok(()),
        Some(second) => Err(TagsError::SameIdTwice {
            tag_id,
            time_s: frame.time_s,
            places_px: [first.corners_px[0], second.corners_px[0]],
        }),
    }
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
