//! Finds chessboards roughly with OpenCV; other modules measure their crossings exactly.

use nalgebra::Point2;
use opencv::core::{Mat, Point2f, Size, Vector};
use opencv::prelude::*;

use super::VisionError;
use super::search_picture::SearchPicture;
use crate::clip::GreyImage;

// OpenCV 5 has no module `calib3d`; chessboards moved to `objdetect`.
opencv::not_opencv_branch_5! {
    use opencv::calib3d as chessboards;
}
opencv::opencv_branch_5! {
    use opencv::objdetect as chessboards;
}

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
    let quick = chessboards::CALIB_CB_ADAPTIVE_THRESH
        | chessboards::CALIB_CB_NORMALIZE_IMAGE
        | chessboards::CALIB_CB_FAST_CHECK;
    let mut found =
        chessboards::find_chessboard_corners(&search.picture, size, &mut corners, quick)?;
    if !found {
        let patient = chessboards::CALIB_CB_NORMALIZE_IMAGE;
        found =
            chessboards::find_chessboard_corners_sb(&search.picture, size, &mut corners, patient)?;
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
    let found = chessboards::find_chessboard_corners_sb_with_meta(
        &search.picture,
        Size::new(SMALLEST_BOARD, SMALLEST_BOARD),
        &mut corners,
        chessboards::CALIB_CB_NORMALIZE_IMAGE | chessboards::CALIB_CB_LARGER,
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
