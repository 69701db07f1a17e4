//! One picture of a board, as input of the calibration.

use nalgebra::Point2;

/// Fewest crossings of a useful view: they fix the eight numbers of its homography twice over.
pub(super) const FEWEST_CROSSINGS: usize = 8;

/// A point of the board seen in the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoardPoint {
    /// Column of the crossing, from 0; names the point to the person.
    pub column: usize,
    /// Row of the crossing, from 0.
    pub row: usize,
    /// Its place on the board, mm.
    pub on_board_mm: Point2<f64>,
    /// Where it was measured in the picture.
    pub in_image_px: Point2<f64>,
    /// Standard deviation of either picture coordinate; only ratios between points count, because
    /// the calibration scales them by the residuals.
    pub sd_px: f64,
}

/// A board as seen in one picture.
#[derive(Debug, Clone, PartialEq)]
pub struct BoardView {
    /// File or frame that it was seen in.
    pub name: String,
    /// Measured points, sorted by row and column.
    pub points: Vec<BoardPoint>,
    /// Median blur of the crossings, px (standard deviation); 0 where not known.
    pub blur_px: f64,
}
