//! Plain picture operations of the library.

use opencv::core::{Mat, MatTraitConstManual, Size};
use opencv::imgproc;

use super::VisionError;
use crate::clip::GreyImage;

/// A picture enlarged by a whole factor with cubic interpolation; pixel centres at integers, so a
/// place `x` of it was `(x + 0.5) / factor − 0.5`.
pub fn enlarged(image: &GreyImage, factor: usize) -> Result<GreyImage, VisionError> {
    let picture =
        Mat::new_rows_cols_with_data(image.height_px as i32, image.width_px as i32, &image.pixels)?;
    let (width_px, height_px) = (image.width_px * factor, image.height_px * factor);
    let size = Size::new(width_px as i32, height_px as i32);
    let mut larger = Mat::default();
    imgproc::resize(&picture, &mut larger, size, 0.0, 0.0, imgproc::INTER_CUBIC)?;
    Ok(GreyImage {
        width_px,
        height_px,
        pixels: larger.data_bytes()?.to_vec(),
    })
}
