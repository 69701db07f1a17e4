//! Searches of the whole picture while a tag is lost, and the pauses between them.

use std::collections::BTreeMap;

use nalgebra::Point2;

use super::{FitOrReason, Tracker, measured, places_of};
use crate::clip::{Frame, GreyImage};
use crate::tags::error::TagsError;
use crate::tags::follow::search::SearchResult;
use crate::tags::follow::track::Track;
use crate::tags::pattern_fit::refine::PatternFit;
use crate::tags::pattern_fit::sensor::Sensor;
use crate::tags::pattern_fit::sensor_estimate;
use crate::tags::pattern_fit::tone::Coding;

/// Time between two searches of the whole picture while a tag stays lost, s. It doubles each time, from
/// the first to the longest. A picture after a longer gap is always searched.
const FIRST_PAUSE_S: f64 = 1.0 / 15.0;
const LONGEST_PAUSE_S: f64 = 8.0 / 15.0;

/// A picture this little before its time is searched as well, s: times are rounded.
pub(super) const EARLY_S: f64 = 0.005;

/// One of so many searches of the whole picture is made in the enlarged picture as well.
const ENLARGED_EVERY: usize = 4;

impl Tracker {
    /// Searches the whole picture; enlarged as well now and then, while a tag was never seen.
    pub(super) fn search_whole(
        &mut self,
        frame: &Frame,
        seen: &mut BTreeMap<u32, FitOrReason>,
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
        seen: &mut BTreeMap<u32, FitOrReason>,
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

    /// Plans the time of the next search of the whole picture.
    pub(super) fn plan_next_search(&mut self, time_s: f64, seen: &BTreeMap<u32, FitOrReason>) {
        let lost = seen.values().any(Result::is_err);
        let longer_s = self
            .memory
            .pause_s
            .map_or(FIRST_PAUSE_S, |pause_s| 2.0 * pause_s);
        self.memory.pause_s = lost.then_some(longer_s.min(LONGEST_PAUSE_S));
        self.memory.next_whole_s = time_s + self.memory.pause_s.unwrap_or(0.0);
    }
}

/// The sensor from the tags that were just found.
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
