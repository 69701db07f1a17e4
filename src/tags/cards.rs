//! Cards: watches which station card the camera is shown.
//!
//! A card only says a number, so it need not be measured: it is looked for ten times a second
//! where cards were last seen. The whole picture is searched three times a second while none is in
//! sight or a new one appears, and once a second otherwise: a second card elsewhere would
//! contradict the first. Cards are hardly smaller than the tags on the aircraft, and all of one
//! size, so most of these searches look at a reduced picture.

use std::collections::BTreeSet;

use super::search::{Candidate, QUICK_FROM_PX, Search, Window};
use super::{CornerCovariance, Sighting, TagsError};
use crate::clip::Frame;
use crate::geometry::quadrilateral::mean_edge;

/// Pause between two looks at the places of the last cards.
const LOOK_EVERY_S: f64 = 0.1;

/// Pause between two searches of the whole picture while no card is in sight, or a new one is.
const SEARCH_EVERY_S: f64 = 0.3;

/// Pause between two searches of the whole picture while the same cards are in sight: holds last
/// about a second.
const SECOND_CARD_EVERY_S: f64 = 1.0;

/// Until a card is seen, every so many searches of the whole picture look for cards that are smaller
/// than the tags.
const THOROUGH_EVERY: usize = 4;

/// The picture is reduced at most this much: the library has lost nearly all of its work by then.
const MOST_REDUCTION: usize = 4;

/// Room left around the place of a card, in edges of the card.
const ROOM: f64 = 1.0;

/// The library's corners are good to about a pixel.
const CORNER_SD_PX: f64 = 1.0;

pub(super) struct CardWatch {
    ids: BTreeSet<u32>,
    in_sight: Vec<Candidate>,
    /// Cards that were in the whole picture when it was last searched.
    in_whole: BTreeSet<u32>,
    looked_s: f64,
    searched_s: f64,
    searches: usize,
    /// Mean edge of the smallest card seen so far.
    smallest_px: Option<f64>,
}

impl CardWatch {
    pub fn new(ids: BTreeSet<u32>) -> Self {
        Self {
            ids,
            in_sight: Vec::new(),
            in_whole: BTreeSet::new(),
            looked_s: f64::MIN,
            searched_s: f64::MIN,
            searches: 0,
            smallest_px: None,
        }
    }

    /// Whether a tag is one of the cards.
    pub fn knows(&self, tag_id: u32) -> bool {
        self.ids.contains(&tag_id)
    }

    /// The cards in a frame; `whole` is what a search of the whole picture has just brought, if
    /// one was made, and `tag_edge_px` the mean edge of the smallest tag in sight, if there is one.
    pub fn look(
        &mut self,
        frame: &Frame,
        search: &mut Search,
        whole: Option<Vec<Candidate>>,
        tag_edge_px: Option<f64>,
    ) -> Result<Vec<Sighting>, TagsError> {
        let too_early = frame.time_s < self.looked_s + LOOK_EVERY_S;
        if self.ids.is_empty() || (whole.is_none() && too_early) {
            return Ok(Vec::new());
        }
        self.looked_s = frame.time_s;
        let found = match whole {
            Some(candidates) => self.take_search(frame, candidates),
            None => self.look_at_places(frame, search, tag_edge_px)?,
        };
        if !found.is_empty() {
            self.in_sight.clone_from(&found);
        }
        let edges_px = found.iter().map(|card| mean_edge(&card.corners_px));
        self.smallest_px = edges_px.chain(self.smallest_px).min_by(f64::total_cmp);
        Ok(found.iter().map(sighting).collect())
    }

    /// The cards where they were last seen, or in the whole picture when that is due.
    fn look_at_places(
        &mut self,
        frame: &Frame,
        search: &mut Search,
        tag_edge_px: Option<f64>,
    ) -> Result<Vec<Candidate>, TagsError> {
        let mut found = Vec::new();
        for card in &self.in_sight {
            let place = Window::around(&card.corners_px, ROOM);
            found.extend(search.window(&frame.image, place)?.candidates);
        }
        let found = self.cards_of(found);
        let known = |card: &Candidate| self.in_whole.contains(&card.tag_id);
        let pause_s = if !found.is_empty() && found.iter().all(known) {
            SECOND_CARD_EVERY_S
        } else {
            SEARCH_EVERY_S
        };
        if frame.time_s < self.searched_s + pause_s {
            return Ok(found);
        }
        let whole = match self.reduction(tag_edge_px) {
            Some(factor) => search.whole_reduced(&frame.image, factor)?,
            None => search.whole(&frame.image)?,
        };
        let mut candidates = whole.candidates;
        candidates.extend(found);
        Ok(self.take_search(frame, candidates))
    }

    /// By how much the picture may be reduced so that cards are still found; `None` where they may
    /// be too small for that.
    fn reduction(&self, tag_edge_px: Option<f64>) -> Option<usize> {
        if self.smallest_px.is_none() && self.searches.is_multiple_of(THOROUGH_EVERY) {
            return None;
        }
        let edges_px = tag_edge_px.into_iter().chain(self.smallest_px);
        let factor = (edges_px.min_by(f64::total_cmp)? / QUICK_FROM_PX) as usize;
        (factor > 1).then(|| factor.min(MOST_REDUCTION))
    }

    fn take_search(&mut self, frame: &Frame, candidates: Vec<Candidate>) -> Vec<Candidate> {
        let found = self.cards_of(candidates);
        self.searched_s = frame.time_s;
        self.searches += 1;
        self.in_whole = found.iter().map(|card| card.tag_id).collect();
        found
    }

    /// The declared cards, by id, each once.
    fn cards_of(&self, mut candidates: Vec<Candidate>) -> Vec<Candidate> {
        candidates.retain(|candidate| self.ids.contains(&candidate.tag_id));
        candidates.sort_by_key(|candidate| candidate.tag_id);
        candidates.dedup_by_key(|candidate| candidate.tag_id);
        candidates
    }
}

fn sighting(candidate: &Candidate) -> Sighting {
    Sighting {
        tag_id: candidate.tag_id,
        corners_px: candidate.corners_px,
        covariance_px2: CornerCovariance::identity() * CORNER_SD_PX.powi(2),
    }
}
