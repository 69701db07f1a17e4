//! Finds chessboards roughly with OpenCV; where their crossings lie exactly is measured elsewhere.

use nalgebra::Point2;
use opencv::calib3d;
use opencv::core::{Mat, Point2f, Size, Vector};
use opencv::imgproc;
use opencv::prelude::*;

use super::{VisionError, keep_to_one_thread};
use crate::clip::GreyImage;

/// Longer side, px, to which pictures are reduced before a board is looked for: the search takes
/// seconds on larger ones, and a square of fewer than 8 px there is too small to measure anyway.
const SEARCH_SIDE_PX: usize = 1000;

/// Smallest chessboard the library looks for: inner corners a side.
const SMALLEST_BOARD: i32 = 3;

/// Inner corners of a chessboard, row by row, to about a pixel; `None` if there is none of this
/// size.
///
/// `columns` and `rows` count inner corners. Which end comes first is arbitrary: a plain
/// chessboard looks the same turned by 180°.
pub fn find_chessboard(
    image: &GreyImage,
    columns: usize,
    rows: usize,
) -> Result<Option<Vec<Point2<f64>>>, VisionError> {
    let Some(search) = SearchPicture::of(image)? else {
        return Ok(None);
    };
    let size = Size::new(columns as i32, rows as i32);
    let mut corners = Vector::<Point2f>::new();
    let quick = calib3d::CALIB_CB_ADAPTIVE_THRESH
        | calib3d::CALIB_CB_NORMALIZE_IMAGE
        | calib3d::CALIB_CB_FAST_CHECK;
    let mut found = calib3d::find_chessboard_corners(&search.picture, size, &mut corners, quick)?;
    if !found {
        let patient = calib3d::CALIB_CB_NORMALIZE_IMAGE;
        found = calib3d::find_chessboard_corners_sb(&search.picture, size, &mut corners, patient)?;
    }
    if !found || corners.len() != columns * rows {
        return Ok(None);
    }
    Ok(Some(
        corners
            .iter()
            .map(|corner| search.in_full_picture(corner))
            .collect(),
    ))
}

/// Inner corners, columns by rows, of the largest chessboard in the picture, whatever its size.
pub fn largest_chessboard(image: &GreyImage) -> Result<Option<(usize, usize)>, VisionError> {
    let Some(search) = SearchPicture::of(image)? else {
        return Ok(None);
    };
    let mut corners = Vector::<Point2f>::new();
    let mut cells = Mat::default();
    let found = calib3d::find_chessboard_corners_sb_with_meta(
        &search.picture,
        Size::new(SMALLEST_BOARD, SMALLEST_BOARD),
        &mut corners,
        calib3d::CALIB_CB_NORMALIZE_IMAGE | calib3d::CALIB_CB_LARGER,
        &mut cells,
    )?;
    if !found || cells.empty() {
        return Ok(None);
    }
    Ok(Some((
        cells.cols().max(0) as usize,
        cells.rows().max(0) as usize,
    )))
}

/// A picture small enough to be searched, and the way back to the full one.
struct SearchPicture {
    picture: Mat,
    reduced_by: usize,
}

impl SearchPicture {
    fn of(image: &GreyImage) -> Result<Option<Self>, VisionError> {
        if image.pixels.is_empty() {
            return Ok(None);
        }
        keep_to_one_thread()?;
        let full = Mat::new_rows_cols_with_data(
            image.height_px as i32,
            image.width_px as i32,
            &image.pixels,
        )?;
        let longer_px = image.width_px.max(image.height_px);
        let reduced_by = longer_px.div_ceil(SEARCH_SIDE_PX);
        let mut picture = Mat::default();
        if reduced_by == 1 {
            full.copy_to(&mut picture)?;
        } else {
            let size = Size::new(
                (image.width_px / reduced_by) as i32,
                (image.height_px / reduced_by) as i32,
            );
            imgproc::resize(&full, &mut picture, size, 0.0, 0.0, imgproc::INTER_AREA)?;
        }
        Ok(Some(Self {
            picture,
            reduced_by,
        }))
    }

    /// Pixel centres lie at whole numbers, so a block of n pixels has its centre at (n − 1) / 2.
    fn in_full_picture(&self, corner: Point2f) -> Point2<f64> {
        let by = self.reduced_by as f64;
        let shift_px = (by - 1.0) / 2.0;
        Point2::new(
            f64::from(corner.x) * by + shift_px,
            f64::from(corner.y) * by + shift_px,
        )
    }
}
