//! Boards for calibrating the camera.

use nalgebra::Point2;

use super::document::Document;
use super::error::PrintError;
use super::frame::{Heading, Page};
use super::paper::{Orientation, PageSetup};
use super::pattern::black_runs;
use super::sheet::{Area, Item, Pattern};
use super::typeface::figure;
use crate::vision::Dictionary;

/// A calibration board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Board {
    /// Black and white squares.
    Chessboard {
        /// Inner corners across.
        columns: u32,
        /// Inner corners down.
        rows: u32,
        /// Edge of a square.
        square_mm: f64,
    },
    /// A chessboard with a marker in every white square, in the layout of OpenCV 4.7 and later:
    /// the top-left square is black, and markers are numbered row by row from 0.
    Charuco {
        /// Squares across.
        columns: u32,
        /// Squares down.
        rows: u32,
        /// Edge of a square.
        square_mm: f64,
        /// Edge of a marker's black border.
        marker_mm: f64,
        /// Dictionary of the markers.
        dictionary: Dictionary,
    },
}

/// Fewer squares a side give too few corners for a calibration.
const FEWEST_SQUARES: u32 = 4;

/// Below this a square is lost in a picture that shows the whole board.
const SMALLEST_SQUARE_MM: f64 = 8.0;

/// A marker's cell should be no smaller than a tag's: 0.75 mm for the smallest tag.
const SMALLEST_CELL_MM: f64 = 0.75;

/// Markers that fill more of their square merge with its corners under blur; OpenCV's own boards
/// use half to four fifths.
const LARGEST_MARKER_PER_SQUARE: f64 = 0.85;

/// White that must stay around the board, against the corners' neighbours being mistaken.
const WHITE_MARGIN_MM: f64 = 5.0;

impl Board {
    /// Squares across and down.
    pub fn squares(&self) -> [u32; 2] {
        match *self {
            Self::Chessboard { columns, rows, .. } => {
                [columns.saturating_add(1), rows.saturating_add(1)]
            }
            Self::Charuco { columns, rows, .. } => [columns, rows],
        }
    }

    /// Edge of a square.
    pub fn square_mm(&self) -> f64 {
        match *self {
            Self::Chessboard { square_mm, .. } | Self::Charuco { square_mm, .. } => square_mm,
        }
    }

    /// Refuses boards that cannot be printed or would not calibrate.
    fn check(&self) -> Result<(), PrintError> {
        let [columns, rows] = self.squares();
        if columns < FEWEST_SQUARES || rows < FEWEST_SQUARES {
            return Err(PrintError::BoardTooFewSquares { columns, rows });
        }
        let square_mm = self.square_mm();
        if !(square_mm >= SMALLEST_SQUARE_MM && square_mm.is_finite()) {
            return Err(PrintError::SquareTooSmall {
                square_mm,
                smallest_mm: SMALLEST_SQUARE_MM,
            });
        }
        let Self::Charuco {
            marker_mm,
            dictionary,
            ..
        } = *self
        else {
            return Ok(());
        };
        let (held, data_cells) = dictionary.size()?;
        let smallest_mm = SMALLEST_CELL_MM * (data_cells + 2) as f64;
        let largest_mm = LARGEST_MARKER_PER_SQUARE * square_mm;
        if !(smallest_mm..=largest_mm).contains(&marker_mm) {
            return Err(PrintError::MarkerUnsuitable {
                marker_mm,
                square_mm,
                smallest_mm,
                largest_mm,
            });
        }
        let needed = (u64::from(columns) * u64::from(rows) / 2) as usize;
        if needed > held {
            return Err(PrintError::DictionaryTooSmall {
                dictionary: dictionary.name(),
                needed,
                held,
            });
        }
        Ok(())
    }

    /// The options that tell `calibrate` what was filmed.
    fn options(&self) -> String {
        match *self {
            Self::Chessboard {
                columns,
                rows,
                square_mm,
            } => {
                format!("--chessboard {columns}x{rows} --square-mm {square_mm}")
            }
            Self::Charuco {
                columns,
                rows,
                square_mm,
                marker_mm,
                dictionary,
            } => format!(
                "--charuco {columns}x{rows} --square-mm {square_mm} --marker-mm {marker_mm} \
                 --dictionary {}",
                dictionary.name()
            ),
        }
    }

    fn title(&self) -> String {
        let square_mm = figure(self.square_mm());
        match *self {
            Self::Chessboard { columns, rows, .. } => {
                format!(
                    "Calibration board: chessboard, {columns} × {rows} inner corners, {square_mm} mm"
                )
            }
            Self::Charuco { columns, rows, .. } => {
                format!("Calibration board: ChArUco, {columns} × {rows} squares, {square_mm} mm")
            }
        }
    }
}

/// One sheet with a calibration board.
pub fn board(board: &Board, setup: &PageSetup) -> Result<Document, PrintError> {
    board.check()?;
    let heading = Heading {
        title: board.title(),
        lines: vec![
            "Glue the sheet flat onto something stiff: glass, or a straight board. It must not bend \
             or wave. There is nothing to cut: at least 5 mm of white around the squares must stay. \
             This way is up, but it may be filmed any way up."
                .into(),
            format!("Calibrate with: hingewise calibrate CLIP {} --out PROFILE.toml", board.options()),
        ],
        caution: None,
        aside_mm: None,
    };
    let [columns, rows] = board.squares();
    let square_mm = board.square_mm();
    let [width_mm, height_mm] = [columns, rows].map(|count| f64::from(count) * square_mm);
    let pages = [Orientation::Portrait, Orientation::Landscape]
        .map(|orientation| Page::new(setup, orientation, &heading));
    let largest_square_mm = |page: &Page| {
        let across_mm = (page.room.width_mm - 2.0 * WHITE_MARGIN_MM) / f64::from(columns);
        let down_mm = (page.room.height_mm - 2.0 * WHITE_MARGIN_MM) / f64::from(rows);
        across_mm.min(down_mm)
    };
    let [portrait, landscape] = pages;
    let mut page = match largest_square_mm(&portrait) >= largest_square_mm(&landscape) {
        true => portrait,
        false => landscape,
    };
    if largest_square_mm(&page) < square_mm {
        return Err(PrintError::BoardTooLarge {
            width_mm,
            height_mm,
            largest_square_mm: (largest_square_mm(&page) * 10.0).floor() / 10.0,
            paper: setup.paper.name(),
        });
    }
    let middle = page.room.centre();
    let outline = Area::new(
        middle.x - width_mm / 2.0,
        middle.y - height_mm / 2.0,
        width_mm,
        height_mm,
    );
    let pattern = draw(board, outline)?;
    page.place(vec![Item::Pattern(pattern)], Point2::origin());
    Ok(Document::bound(board.title(), vec![page]))
}

/// The squares, the top-left one black, and the markers in the white ones.
fn draw(board: &Board, outline: Area) -> Result<Pattern, PrintError> {
    let [columns, rows] = board.squares();
    let square_mm = board.square_mm();
    let mut black = Vec::new();
    let mut next_marker = 0;
    for row in 0..rows {
        for column in 0..columns {
            let square = Area::new(
                outline.left_mm + f64::from(column) * square_mm,
                outline.top_mm + f64::from(row) * square_mm,
                square_mm,
                square_mm,
            );
            if (row + column) % 2 == 0 {
                black.push(square);
            } else if let Board::Charuco {
                marker_mm,
                dictionary,
                ..
            } = *board
            {
                // `check` has made sure that the dictionary holds enough markers.
                let cells = dictionary.cells(next_marker)?.unwrap_or_default();
                let inset_mm = (square_mm - marker_mm) / 2.0;
                black.extend(black_runs(&cells, &square.grown(-inset_mm)));
                next_marker += 1;
            }
        }
    }
    Ok(Pattern {
        outline,
        white_margin_mm: WHITE_MARGIN_MM,
        black,
    })
}
