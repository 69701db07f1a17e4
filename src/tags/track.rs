//! Track: where a tag was in the last two frames, and so where it may be in the next.

use nalgebra::{Point2, Vector2};
use serde::{Deserialize, Serialize};

use super::pattern::Pattern;
use super::refine::{Look, PatternFit};
use crate::clip::Frame;

/// Motion between two frames that is not carried on to the next, px: most of it is noise, and the
/// fit starts well from so near.
const NO_MOTION_PX: f64 = 0.2;

/// A tag that is followed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Track {
    pub pattern: Pattern,
    pub last: Option<Seen>,
    before: Option<Seen>,
}

/// Where a tag was in a frame, and how it looked.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Seen {
    time_s: f64,
    frame: usize,
    pub corners_px: [Point2<f64>; 4],
    pub look: Look,
}

impl Track {
    /// A tag with this pattern that was not seen yet.
    pub fn new(pattern: Pattern) -> Self {
        Self {
            pattern,
            last: None,
            before: None,
        }
    }

    /// Keeps where it was seen in a frame.
    pub fn note(&mut self, frame: &Frame, fit: &PatternFit) {
        self.before = self.last;
        self.last = Some(Seen {
            time_s: frame.time_s,
            frame: frame.index,
            corners_px: fit.corners_px,
            look: fit.look,
        });
    }

    /// Where the tag may be in this frame, the likeliest first: moved on as between the last two frames and
    /// by what these do not tell, or where it was.
    pub fn predictions(&self, frame: &Frame, unforeseen_px: Vector2<f64>) -> Vec<[Point2<f64>; 4]> {
        let foreseen_px = self.foreseen(frame);
        let likeliest_px = foreseen_px.map(|at| at.map(|corner| corner + unforeseen_px));
        let last_px = self.last.map(|last| last.corners_px);
        let was_there = last_px.filter(|_| last_px != foreseen_px);
        likeliest_px.into_iter().chain(was_there).collect()
    }

    /// Where the last two frames let the tag be expected.
    pub fn foreseen(&self, frame: &Frame) -> Option<[Point2<f64>; 4]> {
        let last = self.last?;
        let moves = |before: &Seen| {
            let by_px = |k: usize| (last.corners_px[k] - before.corners_px[k]).norm();
            last.time_s > before.time_s && (0..4).any(|k| by_px(k) > NO_MOTION_PX)
        };
        let before = self
            .before
            .filter(moves)
            .filter(|_| frame.index == last.frame + 1);
        Some(before.map_or(last.corners_px, |before| {
            let ahead = (frame.time_s - last.time_s) / (last.time_s - before.time_s);
            std::array::from_fn(|k| {
                last.corners_px[k] + (last.corners_px[k] - before.corners_px[k]) * ahead
            })
        }))
    }
}
