//! Printed boards: the places of their crossings and markers.
//!
//! **Board frame**: x right, y down, origin at the outer corner of the top-left square, mm. A
//! *crossing* is a point where four squares meet; crossings are counted from the top-left one by
//! column and row, from 0.

use nalgebra::Point2;

use super::error::CalibrationError;
use crate::vision::Dictionary;

/// Largest window around a crossing, squares: beyond a quarter of the spacing windows begin to catch
/// neighbouring crossings (as the reference library's do on its own chessboard pictures).
const WINDOW_SQUARES: f64 = 0.25;

/// A printed calibration board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Board {
    /// A plain chessboard.
    Chessboard(Chessboard),
    /// A chessboard with markers in its white squares.
    Charuco(Charuco),
}

/// A plain chessboard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chessboard {
    /// Inner corners in a row.
    pub columns: usize,
    /// Inner corners in a column.
    pub rows: usize,
    /// Side of a square.
    pub square_mm: f64,
}

/// A chessboard with markers in its white squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Charuco {
    /// Squares in a row.
    pub columns: usize,
    /// Squares in a column.
    pub rows: usize,
    /// Side of a square.
    pub square_mm: f64,
    /// Side of a marker's black border.
    pub marker_mm: f64,
    /// Dictionary of the markers, used from id 0.
    pub dictionary: Dictionary,
}

/// How black and white squares and the markers' ids are laid out.
///
/// Both run through the white squares row by row from the top-left. They differ only on boards
/// with an even number of rows (OpenCV's documentation of `CharucoBoard::setLegacyPattern`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum CharucoLayout {
    /// The top-left square is black: OpenCV 4.6 and later.
    TopLeftBlack,
    /// The bottom-left square is black: before OpenCV 4.6.
    BottomLeftBlack,
}

/// A marker's place on a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MarkerPlace {
    /// Id in the dictionary.
    pub id: u32,
    /// Column of its square.
    pub column: usize,
    /// Row of its square.
    pub row: usize,
}

/// Fewest crossings a side that boards are looked for with.
const FEWEST_ACROSS: usize = 3;

impl Board {
    /// Whether such a board is possible; the fault if it is not.
    ///
    /// # Errors
    /// Too few crossings a side, a marker larger than its square, or more markers than the
    /// dictionary holds.
    pub fn check(&self) -> Result<(), CalibrationError> {
        let wrong = |what: String| Err(CalibrationError::NoSuchBoard { what });
        let (columns, rows) = self.crossings();
        if columns.min(rows) < FEWEST_ACROSS {
            return wrong(format!(
                "the board has only {columns}x{rows} inner corners, at least \
                 {FEWEST_ACROSS}x{FEWEST_ACROSS} are needed"
            ));
        }
        let Self::Charuco(board) = self else {
            return Ok(());
        };
        if board.marker_mm >= board.square_mm {
            return wrong(format!(
                "markers of {} mm do not fit into squares of {} mm",
                board.marker_mm, board.square_mm
            ));
        }
        let markers = board.markers(CharucoLayout::TopLeftBlack).len();
        let (in_dictionary, _) = board.dictionary.size()?;
        if markers > in_dictionary {
            return wrong(format!(
                "the board needs {markers} markers, but {} has only {in_dictionary}",
                board.dictionary.name()
            ));
        }
        Ok(())
    }

    /// Crossings in a row and in a column.
    pub fn crossings(&self) -> (usize, usize) {
        match self {
            Self::Chessboard(board) => (board.columns, board.rows),
            Self::Charuco(board) => (
                board.columns.saturating_sub(1),
                board.rows.saturating_sub(1),
            ),
        }
    }

    /// Squares across and down.
    pub fn squares(&self) -> [usize; 2] {
        match self {
            Self::Chessboard(board) => [
                board.columns.saturating_add(1),
                board.rows.saturating_add(1),
            ],
            Self::Charuco(board) => [board.columns, board.rows],
        }
    }

    /// Width and height of the printed squares, mm.
    pub fn size_mm(&self) -> [f64; 2] {
        self.squares().map(|count| count as f64 * self.square_mm())
    }

    /// Side of a square.
    pub fn square_mm(&self) -> f64 {
        match self {
            Self::Chessboard(board) => board.square_mm,
            Self::Charuco(board) => board.square_mm,
        }
    }

    /// Place of a crossing on the board, mm.
    pub fn crossing_mm(&self, column: usize, row: usize) -> Point2<f64> {
        Point2::new((column + 1) as f64, (row + 1) as f64) * self.square_mm()
    }

    /// Radius, in squares, of the disc about a crossing that is measured: it contains only the
    /// crossing's four edges.
    pub fn clean_radius_squares(&self) -> f64 {
        match self {
            Self::Chessboard(_) => WINDOW_SQUARES,
            Self::Charuco(board) => {
                let margin = (1.0 - board.marker_mm / board.square_mm) / 2.0;
                (margin * std::f64::consts::SQRT_2).min(WINDOW_SQUARES)
            }
        }
    }

    /// The board in words.
    pub fn words(&self) -> String {
        match self {
            Self::Chessboard(board) => {
                format!(
                    "chessboard of {}x{} inner corners",
                    board.columns, board.rows
                )
            }
            Self::Charuco(board) => format!(
                "ChArUco board of {}x{} squares with markers of {}",
                board.columns,
                board.rows,
                board.dictionary.name()
            ),
        }
    }
}

impl Charuco {
    /// Whether a square is black.
    pub fn is_black(&self, layout: CharucoLayout, column: usize, row: usize) -> bool {
        let first_black = match layout {
            CharucoLayout::TopLeftBlack => 0,
            CharucoLayout::BottomLeftBlack => self.rows.saturating_sub(1),
        };
        (column + row + first_black).is_multiple_of(2)
    }

    /// The markers in the order of their ids.
    pub fn markers(&self, layout: CharucoLayout) -> Vec<MarkerPlace> {
        let squares =
            (0..self.rows).flat_map(|row| (0..self.columns).map(move |column| (column, row)));
        squares
            .filter(|&(column, row)| !self.is_black(layout, column, row))
            .zip(0..)
            .map(|((column, row), id)| MarkerPlace { id, column, row })
            .collect()
    }

    /// Corners of a marker on the board: top-left, top-right, bottom-right, bottom-left, mm.
    pub fn marker_corners_mm(&self, place: MarkerPlace) -> [Point2<f64>; 4] {
        let margin_mm = (self.square_mm - self.marker_mm) / 2.0;
        let left = place.column as f64 * self.square_mm + margin_mm;
        let top = place.row as f64 * self.square_mm + margin_mm;
        let (right, bottom) = (left + self.marker_mm, top + self.marker_mm);
        [
            Point2::new(left, top),
            Point2::new(right, top),
            Point2::new(right, bottom),
            Point2::new(left, bottom),
        ]
    }
}

impl CharucoLayout {
    /// Both layouts, the one in use today first.
    pub const ALL: [Self; 2] = [Self::TopLeftBlack, Self::BottomLeftBlack];

    /// The layout in words.
    pub fn words(&self) -> &'static str {
        match self {
            Self::TopLeftBlack => "top-left square black (OpenCV 4.6 and later)",
            Self::BottomLeftBlack => "bottom-left square black (before OpenCV 4.6)",
        }
    }
}
