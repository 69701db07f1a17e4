//! Looks for a board in one picture and measures its crossings.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{Point2, Vector2};

use super::board::{Board, Charuco, CharucoLayout, Chessboard};
use super::charuco::{MarkerMisfit, PlacedMarkers, place_markers};
use super::crossing::{CrossingFault, Expected, PredictedCrossing, measure_crossing};
use super::reduced::Reduced;
use super::view::{BoardPoint, BoardView, FEWEST_CROSSINGS};
use crate::clip::GreyImage;
use crate::vision::{FoundMarker, MarkerFinder, SearchEffort, VisionError, find_chessboard};

/// Longer side, px, of the picture in which markers are looked for first: the search compares with
/// the brightness around, and in larger pictures a near marker's black is wider than that.
const MARKER_SEARCH_SIDE_PX: usize = 1000;

/// Why a picture gave no view.
#[derive(Debug, Clone, PartialEq)]
pub enum NoView {
    /// No chessboard of this size is in the picture.
    NoChessboard,
    /// Too few markers of the dictionary are in the picture.
    FewMarkers(Vec<FoundMarker>),
    /// Markers of the dictionary are there, but not where this board has them.
    MarkersElsewhere(Vec<FoundMarker>),
    /// The board is there, but too few of its crossings can be measured.
    FewCrossings {
        /// Crossings that were measured.
        measured: usize,
        /// The faults of the others, counted.
        faults: BTreeMap<CrossingFault, usize>,
    },
}

impl NoView {
    /// The reason in words.
    pub fn words(&self) -> String {
        match self {
            Self::NoChessboard => "no chessboard of this size, whole and clear".into(),
            Self::FewMarkers(markers) => {
                let ids: BTreeSet<u32> = markers.iter().map(|marker| marker.id).collect();
                format!("only {} of the board's markers", ids.len())
            }
            Self::MarkersElsewhere(markers) => {
                let ids: BTreeSet<u32> = markers.iter().map(|marker| marker.id).collect();
                format!("{} markers, but not where this board has them", ids.len())
            }
            Self::FewCrossings { measured, faults } => {
                let faults: Vec<String> = faults
                    .iter()
                    .map(|(fault, count)| format!("{count} {}", fault.words()))
                    .collect();
                format!("only {measured} usable crossings ({})", faults.join(", "))
            }
        }
    }
}

/// A board seen in a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct BoardSighting {
    /// Its crossings.
    pub view: BoardView,
    /// The layout that the markers showed; `None` for chessboards, and for boards with an odd
    /// number of rows, where both layouts are one.
    pub layout: Option<CharucoLayout>,
}

/// Finds one kind of board in pictures.
pub struct BoardFinder {
    board: Board,
    search: Search,
}

enum Search {
    Chessboard(Chessboard),
    Charuco(Charuco, MarkerFinder),
}

impl BoardFinder {
    /// A finder for a board.
    pub fn new(board: Board) -> Result<Self, VisionError> {
        let search = match board {
            Board::Chessboard(chessboard) => Search::Chessboard(chessboard),
            Board::Charuco(charuco) => {
                let finder = MarkerFinder::new(charuco.dictionary, SearchEffort::Thorough)?;
                Search::Charuco(charuco, finder)
            }
        };
        Ok(Self { board, search })
    }

    /// Looks for the board in a picture; `name` says which picture it is.
    pub fn look(
        &mut self,
        name: &str,
        image: &GreyImage,
    ) -> Result<Result<BoardSighting, NoView>, VisionError> {
        let (expected, layout) = match &mut self.search {
            Search::Chessboard(board) => match find_chessboard(image, board.columns, board.rows)? {
                Some(corners) => (chessboard_crossings(board, &corners), None),
                None => return Ok(Err(NoView::NoChessboard)),
            },
            Search::Charuco(board, finder) => match find_charuco(board, finder, image)? {
                Ok(placed) => (placed.crossings(board), placed.layout),
                Err(no_view) => return Ok(Err(no_view)),
            },
        };
        Ok(measured_view(&self.board, name, image, &expected)
            .map(|view| BoardSighting { view, layout }))
    }
}

/// Looks for a board's markers in the reduced picture, and in the full one where that shows too few.
fn find_charuco(
    board: &Charuco,
    finder: &mut MarkerFinder,
    image: &GreyImage,
) -> Result<Result<PlacedMarkers, NoView>, VisionError> {
    let reduced = Reduced::to_side(image, MARKER_SEARCH_SIDE_PX);
    let mut markers = finder.find(&reduced.image)?.markers;
    for corner in markers.iter_mut().flat_map(|marker| &mut marker.corners_px) {
        *corner = reduced.in_full_picture(*corner);
    }
    let in_reduced = place_markers(board, &markers);
    let in_all = board.columns * board.rows / 2;
    let enough = |placed: &PlacedMarkers| placed.count() * 10 >= in_all * 9;
    if reduced.is_full() || in_reduced.as_ref().is_ok_and(enough) {
        return Ok(in_reduced.map_err(|misfit| no_view(misfit, markers)));
    }
    let more = finder.find(image)?.markers;
    let in_full = place_markers(board, &more);
    Ok(match (in_reduced, in_full) {
        (Ok(reduced), Ok(full)) if reduced.count() > full.count() => Ok(reduced),
        (_, Ok(full)) => Ok(full),
        (Ok(reduced), Err(_)) => Ok(reduced),
        (Err(misfit), Err(_)) if markers.len() > more.len() => Err(no_view(misfit, markers)),
        (Err(_), Err(misfit)) => Err(no_view(misfit, more)),
    })
}

fn no_view(misfit: MarkerMisfit, markers: Vec<FoundMarker>) -> NoView {
    match misfit {
        MarkerMisfit::TooFew => NoView::FewMarkers(markers),
        MarkerMisfit::Elsewhere => NoView::MarkersElsewhere(markers),
    }
}

/// Measures the expected crossings and keeps those that can be trusted.
fn measured_view(
    board: &Board,
    name: &str,
    image: &GreyImage,
    expected: &[Expected],
) -> Result<BoardView, NoView> {
    let mut points = Vec::with_capacity(expected.len());
    let mut blurs_px = Vec::with_capacity(expected.len());
    let mut faults = BTreeMap::new();
    for crossing in expected {
        match measure_crossing(image, &crossing.predicted, board.clean_radius_squares()) {
            Ok(measured) => {
                blurs_px.push(measured.blur_px);
                points.push(BoardPoint {
                    column: crossing.column,
                    row: crossing.row,
                    on_board_mm: board.crossing_mm(crossing.column, crossing.row),
                    in_image_px: measured.at_px,
                    sd_px: measured.sd_px,
                });
            }
            Err(fault) => *faults.entry(fault).or_insert(0) += 1,
        }
    }
    if points.len() < FEWEST_CROSSINGS {
        return Err(NoView::FewCrossings {
            measured: points.len(),
            faults,
        });
    }
    blurs_px.sort_by(f64::total_cmp);
    Ok(BoardView {
        name: name.to_owned(),
        points,
        blur_px: blurs_px[blurs_px.len() / 2],
    })
}

/// Rough corners of a chessboard, row by row, as expected crossings.
fn chessboard_crossings(board: &Chessboard, corners: &[Point2<f64>]) -> Vec<Expected> {
    let at = |column: usize, row: usize| corners[row * board.columns + column];
    // One square's step, from the neighbours on both sides where there are two.
    let step = |low: Point2<f64>, high: Point2<f64>, squares: usize| -> Vector2<f64> {
        (high - low) / squares.max(1) as f64
    };
    let around = |index: usize, count: usize| (index.saturating_sub(1), (index + 1).min(count - 1));
    let mut expected = Vec::with_capacity(corners.len());
    for row in 0..board.rows {
        for column in 0..board.columns {
            let (left, right) = around(column, board.columns);
            let (above, below) = around(row, board.rows);
            expected.push(Expected {
                column,
                row,
                predicted: PredictedCrossing {
                    at_px: at(column, row),
                    across_px: step(at(left, row), at(right, row), right - left),
                    down_px: step(at(column, above), at(column, below), below - above),
                },
            });
        }
    }
    expected
}
