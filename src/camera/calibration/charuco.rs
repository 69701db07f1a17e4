//! Places the markers seen on a ChArUco board and predicts its crossings from them.

use std::collections::BTreeMap;

use nalgebra::{Matrix3, Point2};

use super::board::{Charuco, CharucoLayout, MarkerPlace};
use super::crossing::{Expected, PredictedCrossing};
use crate::geometry::{homography, quadrilateral};
use crate::vision::FoundMarker;

/// Largest distance of a marker's centre from its place on the board, squares: large enough for a
/// strongly distorting lens, small enough to exclude the neighbouring square.
const MARKER_TOLERANCE_SQUARES: f64 = 0.4;
/// Share of the board's ids in the picture that must agree with the board.
const AGREEING_SHARE: f64 = 0.6;
/// Fewest markers that place a board.
const FEWEST_MARKERS: usize = 4;
/// Markers from which a crossing is predicted.
const NEAREST_MARKERS: usize = 4;
/// Distance from a crossing to the centres of the squares around it, squares, and a little more.
const ADJACENT_SQUARES: f64 = 0.8;
/// Widest board tried when the markers fit no board as described, squares.
const WIDEST_BOARD: usize = 40;

/// Why markers could not be placed on a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum MarkerMisfit {
    TooFew,
    Elsewhere,
}

/// Markers on their places.
pub(super) struct PlacedMarkers {
    markers: Vec<PlacedMarker>,
    pub layout: Option<CharucoLayout>,
}

/// Corners on the board in squares and in the picture.
struct PlacedMarker {
    in_squares: [Point2<f64>; 4],
    in_image_px: [Point2<f64>; 4],
}

impl PlacedMarker {
    fn centre_in_squares(&self) -> Point2<f64> {
        quadrilateral::centre(&self.in_squares)
    }

    fn centre_px(&self) -> Point2<f64> {
        quadrilateral::centre(&self.in_image_px)
    }
}

/// Places markers on a board, in whichever layout more of them agree with.
pub(super) fn place_markers(
    board: &Charuco,
    markers: &[FoundMarker],
) -> Result<PlacedMarkers, MarkerMisfit> {
    let layouts = &CharucoLayout::ALL[..if board.rows.is_multiple_of(2) { 2 } else { 1 }];
    let mut best: Option<PlacedMarkers> = None;
    for &layout in layouts {
        let candidates = candidates(board, layout, markers);
        if candidates.len() < FEWEST_MARKERS {
            return Err(MarkerMisfit::TooFew);
        }
        let all = candidates.len();
        let agreeing = agreeing(candidates);
        let enough = agreeing.len() >= FEWEST_MARKERS
            && agreeing.len() as f64 >= AGREEING_SHARE * all as f64;
        if enough
            && best
                .as_ref()
                .is_none_or(|best| agreeing.len() > best.markers.len())
        {
            best = Some(PlacedMarkers {
                markers: agreeing,
                layout: (layouts.len() > 1).then_some(layout),
            });
        }
    }
    best.ok_or(MarkerMisfit::Elsewhere)
}

/// Squares in a row of the board that the markers fit, if there is just one such number.
pub(super) fn fitting_columns(board: &Charuco, markers: &[FoundMarker]) -> Option<usize> {
    let largest_id = markers.last()?.id as usize;
    let fitting: Vec<usize> = (2..=WIDEST_BOARD)
        .filter(|&columns| {
            // Enough rows for every id, and an even number, so that both layouts are tried.
            let rows = 2 * (largest_id / columns + 2);
            let trial = Charuco {
                columns,
                rows,
                ..*board
            };
            place_markers(&trial, markers).is_ok()
        })
        .collect();
    match fitting.as_slice() {
        [columns] => Some(*columns),
        _ => None,
    }
}

/// The board's own ids among the markers, each once.
fn candidates(
    board: &Charuco,
    layout: CharucoLayout,
    markers: &[FoundMarker],
) -> Vec<PlacedMarker> {
    let places: BTreeMap<u32, MarkerPlace> = board
        .markers(layout)
        .into_iter()
        .map(|place| (place.id, place))
        .collect();
    let mut by_id: BTreeMap<u32, Vec<&FoundMarker>> = BTreeMap::new();
    for marker in markers {
        by_id.entry(marker.id).or_default().push(marker);
    }
    by_id
        .into_iter()
        .filter_map(|(id, found)| {
            Some(PlacedMarker {
                in_squares: board
                    .marker_corners_mm(*places.get(&id)?)
                    .map(|corner| corner / board.square_mm),
                in_image_px: one_of(&found)?,
            })
        })
        .collect()
}

/// The one marker that was found, maybe several times over.
///
/// A sharp marker is often found by the outer and by the inner edge of its border: then the larger
/// outline is right. An id found at two places is no evidence of either.
fn one_of(found: &[&FoundMarker]) -> Option<[Point2<f64>; 4]> {
    let extent_px = |marker: &FoundMarker| {
        let [a, _, c, _] = marker.corners_px;
        (c - a).norm()
    };
    let largest = found
        .iter()
        .max_by(|a, b| extent_px(a).total_cmp(&extent_px(b)))?;
    let middle = quadrilateral::centre(&largest.corners_px);
    let reach_px = extent_px(largest) / 4.0;
    found
        .iter()
        .all(|other| (quadrilateral::centre(&other.corners_px) - middle).norm() < reach_px)
        .then_some(largest.corners_px)
}

/// The largest set of markers that agree with one plane.
///
/// Every hypothesis comes from two markers far apart in the list, so that the search is the same
/// each time and needs no chance.
fn agreeing(markers: Vec<PlacedMarker>) -> Vec<PlacedMarker> {
    let count = markers.len();
    let mut best: Vec<bool> = vec![false; count];
    for stride in [1, 2, count / 3, count / 2] {
        for i in 0..count {
            let j = (i + stride.max(1)) % count;
            let Some(plane) = plane(&[&markers[i], &markers[j]]) else {
                continue;
            };
            let agree = agreement(&plane, &markers);
            if tally(&agree) > tally(&best) {
                best = agree;
            }
        }
    }
    let chosen: Vec<&PlacedMarker> = markers
        .iter()
        .zip(&best)
        .filter_map(|(marker, &agrees)| agrees.then_some(marker))
        .collect();
    if let Some(plane) = plane(&chosen) {
        let agree = agreement(&plane, &markers);
        if tally(&agree) >= tally(&best) {
            best = agree;
        }
    }
    markers
        .into_iter()
        .zip(best)
        .filter_map(|(marker, agrees)| agrees.then_some(marker))
        .collect()
}

fn tally(agree: &[bool]) -> usize {
    agree.iter().filter(|&&agrees| agrees).count()
}

/// Picture from squares, through all corners of the markers.
fn plane(markers: &[&PlacedMarker]) -> Option<Matrix3<f64>> {
    let from: Vec<_> = markers
        .iter()
        .flat_map(|marker| marker.in_squares)
        .collect();
    let to: Vec<_> = markers
        .iter()
        .flat_map(|marker| marker.in_image_px)
        .collect();
    homography::between(&from, &to)
}

/// The markers that agree with the plane.
fn agreement(image_from_squares: &Matrix3<f64>, markers: &[PlacedMarker]) -> Vec<bool> {
    let Some(squares_from_image) = image_from_squares.try_inverse() else {
        return vec![false; markers.len()];
    };
    markers
        .iter()
        .map(|marker| {
            let centre_px = marker.centre_px();
            let seen = homography::map(&squares_from_image, centre_px.x, centre_px.y);
            (seen - marker.centre_in_squares()).norm() < MARKER_TOLERANCE_SQUARES
        })
        .collect()
}

impl PlacedMarkers {
    /// The number of markers that agree with the board.
    pub fn count(&self) -> usize {
        self.markers.len()
    }

    /// The crossings next to a marker that was seen.
    pub fn crossings(&self, board: &Charuco) -> Vec<Expected> {
        let mut expected = Vec::new();
        for row in 0..board.rows.saturating_sub(1) {
            for column in 0..board.columns.saturating_sub(1) {
                if let Some(predicted) = self.predict(column, row) {
                    expected.push(Expected {
                        column,
                        row,
                        predicted,
                    });
                }
            }
        }
        expected
    }

    /// Predicts a crossing from the nearest markers alone, so that distortion hardly matters.
    fn predict(&self, column: usize, row: usize) -> Option<PredictedCrossing> {
        let in_squares = Point2::new((column + 1) as f64, (row + 1) as f64);
        let mut nearest: Vec<(f64, &PlacedMarker)> = self
            .markers
            .iter()
            .map(|marker| ((marker.centre_in_squares() - in_squares).norm(), marker))
            .collect();
        nearest.sort_by(|a, b| a.0.total_cmp(&b.0));
        if nearest.first()?.0 > ADJACENT_SQUARES {
            return None;
        }
        let nearest: Vec<&PlacedMarker> = nearest
            .into_iter()
            .take(NEAREST_MARKERS)
            .map(|(_, marker)| marker)
            .collect();
        let image_from_squares = plane(&nearest)?;
        let stretch = homography::steps(&image_from_squares, in_squares);
        Some(PredictedCrossing {
            at_px: homography::map(&image_from_squares, in_squares.x, in_squares.y),
            across_px: stretch.column(0).into(),
            down_px: stretch.column(1).into(),
        })
    }
}
