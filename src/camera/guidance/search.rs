//! What the pictures show while the board is not found.

use super::super::calibration::{NoView, Seen};
use crate::clip::GreyImage;

/// Time without the board after which it is worth a second's work to find out why.
const PATIENCE_S: f64 = 1.5;
/// Time between the first two such searches; each later one takes twice as long to come, because a board
/// that nobody holds up yet costs as much work as a wrong one.
const AGAIN_S: f64 = 5.0;

/// Pictures without the board, and what they show.
#[derive(Debug, Default)]
pub(super) struct Search {
    missing_since_s: Option<f64>,
    /// The last search, and how long the next one waits.
    searched_s: Option<(f64, f64)>,
    picture: Option<(NoView, GreyImage)>,
    seen: Option<Seen>,
}

impl Search {
    /// Takes in a picture without the board.
    pub fn missed(&mut self, time_s: f64, no_view: &NoView, image: &GreyImage) {
        let since_s = *self.missing_since_s.get_or_insert(time_s);
        let is_due = self
            .searched_s
            .is_none_or(|(searched_s, wait_s)| time_s - searched_s >= wait_s);
        if time_s - since_s >= PATIENCE_S && is_due {
            let wait_s = self.searched_s.map_or(AGAIN_S, |(_, wait_s)| 2.0 * wait_s);
            self.searched_s = Some((time_s, wait_s));
            self.picture = Some((no_view.clone(), image.clone()));
        }
    }

    /// The board was found: what was seen before no longer matters.
    pub fn found(&mut self) {
        *self = Self::default();
    }

    /// A picture to look through for other boards.
    pub fn take_undiagnosed(&mut self) -> Option<(NoView, GreyImage)> {
        self.picture.take()
    }

    /// Takes in what a picture shows instead.
    pub fn diagnosed(&mut self, seen: Option<Seen>) {
        // A result that comes after the board was found is of no use.
        if self.missing_since_s.is_some() {
            self.seen = seen;
        }
    }

    /// What the pictures show instead.
    pub fn seen(&self) -> Option<&Seen> {
        self.seen.as_ref()
    }
}
