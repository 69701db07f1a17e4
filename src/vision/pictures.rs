//! Plain picture operations of the library.

use opencv::core::{Mat, MatTraitConstManual, Size};
use opencv::imgproc;

use super::VisionError;
use crate::clip::GreyImage;

/// A picture reduced by a whole factor, each pixel the mean of the pixels it replaces; pixel
/// centres are integers, so a place `x` of it was `(x + 0.5) · factor − 0.5`.
pub fn reduced(image: &GreyImage, factor: usize) -> Result<GreyImage, VisionError> {
    let size_px = (image.width_px / factor, image.height_px / factor);
    resized(image, size_px, imgproc::INTER_AREA)
}

/// A picture enlarged by a whole factor with cubic interpolation; pixel centres at integers, so a
/// place `x` of it was `(x + 0.5) / factor − 0.5`.
pub fn enlarged(image: &GreyImage, factor: usize) -> Result<GreyImage, VisionError> {
    let size_px = (image.width_px * factor, image.height_px * factor);
    resized(image, size_px, imgproc::INTER_CUBIC)
}

fn resized(
    image: &GreyImage,
    (width_px, height_px): (usize, usize),
    interpolation: i32,
) -> Result<GreyImage, VisionError> {
    let picture =
        Mat::new_rows_cols_with_data(image.height_px as i32, image.width_px as i32, &image.pixels)?;
    let size = Size::new(width_px as i32, height_px as i32);
    let mut result = Mat::default();
    imgproc::resize(&picture, &mut result, size, 0.0, 0.0, interpolation)?;
    Ok(GreyImage {
        width_px,
        height_px,
        pixels: result.data_bytes()?.to_vec().into(),
    })
}
