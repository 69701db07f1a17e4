//! Finding ChArUco boards of odd and even rows in both layouts, and measuring their crossings.
//!
//! Boards are drawn here pixel by pixel from the published rule (OpenCV's documentation of
//! `CharucoBoard` and `setLegacyPattern`): new boards begin with a black square at the top-left,
//! legacy boards with a white one there if the number of rows is even; markers fill the white
//! squares row by row.

#![allow(clippy::unwrap_used)]

use crate::support::random::Random;
use hingewise::camera::calibration::{
    Board, BoardFinder, Charuco, CharucoLayout, Chessboard, NoView,
};
use hingewise::clip::GreyImage;
use hingewise::vision::Dictionary;

const WIDTH_PX: usize = 960;
const HEIGHT_PX: usize = 920;
const SQUARE_MM: f64 = 20.0;
const MARKER_MM: f64 = 15.0;
/// Samples a side of a pixel.
const FINE: usize = 4;
const BLACK: f64 = 40.0;
const WHITE: f64 = 210.0;
/// Noise of the sensor, code values.
const NOISE: f64 = 2.0;

/// A board in a picture: where a point of the picture lies on the board, in squares.
struct Scene {
    columns: usize,
    rows: usize,
    first_black: bool,
    markers: Option<Dictionary>,
}

/// Board (squares) from picture (pixels): a fixed oblique view.
const BOARD_FROM_PICTURE: [[f64; 3]; 3] = [
    [0.012_9, 0.002_1, -1.9],
    [-0.001_6, 0.012_2, -1.1],
    [0.000_25, 0.000_18, 1.0],
];

fn on_board(x: f64, y: f64) -> [f64; 2] {
    let h = BOARD_FROM_PICTURE;
    let w = h[2][0] * x + h[2][1] * y + h[2][2];
    [0, 1].map(|i| (h[i][0] * x + h[i][1] * y + h[i][2]) / w)
}

/// Where a crossing is seen: the inverse of [`on_board`], by Cramer's rule.
fn in_picture(u: f64, v: f64) -> [f64; 2] {
    let h = BOARD_FROM_PICTURE;
    let (a, b) = (h[0][0] - u * h[2][0], h[0][1] - u * h[2][1]);
    let (c, d) = (h[1][0] - v * h[2][0], h[1][1] - v * h[2][1]);
    let (e, f) = (u * h[2][2] - h[0][2], v * h[2][2] - h[1][2]);
    let det = a * d - b * c;
    [(e * d - b * f) / det, (a * f - e * c) / det]
}

impl Scene {
    fn is_black_square(&self, column: usize, row: usize) -> bool {
        (column + row).is_multiple_of(2) == self.first_black
    }

    /// Markers' cells by square, `true` white.
    fn cells(&self) -> std::collections::BTreeMap<(usize, usize), Vec<Vec<bool>>> {
        let mut cells = std::collections::BTreeMap::new();
        let Some(dictionary) = self.markers else {
            return cells;
        };
        let mut id = 0;
        for row in 0..self.rows {
            for column in 0..self.columns {
                if !self.is_black_square(column, row) {
                    cells.insert((column, row), dictionary.cells(id).unwrap().unwrap());
                    id += 1;
                }
            }
        }
        cells
    }

    fn picture(&self) -> GreyImage {
        let cells = self.cells();
        let mut random = Random::new(7);
        let mut pixels = Vec::with_capacity(WIDTH_PX * HEIGHT_PX);
        for y in 0..HEIGHT_PX {
            for x in 0..WIDTH_PX {
                let mut sum = 0.0;
                for fine in 0..FINE * FINE {
                    let offset = |index: usize| (index as f64 + 0.5) / FINE as f64 - 0.5;
                    let (dx, dy) = (offset(fine % FINE), offset(fine / FINE));
                    let white = self.is_white(on_board(x as f64 + dx, y as f64 + dy), &cells);
                    sum += if white { WHITE } else { BLACK };
                }
                let value = sum / (FINE * FINE) as f64 + NOISE * random.normal();
                pixels.push(value.round() as u8);
            }
        }
        GreyImage {
            width_px: WIDTH_PX,
            height_px: HEIGHT_PX,
            pixels: pixels.into(),
        }
    }

    fn is_white(
        &self,
        [u, v]: [f64; 2],
        cells: &std::collections::BTreeMap<(usize, usize), Vec<Vec<bool>>>,
    ) -> bool {
        if u < 0.0 || v < 0.0 || u >= self.columns as f64 || v >= self.rows as f64 {
            return true;
        }
        let (column, row) = (u as usize, v as usize);
        if self.is_black_square(column, row) {
            return false;
        }
        let Some(marker) = cells.get(&(column, row)) else {
            return true;
        };
        let side = MARKER_MM / SQUARE_MM;
        let inside = |value: f64| (value.fract() - (1.0 - side) / 2.0) / side;
        let (a, b) = (inside(u), inside(v));
        if !(0.0..1.0).contains(&a) || !(0.0..1.0).contains(&b) {
            return true;
        }
        let cell = |share: f64| (share * marker.len() as f64) as usize;
        marker[cell(b)][cell(a)]
    }
}

fn charuco(columns: usize, rows: usize) -> Charuco {
    Charuco {
        columns,
        rows,
        square_mm: SQUARE_MM,
        marker_mm: MARKER_MM,
        dictionary: Dictionary::named("DICT_4X4_50").unwrap(),
    }
}

/// Finds the board and compares every crossing with where it was drawn.
fn assert_found(board: Board, scene: &Scene, layout: Option<CharucoLayout>) {
    let mut finder = BoardFinder::new(board).unwrap();
    let sighting = finder.look("drawn", &scene.picture()).unwrap().unwrap();
    assert_eq!(sighting.layout, layout);
    let (columns, rows) = board.crossings();
    assert_eq!(sighting.view.points.len(), columns * rows);
    let mut squares = 0.0;
    for point in &sighting.view.points {
        let mut on_board = [(point.column + 1) as f64, (point.row + 1) as f64];
        if layout.is_none() && matches!(board, Board::Chessboard(_)) {
            // A plain chessboard may be found turned by 180°.
            let first = sighting.view.points[0].in_image_px;
            let turned = first.x > WIDTH_PX as f64 / 2.0;
            if turned {
                on_board = [
                    scene.columns as f64 - on_board[0],
                    scene.rows as f64 - on_board[1],
                ];
            }
        }
        let [x, y] = in_picture(on_board[0], on_board[1]);
        let seen = point.in_image_px;
        let squared = (seen.x - x).powi(2) + (seen.y - y).powi(2);
        assert!(squared.sqrt() < 0.15, "{point:?} against {x} {y}");
        squares += squared;
        let expected_mm =
            [(point.column + 1) as f64, (point.row + 1) as f64].map(|v| v * SQUARE_MM);
        assert_eq!([point.on_board_mm.x, point.on_board_mm.y], expected_mm);
    }
    let rms_px = (squares / sighting.view.points.len() as f64).sqrt();
    println!("{}: RMS {rms_px:.4} px", board.words());
    assert!(rms_px < 0.04, "{rms_px}");
}

#[test]
fn boards_of_even_rows_tell_their_layout() {
    for (first_black, layout) in [
        (true, CharucoLayout::TopLeftBlack),
        (false, CharucoLayout::BottomLeftBlack),
    ] {
        let board = charuco(7, 6);
        let scene = Scene {
            columns: 7,
            rows: 6,
            first_black,
            markers: Some(board.dictionary),
        };
        assert_found(Board::Charuco(board), &scene, Some(layout));
    }
}

#[test]
fn boards_of_odd_rows_have_one_layout() {
    let board = charuco(8, 5);
    let scene = Scene {
        columns: 8,
        rows: 5,
        first_black: true,
        markers: Some(board.dictionary),
    };
    assert_found(Board::Charuco(board), &scene, None);
}

#[test]
fn crossings_of_a_chessboard_lie_where_they_were_drawn() {
    let board = Board::Chessboard(Chessboard {
        columns: 7,
        rows: 5,
        square_mm: SQUARE_MM,
    });
    let scene = Scene {
        columns: 8,
        rows: 6,
        first_black: true,
        markers: None,
    };
    assert_found(board, &scene, None);
}

#[test]
fn a_board_of_another_width_is_no_board() {
    let printed = charuco(7, 6);
    let scene = Scene {
        columns: 7,
        rows: 6,
        first_black: true,
        markers: Some(printed.dictionary),
    };
    let mut finder = BoardFinder::new(Board::Charuco(charuco(8, 6))).unwrap();
    let none = finder.look("drawn", &scene.picture()).unwrap().unwrap_err();
    assert!(matches!(none, NoView::MarkersElsewhere(_)), "{none:?}");
}

/// Boards drawn by OpenCV 4.6.0 itself, of odd and of even rows.
#[cfg(not(markers_in_objdetect))]
#[test]
fn boards_drawn_by_opencv_are_found() {
    use opencv::core::{Mat, Size};
    use opencv::prelude::*;

    for (columns, rows, layout) in [(5, 7, None), (7, 6, Some(CharucoLayout::TopLeftBlack))] {
        // Code 0 is DICT_4X4_50.
        let dictionary = opencv::aruco::get_predefined_dictionary_i32(0).unwrap();
        let mut drawn =
            opencv::aruco::CharucoBoard::create(columns, rows, 0.020, 0.015, &dictionary).unwrap();
        let mut picture = Mat::default();
        let (square_px, margin_px) = (80, 20);
        let size = Size::new(
            columns * square_px + 2 * margin_px,
            rows * square_px + 2 * margin_px,
        );
        drawn.draw(size, &mut picture, margin_px, 1).unwrap();
        let image = GreyImage {
            width_px: size.width as usize,
            height_px: size.height as usize,
            pixels: picture.data_bytes().unwrap().to_vec().into(),
        };
        let board = Board::Charuco(charuco(columns as usize, rows as usize));
        let mut finder = BoardFinder::new(board).unwrap();
        let sighting = finder.look("drawn", &image).unwrap().unwrap();
        assert_eq!(sighting.layout, layout);
        assert_eq!(
            sighting.view.points.len(),
            ((columns - 1) * (rows - 1)) as usize
        );
        for point in &sighting.view.points {
            // The edge between two pixels lies half a pixel before the second one's centre.
            let expected = |index: usize| (margin_px + square_px * (index as i32 + 1)) as f64 - 0.5;
            let seen = point.in_image_px;
            let (dx, dy) = (
                seen.x - expected(point.column),
                seen.y - expected(point.row),
            );
            assert!(dx.hypot(dy) < 0.1, "{point:?}");
        }
    }
}
