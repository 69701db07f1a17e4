//! A picture reduced for a search, and the way back.

use nalgebra::Point2;
use opencv::core::{Mat, Point2f, Size};
use opencv::imgproc;
use opencv::prelude::*;

use super::{VisionError, keep_to_one_thread};
use crate::clip::GreyImage;

/// Longer side, px, to which pictures are reduced at most: the search for a board takes seconds on
/// larger ones, and a square of fewer than 8 px there is too small to measure anyway. Points that
/// can be followed between pictures are visible there too, at a fraction of the time and the
/// memory.
const SEARCH_SIDE_PX: usize = 1000;

/// A picture small enough to be searched, and the way back to the full one.
pub(super) struct SearchPicture {
    pub picture: Mat,
    pub reduced_by: usize,
}

impl SearchPicture {
    /// `None` of an empty picture.
    pub fn of(image: &GreyImage) -> Result<Option<Self>, VisionError> {
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
    pub fn in_full_picture(&self, corner: Point2f) -> Point2<f64> {
        let by = self.reduced_by as f64;
        let shift_px = (by - 1.0) / 2.0;
        Point2::new(
            f64::from(corner.x) * by + shift_px,
            f64::from(corner.y) * by + shift_px,
        )
    }
}
