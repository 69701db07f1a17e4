//! Track: predicts where a tag is from the last two frames.

use nalgebra::{Point2, Vector2};
use serde::{Deserialize, Serialize};

use crate::clip::Frame;
use crate::geometry::quadrilateral::centre;
use crate::tags::pattern_fit::look::Look;
use crate::tags::pattern_fit::pattern::Pattern;
use crate::tags::pattern_fit::refine::PatternFit;

/// Motion between two frames below which it is not extrapolated, px: most of it is noise, and the
/// fit converges from so near.
const NO_MOTION_PX: f64 = 0.2;

/// A tag that is followed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct Track {
    pub pattern: Pattern,
    pub last: Option<LastSeen>,
    before: Option<LastSeen>,
}

/// Where a tag was in a frame, and how it looked.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct LastSeen {
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

    /// Records where the tag was seen in a frame.
    pub fn note(&mut self, frame: &Frame, fit: &PatternFit) {
        self.before = self.last;
        self.last = Some(LastSeen {
            time_s: frame.time_s,
            frame: frame.index,
            corners_px: fit.corners_px,
            look: fit.look,
        });
    }

    /// Where the tag may be in this frame, the likeliest place first: extrapolated from the last
    /// two frames, plus the unpredicted camera motion; or its last place.
    pub fn predictions(&self, frame: &Frame, unforeseen_px: Vector2<f64>) -> Vec<[Point2<f64>; 4]> {
        let foreseen_px = self.foreseen(frame);
        let likeliest_px = foreseen_px.map(|at| at.map(|corner| corner + unforeseen_px));
        let last_px = self.last.map(|last| last.corners_px);
        let was_there = last_px.filter(|_| last_px != foreseen_px);
        likeliest_px.into_iter().chain(was_there).collect()
    }

    /// Distance of the tag from its predicted place; `None` if it was not seen in the frame before.
    pub fn unforeseen_px(
        &self,
        frame: &Frame,
        corners_px: &[Point2<f64>; 4],
    ) -> Option<Vector2<f64>> {
        self.last.filter(|last| frame.index == last.frame + 1)?;
        Some(centre(corners_px) - centre(&self.foreseen(frame)?))
    }

    /// The place extrapolated from the last two frames.
    fn foreseen(&self, frame: &Frame) -> Option<[Point2<f64>; 4]> {
        let last = self.last?;
        let moves = |before: &LastSeen| {
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::clip::{GreyImage, Levels, Transfer};
    use crate::tags::pattern_fit::patch::Patch;
    use crate::tags::pattern_fit::tone::{Coding, Tone};

    const SIZE_PX: usize = 60;
    const SHIFT_PX: Vector2<f64> = Vector2::new(3.0, -2.0);

    fn image() -> GreyImage {
        GreyImage {
            width_px: SIZE_PX,
            height_px: SIZE_PX,
            pixels: vec![128; SIZE_PX * SIZE_PX].into(),
        }
    }

    fn frame(index: usize) -> Frame {
        Frame {
            index,
            time_s: index as f64 / 30.0,
            image: image(),
        }
    }

    fn square_at(left_px: f64) -> [Point2<f64>; 4] {
        [[0.0, 0.0], [20.0, 0.0], [20.0, 20.0], [0.0, 20.0]]
            .map(|[x, y]| Point2::new(left_px + x, 20.0 + y))
    }

    /// A tag that was seen in frames 0 and 1.
    fn track(lefts_px: [f64; 2]) -> Track {
        let coding = Coding {
            levels: Levels {
                black: 16,
                white: 235,
            },
            transfer: Transfer::Power,
        };
        let tone = Tone::new(2.2, coding);
        let (patch, _) = Patch::cut(&image(), &tone, &square_at(lefts_px[0])).unwrap();
        let seen = |index: usize| LastSeen {
            time_s: frame(index).time_s,
            frame: index,
            corners_px: square_at(lefts_px[index]),
            look: Look::at_first(&patch, 0.7),
        };
        Track {
            last: Some(seen(1)),
            before: Some(seen(0)),
            ..Track::new(Pattern::from_cells(&vec![vec![false; 8]; 8]).unwrap())
        }
    }

    #[test]
    fn a_moving_tag_is_expected_further_on_and_where_others_were_shifted() {
        let places = track([18.0, 20.0]).predictions(&frame(2), SHIFT_PX);
        let further = square_at(22.0).map(|corner| corner + SHIFT_PX);
        assert_eq!(places.len(), 2);
        for (place, expected) in places[0].iter().zip(&further) {
            assert!((place - expected).norm() < 1e-9, "{place} {expected}");
        }
        assert_eq!(places[1], square_at(20.0));
    }

    #[test]
    fn a_resting_tag_moves_only_with_others() {
        let places = track([20.0, 20.05]).predictions(&frame(2), SHIFT_PX);
        let shifted = square_at(20.05).map(|corner| corner + SHIFT_PX);
        assert_eq!(places, [shifted]);
    }

    #[test]
    fn what_happened_while_a_tag_was_not_seen_says_nothing_about_others() {
        let track = track([18.0, 20.0]);
        let miss_px = track.unforeseen_px(&frame(2), &square_at(25.0));
        assert!((miss_px.unwrap() - Vector2::new(3.0, 0.0)).norm() < 1e-9);
        assert_eq!(track.unforeseen_px(&frame(4), &square_at(25.0)), None);
    }
}
