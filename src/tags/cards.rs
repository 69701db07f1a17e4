//! Cards: watches which station card the camera is shown.
//!
//! A card only says a number, so it need not be measured: it is looked for ten times a second
//! where it was last seen, and three times a second everywhere while none is in sight.

use std::collections::BTreeSet;

use super::search::{Candidate, Search, Window};
use super::{CornerCovariance, Sighting, TagsError};
use crate::clip::Frame;

/// Pause between two looks at the place of the last card.
const LOOK_EVERY_S: f64 = 0.1;

/// Pause between two looks at the whole picture while no card is in sight.
const SEARCH_EVERY_S: f64 = 0.3;

/// Room left around the place of the last card, in edges of the card.
const ROOM: f64 = 1.0;

/// The library's corners are good to about a pixel.
const CORNER_SD_PX: f64 = 1.0;

pub(super) struct CardWatch {
    ids: BTreeSet<u32>,
    place: Option<Window>,
    next_look_s: f64,
    next_search_s: f64,
}

impl CardWatch {
    pub fn new(ids: BTreeSet<u32>) -> Self {
        Self {
            ids,
            place: None,
            next_look_s: f64::MIN,
            next_search_s: f64::MIN,
        }
    }

    /// The cards in a frame; `whole` is what a search of the whole picture has just brought, if
    /// one was made.
    pub fn look(
        &mut self,
        frame: &Frame,
        search: &mut Search,
        whole: Option<Vec<Candidate>>,
    ) -> Result<Vec<Sighting>, TagsError> {
        if self.ids.is_empty() || (whole.is_none() && frame.time_s < self.next_look_s) {
            return Ok(Vec::new());
        }
        self.next_look_s = frame.time_s + LOOK_EVERY_S;
        let searched = whole.is_some();
        let mut found: Vec<Candidate> = match (whole, self.place) {
            (Some(candidates), _) => candidates,
            (None, Some(place)) => search.window(&frame.image, place)?.candidates,
            (None, None) => Vec::new(),
        };
        found.retain(|candidate| self.ids.contains(&candidate.tag_id));
        if found.is_empty() && !searched && frame.time_s >= self.next_search_s {
            self.next_search_s = frame.time_s + SEARCH_EVERY_S;
            found = search.whole(&frame.image)?.candidates;
            found.retain(|candidate| self.ids.contains(&candidate.tag_id));
        }
        if let Some(first) = found.first() {
            self.place = Some(Window::around(&first.corners_px, ROOM));
        }
        found.dedup_by_key(|candidate| candidate.tag_id);
        Ok(found.iter().map(sighting).collect())
    }
}

fn sighting(candidate: &Candidate) -> Sighting {
    Sighting {
        tag_id: candidate.tag_id,
        corners_px: candidate.corners_px,
        covariance_px2: CornerCovariance::identity() * CORNER_SD_PX.powi(2),
    }
}
