//! Cards: watches for station cards in the picture.
//!
//! A card only shows a number, so it is not measured. Ten times a second the program compares the
//! places where cards were last seen with their patterns, and searches around a card that moved. It
//! searches the whole picture three times a second while no card is in sight or a new one appears,
//! and once a second otherwise: a second card elsewhere would contradict the first. Most of these
//! searches leave out parts that did not change since the last full search, and use a reduced
//! picture: cards are all of one size and hardly smaller than the tags on the aircraft.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::Point2;
use serde::{Deserialize, Serialize};

use super::change_detection::Cells;
use super::recognise::shows;
use super::rect::Rect;
use super::search::{QUICK_FROM_PX, RoughTag, SearchWindow, TagSearch};
use crate::clip::{Frame, GreyImage};
use crate::geometry::quadrilateral::mean_edge;
use crate::tags::pattern_fit::pattern::Pattern;
use crate::tags::{Sighting, TagsError};

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

/// Once cards were seen, every so many searches of the whole picture look for cards further away.
const FAR_EVERY: usize = 2;

/// Every so many searches cover the whole picture even where it did not change, in case a card was
/// missed.
const EVERYTHING_EVERY: usize = 8;

/// Smallest card that is searched for, as a share of the edges of those seen before.
const FAR_SHARE: f64 = 0.5;

/// Largest reduction of the picture: beyond it the library saves hardly any work.
const MOST_REDUCTION: usize = 4;

/// Room left around the place of a card, in edges of the card.
const ROOM: f64 = 1.0;

/// Room left around a change of the picture, in edges of a card: when a thumb is lifted off its
/// border, only that border changes.
const CHANGE_ROOM: f64 = 1.5;

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct CardWatch {
    patterns: BTreeMap<u32, Pattern>,
    in_sight: Vec<RoughTag>,
    /// Cards that were in the whole picture when it was last searched.
    in_whole: BTreeSet<u32>,
    looked_s: f64,
    searched_s: f64,
    searches: usize,
    searched: Option<Searched>,
    /// Mean edge of the smallest card seen so far.
    smallest_px: Option<f64>,
    /// Tags found at the last look that are no cards.
    strangers: Vec<RoughTag>,
}

/// The last search of a whole picture that was reduced.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Searched {
    cells: Cells,
    /// By how much the picture was reduced.
    factor: usize,
    /// Where cards were read.
    cards_px: Vec<[Point2<f64>; 4]>,
}

impl CardWatch {
    /// Watches for cards, given by id.
    pub fn new(patterns: BTreeMap<u32, Pattern>) -> Self {
        Self {
            patterns,
            in_sight: Vec::new(),
            in_whole: BTreeSet::new(),
            looked_s: f64::MIN,
            searched_s: f64::MIN,
            searches: 0,
            searched: None,
            smallest_px: None,
            strangers: Vec::new(),
        }
    }

    /// The tags found at the last look that are no cards.
    pub fn take_strangers(&mut self) -> Vec<RoughTag> {
        std::mem::take(&mut self.strangers)
    }

    /// Whether a tag is one of the cards.
    pub fn knows(&self, tag_id: u32) -> bool {
        self.patterns.contains_key(&tag_id)
    }

    /// The cards in a frame; `whole` is the result of a search of the whole picture, if one was
    /// made for this frame, and `tag_edge_px` the mean edge of the smallest tag in sight, if there
    /// is one.
    pub fn look(
        &mut self,
        frame: &Frame,
        search: &mut TagSearch,
        whole: Option<Vec<RoughTag>>,
        tag_edge_px: Option<f64>,
    ) -> Result<Vec<Sighting>, TagsError> {
        let too_early = frame.time_s < self.looked_s + LOOK_EVERY_S;
        if self.patterns.is_empty() || (whole.is_none() && too_early) {
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
        Ok(found.iter().map(RoughTag::sighting).collect())
    }

    /// The cards where they were last seen, or in the whole picture when that is due.
    fn look_at_places(
        &mut self,
        frame: &Frame,
        search: &mut TagSearch,
        tag_edge_px: Option<f64>,
    ) -> Result<Vec<RoughTag>, TagsError> {
        let mut found = Vec::new();
        for card in &self.in_sight {
            if self.is_as_before(card, frame) {
                found.push(card.clone());
            } else {
                let place = SearchWindow::around(&card.corners_px, ROOM);
                found.extend(search.window(&frame.image, place)?.candidates);
            }
        }
        let found = self.cards_of(found);
        let known = |card: &RoughTag| self.in_whole.contains(&card.tag_id);
        let pause_s = if !found.is_empty() && found.iter().all(known) {
            SECOND_CARD_EVERY_S
        } else {
            SEARCH_EVERY_S
        };
        if frame.time_s < self.searched_s + pause_s {
            return Ok(found);
        }
        let mut candidates = match self.reduction(tag_edge_px) {
            Some(factor) => self.search_reduced(&frame.image, search, factor, tag_edge_px)?,
            None => search.whole(&frame.image)?.candidates,
        };
        candidates.extend(found);
        Ok(self.take_search(frame, candidates))
    }

    /// Searches the picture reduced by a factor, only where it changed if possible.
    fn search_reduced(
        &mut self,
        image: &GreyImage,
        search: &mut TagSearch,
        factor: usize,
        tag_edge_px: Option<f64>,
    ) -> Result<Vec<RoughTag>, TagsError> {
        let now = Cells::of(image);
        if let Some(parts) = self.parts_to_search(image, &now, factor, tag_edge_px) {
            return Ok(search.reduced(image, &parts, factor)?);
        }
        let found = search.reduced(image, &[Rect::whole(image)], factor)?;
        let cards = found.iter().filter(|card| self.knows(card.tag_id));
        self.searched = Some(Searched {
            cells: now,
            factor,
            cards_px: cards.map(|card| card.corners_px).collect(),
        });
        Ok(found)
    }

    /// Where the picture changed since the last full search, and where cards were read then, since
    /// they may return. `None` where everything must be searched.
    fn parts_to_search(
        &self,
        image: &GreyImage,
        now: &Cells,
        factor: usize,
        tag_edge_px: Option<f64>,
    ) -> Option<Vec<Rect>> {
        let before = self.searched.as_ref()?;
        if self.searches.is_multiple_of(EVERYTHING_EVERY) || factor < before.factor {
            return None;
        }
        let card_px = self.smallest_px.or(tag_edge_px)?;
        let mut parts = before.cells.changed(now, CHANGE_ROOM * card_px)?;
        let places = before.cards_px.iter();
        parts.extend(places.filter_map(|card| SearchWindow::around(card, ROOM).part(image)));
        Some(parts)
    }

    /// Whether a card that was seen before is still there; another card in its place, or the same
    /// one elsewhere, does not look like it.
    fn is_as_before(&self, card: &RoughTag, frame: &Frame) -> bool {
        let pattern = self.patterns.get(&card.tag_id);
        pattern.is_some_and(|pattern| shows(&frame.image, &card.corners_px, pattern))
    }

    /// By how much the picture may be reduced so that cards are still found; `None` where they may
    /// be too small for a quick search.
    fn reduction(&self, tag_edge_px: Option<f64>) -> Option<usize> {
        let edge_px = match self.smallest_px {
            None if self.searches.is_multiple_of(THOROUGH_EVERY) => return None,
            None => tag_edge_px?,
            Some(card_px) if self.searches.is_multiple_of(FAR_EVERY) => {
                let far_px = card_px * FAR_SHARE;
                card_px.min(tag_edge_px.map_or(far_px, |tag_px| far_px.max(tag_px)))
            }
            Some(card_px) => card_px,
        };
        let factor = (edge_px / QUICK_FROM_PX) as usize;
        (factor > 0).then(|| factor.min(MOST_REDUCTION))
    }

    fn take_search(&mut self, frame: &Frame, candidates: Vec<RoughTag>) -> Vec<RoughTag> {
        let found = self.cards_of(candidates);
        self.searched_s = frame.time_s;
        self.searches += 1;
        self.in_whole = found.iter().map(|card| card.tag_id).collect();
        found
    }

    /// The declared cards, by id, each once.
    fn cards_of(&mut self, candidates: Vec<RoughTag>) -> Vec<RoughTag> {
        let (mut candidates, strangers): (Vec<_>, Vec<_>) = candidates
            .into_iter()
            .partition(|candidate| self.knows(candidate.tag_id));
        self.strangers.extend(strangers);
        candidates.sort_by_key(|candidate| candidate.tag_id);
        candidates.dedup_by_key(|candidate| candidate.tag_id);
        candidates
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::{Rotation2, Vector2};

    use super::*;
    use crate::tags::follow::tracker::printed_patterns;

    const SIZE_PX: [usize; 2] = [640, 480];

    /// A card in front of a grey wall.
    #[derive(Clone, Copy)]
    struct Shown {
        id: u32,
        centre_px: [f64; 2],
        edge_px: f64,
        turn_deg: f64,
    }

    const STILL: Shown = Shown {
        id: 120,
        centre_px: [200.0, 250.0],
        edge_px: 80.0,
        turn_deg: 0.0,
    };

    /// The result of the watch on films of cards, ten frames a second.
    struct Film {
        watch: CardWatch,
        search: TagSearch,
        frames: usize,
    }

    impl Film {
        fn new() -> Self {
            let ids = (100..=140).collect();
            Self {
                watch: CardWatch::new(printed_patterns(&ids).unwrap()),
                search: TagSearch::new().unwrap(),
                frames: 0,
            }
        }

        /// The cards seen in the next frame, in which these are shown.
        fn see(&mut self, shown: &[Shown]) -> Vec<Sighting> {
            let frame = Frame {
                index: self.frames,
                // A little over the pause, so that rounding does not skip looks.
                time_s: self.frames as f64 * 1.01 * LOOK_EVERY_S,
                image: self.picture(shown),
            };
            self.frames += 1;
            let tag_edge_px = Some(40.0);
            self.watch
                .look(&frame, &mut self.search, None, tag_edge_px)
                .unwrap()
        }

        fn ids(&mut self, shown: &[Shown]) -> Vec<u32> {
            let seen = self.see(shown);
            seen.iter().map(|card| card.tag_id).collect()
        }

        fn picture(&self, shown: &[Shown]) -> GreyImage {
            let [width_px, height_px] = SIZE_PX;
            let mut pixels = vec![120; width_px * height_px];
            for card in shown {
                let pattern = &self.watch.patterns[&card.id];
                let card_from_image = Rotation2::new(-card.turn_deg.to_radians());
                for (at, pixel) in pixels.iter_mut().enumerate() {
                    let place = Vector2::new((at % width_px) as f64, (at / width_px) as f64);
                    let cell = card_from_image
                        * (place - Vector2::from(card.centre_px))
                        * (8.0 / card.edge_px)
                        + Vector2::repeat(4.0);
                    if cell.iter().all(|cell| (-1.0..9.0).contains(cell)) {
                        let [column, row] = [cell.x, cell.y].map(|cell| cell.floor() as isize);
                        *pixel = if pattern.is_white(column, row) {
                            200
                        } else {
                            40
                        };
                    }
                }
            }
            GreyImage {
                width_px,
                height_px,
                pixels: pixels.into(),
            }
        }
    }

    #[test]
    fn another_card_in_the_same_place_is_read_at_the_next_look() {
        let mut film = Film::new();
        assert_eq!(film.ids(&[STILL]), [120]);
        for id in (100..=140).chain([120]) {
            for turn_deg in [0.0, 90.0, 180.0, 270.0] {
                assert_eq!(
                    film.ids(&[Shown {
                        id,
                        turn_deg,
                        ..STILL
                    }]),
                    [id]
                );
            }
        }
    }

    #[test]
    fn a_card_that_drifts_and_turns_slowly_is_kept_in_sight() {
        let mut film = Film::new();
        for step in 0..40 {
            let moved = f64::from(step);
            let shown = Shown {
                centre_px: [200.0 + 4.0 * moved, 250.0 - moved],
                turn_deg: 3.0 * moved,
                ..STILL
            };
            let seen = film.see(&[shown]);
            let centre_px = crate::geometry::quadrilateral::centre(&seen[0].corners_px);
            let off_px = (centre_px.coords - Vector2::from(shown.centre_px)).norm();
            assert!(off_px < shown.edge_px / 8.0, "{off_px} px at {step}");
        }
    }

    #[test]
    fn a_card_that_is_taken_away_is_gone_at_the_next_look() {
        let mut film = Film::new();
        assert_eq!(film.ids(&[STILL]), [120]);
        assert_eq!(film.ids(&[STILL]), [120]);
        assert!(film.ids(&[]).is_empty());
    }

    #[test]
    fn a_card_that_is_covered_and_uncovered_is_seen_again_while_another_is_in_sight() {
        let second = Shown {
            id: 130,
            centre_px: [500.0, 120.0],
            ..STILL
        };
        for covered in [15, 25, 35, 45, 55] {
            let mut film = Film::new();
            for _ in 0..40 {
                film.ids(&[STILL, second]);
            }
            for _ in 0..covered {
                film.ids(&[STILL]);
            }
            let looks = (1..=12).find(|_| film.ids(&[STILL, second]).len() == 2);
            assert!(looks.is_some(), "{covered} looks");
        }
    }

    #[test]
    fn a_still_picture_is_searched_whole_now_and_then_and_in_finer_pixels() {
        let mut film = Film::new();
        let image = film.picture(&[STILL]);
        let now = Cells::of(&image);
        film.watch
            .search_reduced(&image, &mut film.search, 2, Some(40.0))
            .unwrap();
        let mut parts = |searches, factor| {
            film.watch.searches = searches;
            let parts = film.watch.parts_to_search(&image, &now, factor, Some(40.0));
            parts.map(|parts| parts.len())
        };
        // The card's own place is searched whatever happens.
        for searches in 1..EVERYTHING_EVERY {
            assert_eq!(parts(searches, 2), Some(1));
            assert_eq!(parts(searches, 3), Some(1));
            assert_eq!(parts(searches, 1), None);
        }
        assert_eq!(parts(EVERYTHING_EVERY, 2), None);
    }

    #[test]
    fn a_quick_search_finds_the_smallest_cards_it_promises_whatever_the_size_of_the_picture() {
        let mut film = Film::new();
        for turn_deg in (0..180).step_by(15) {
            let small = Shown {
                edge_px: QUICK_FROM_PX,
                turn_deg: f64::from(turn_deg),
                ..STILL
            };
            let picture = film.picture(&[small]);
            let window = SearchWindow {
                centre_px: small.centre_px.into(),
                reach_px: 1.5 * small.edge_px,
                edge_px: small.edge_px,
            };
            let part = window.part(&picture).unwrap();
            let wide = in_a_larger_picture(&picture, 1920);
            for (image, part) in [(&picture, part), (&wide, Rect::whole(&wide))] {
                let found = film.search.reduced(image, &[part], 1).unwrap();
                assert_eq!(found.len(), 1, "{} px, {turn_deg}°", image.width_px);
                assert_eq!(found[0].tag_id, small.id);
            }
        }
    }

    /// A picture at the left border of a wider one.
    fn in_a_larger_picture(image: &GreyImage, width_px: usize) -> GreyImage {
        let rows = image.pixels.chunks_exact(image.width_px);
        let grey = vec![120; width_px - image.width_px];
        GreyImage {
            width_px,
            height_px: image.height_px,
            pixels: rows
                .flat_map(|row| row.iter().chain(&grey))
                .copied()
                .collect(),
        }
    }

    #[test]
    fn a_second_card_is_seen_within_two_seconds_even_if_it_is_further_away() {
        for edge_px in [80.0, 45.0] {
            let mut film = Film::new();
            let second = Shown {
                id: 130,
                centre_px: [500.0, 120.0],
                edge_px,
                turn_deg: 10.0,
            };
            for _ in 0..20 {
                assert_eq!(film.ids(&[STILL]), [120]);
            }
            let looks = (1..=20).find(|_| film.ids(&[STILL, second]).len() == 2);
            assert!(looks.is_some(), "{edge_px} px");
        }
    }
}
