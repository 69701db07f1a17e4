//! Boards for calibrating the camera, in the layout that the calibration looks for first.

use nalgebra::{Point2, Vector2};

use super::document::Document;
use super::error::PrintError;
use super::frame::{Heading, Page};
use super::paper::{Orientation, PageSetup};
use super::pattern::black_runs;
use super::sheet::{Area, Item, Pattern, PointMm};
use super::typeface::figure;
use crate::camera::calibration::{Board, Charuco, CharucoLayout, Chessboard};

/// Fewer squares a side give too few corners for a calibration.
const FEWEST_SQUARES: usize = 4;

/// Below this a square is lost in a picture that shows the whole board.
const SMALLEST_SQUARE_MM: f64 = 8.0;

/// A marker's cell should be no smaller than a tag's: 0.75 mm for the smallest tag.
const SMALLEST_CELL_MM: f64 = 0.75;

/// Markers that fill more of their square merge with its corners under blur (common practice, no
/// source).
const LARGEST_MARKER_PER_SQUARE: f64 = 0.85;

/// White that must stay around the board, so that its outermost squares keep their edges.
const WHITE_MARGIN_MM: f64 = 5.0;

/// Inner corners of a kit's chessboard, across and down.
const KIT_CORNERS: [usize; 2] = [9, 6];

/// Edge of its squares, where the paper has room for them.
const LARGEST_KIT_SQUARE_MM: f64 = 20.0;

/// One sheet with a calibration board; ChArUco boards have the top-left square black.
pub fn board(board: &Board, setup: &PageSetup) -> Result<Document, PrintError> {
    Ok(Document::bound(title(board), vec![page(board, setup)?]))
}

/// The chessboard of a kit: of many crossings, and small enough for every paper.
pub(super) fn kit_page(setup: &PageSetup) -> Result<Page, PrintError> {
    let chessboard = |square_mm| {
        Board::Chessboard(Chessboard {
            columns: KIT_CORNERS[0],
            rows: KIT_CORNERS[1],
            square_mm,
        })
    };
    let largest = chessboard(LARGEST_KIT_SQUARE_MM);
    let room = roomiest_page(&largest, setup).room;
    // Whole millimetres are easily typed.
    let square_mm = largest_square_mm(&largest, &room).floor();
    page(&chessboard(square_mm.min(LARGEST_KIT_SQUARE_MM)), setup)
}

/// The sheet of a board.
fn page(board: &Board, setup: &PageSetup) -> Result<Page, PrintError> {
    check(board)?;
    let mut page = roomiest_page(board, setup);
    let [width_mm, height_mm] = board.size_mm();
    let largest_square_mm = largest_square_mm(board, &page.room);
    if largest_square_mm < board.square_mm() {
        return Err(PrintError::BoardTooLarge {
            width_mm,
            height_mm,
            largest_square_mm: (largest_square_mm * 10.0).floor() / 10.0,
            paper: setup.paper.name(),
        });
    }
    let corner = page.room.centre() - Vector2::new(width_mm, height_mm) / 2.0;
    page.place(vec![Item::Pattern(pattern(board)?)], corner);
    Ok(page)
}

/// Refuses boards that cannot be printed or would not calibrate.
fn check(board: &Board) -> Result<(), PrintError> {
    let [columns, rows] = board.squares();
    if columns < FEWEST_SQUARES || rows < FEWEST_SQUARES {
        return Err(PrintError::BoardTooFewSquares { columns, rows });
    }
    let square_mm = board.square_mm();
    if !(square_mm >= SMALLEST_SQUARE_MM && square_mm.is_finite()) {
        return Err(PrintError::SquareTooSmall {
            square_mm,
            smallest_mm: SMALLEST_SQUARE_MM,
        });
    }
    match board {
        Board::Chessboard(_) => Ok(()),
        Board::Charuco(charuco) => check_markers(charuco),
    }
}

fn check_markers(board: &Charuco) -> Result<(), PrintError> {
    let &Charuco {
        columns,
        rows,
        square_mm,
        marker_mm,
        dictionary,
    } = board;
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
    let needed = columns.saturating_mul(rows) / 2;
    if needed > held {
        return Err(PrintError::DictionaryTooSmall {
            dictionary: dictionary.name(),
            needed,
            held,
        });
    }
    Ok(())
}

/// The empty sheet, upright or across, that has more room for the board.
fn roomiest_page(board: &Board, setup: &PageSetup) -> Page {
    let heading = heading(board);
    let [portrait, landscape] = [Orientation::Portrait, Orientation::Landscape]
        .map(|orientation| Page::new(setup, orientation, &heading));
    let room_in = |page: &Page| largest_square_mm(board, &page.room);
    match room_in(&portrait) >= room_in(&landscape) {
        true => portrait,
        false => landscape,
    }
}

/// The largest square with which the board and its white margin fit.
fn largest_square_mm(board: &Board, room: &Area) -> f64 {
    let [columns, rows] = board.squares().map(|count| count as f64);
    let across_mm = (room.width_mm - 2.0 * WHITE_MARGIN_MM) / columns;
    let down_mm = (room.height_mm - 2.0 * WHITE_MARGIN_MM) / rows;
    across_mm.min(down_mm)
}

fn heading(board: &Board) -> Heading {
    Heading {
        title: title(board),
        lines: vec![
            "Glue the sheet flat onto something stiff: glass, or a straight board. It must not \
             bend or wave. There is nothing to cut: at least 5 mm of white around the squares must \
             stay. This way is up, but it may be filmed any way up."
                .into(),
            format!(
                "Calibrate with: hingewise calibrate CLIP {} --out PROFILE.toml",
                options(board)
            ),
        ],
        caution: None,
        aside_mm: None,
    }
}

fn title(board: &Board) -> String {
    let square_mm = figure(board.square_mm());
    match board {
        Board::Chessboard(board) => format!(
            "Calibration board: chessboard, {} × {} inner corners, {square_mm} mm",
            board.columns, board.rows
        ),
        Board::Charuco(board) => format!(
            "Calibration board: ChArUco, {} × {} squares, {square_mm} mm",
            board.columns, board.rows
        ),
    }
}

/// Options that describe this board to `calibrate`.
fn options(board: &Board) -> String {
    match board {
        Board::Chessboard(board) => format!(
            "--chessboard {}x{} --square-mm {}",
            board.columns, board.rows, board.square_mm
        ),
        Board::Charuco(board) => format!(
            "--charuco {}x{} --square-mm {} --marker-mm {} --dictionary {}",
            board.columns,
            board.rows,
            board.square_mm,
            board.marker_mm,
            board.dictionary.name()
        ),
    }
}

/// The black of the board, from its own top-left corner.
fn pattern(board: &Board) -> Result<Pattern, PrintError> {
    let [width_mm, height_mm] = board.size_mm();
    let mut black = black_squares(board);
    if let Board::Charuco(charuco) = board {
        for place in charuco.markers(CharucoLayout::TopLeftBlack) {
            let [top_left, ..] = charuco.marker_corners_mm(place);
            let marker = square(top_left, charuco.marker_mm);
            // `check_markers` has made sure that the dictionary holds enough of them.
            let cells = charuco.dictionary.cells(place.id)?.unwrap_or_default();
            black.extend(black_runs(&cells, &marker));
        }
    }
    Ok(Pattern {
        outline: Area::new(0.0, 0.0, width_mm, height_mm),
        white_margin_mm: WHITE_MARGIN_MM,
        black,
    })
}

/// The black squares, the top-left one among them.
fn black_squares(board: &Board) -> Vec<Area> {
    let [columns, rows] = board.squares();
    let places = (0..rows).flat_map(|row| (0..columns).map(move |column| (column, row)));
    let black = places.filter(|(column, row)| (column + row).is_multiple_of(2));
    let square_mm = board.square_mm();
    black
        .map(|(column, row)| {
            let corner = Point2::new(column as f64, row as f64) * square_mm;
            square(corner, square_mm)
        })
        .collect()
}

fn square(top_left: PointMm, edge_mm: f64) -> Area {
    Area::new(top_left.x, top_left.y, edge_mm, edge_mm)
}
