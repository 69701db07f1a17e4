//! Finds spots of a picture that can be found again in others.

use nalgebra::Point2;
use opencv::core::{Mat, Point2f, Vector};
use opencv::prelude::*;

use super::VisionError;
use super::search_picture::SearchPicture;
use crate::clip::GreyImage;

// The function moved to `features` in OpenCV 5.
opencv::not_opencv_branch_5! {
    use opencv::imgproc as spots;
}
opencv::opencv_branch_5! {
    use opencv::features as spots;
}

/// Side of the square whose structure counts, in the reduced picture.
const BLOCK_PX: i32 = 7;
/// Spots with less than this share of the best one's structure are none.
const QUALITY: f64 = 0.01;

/// A disc in which nothing is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeepOut {
    /// Its middle.
    pub centre_px: Point2<f64>,
    /// Its radius.
    pub radius_px: f64,
}

/// The pixels whose surroundings are most clearly structured in both directions (J. Shi and C. Tomasi,
/// "Good features to track", CVPR 1994), the best first: at most `most`, at least `apart_px` from
/// each other, outside of all `keep_out`; column and row of each, to the pixels of a reduced picture.
pub fn corners_to_follow(
    image: &GreyImage,
    keep_out: &[KeepOut],
    most: usize,
    apart_px: f64,
) -> Result<Vec<[usize; 2]>, VisionError> {
    let Some(search) = SearchPicture::of(image)? else {
        return Ok(vec![]);
    };
    let (rows, columns) = (search.picture.rows(), search.picture.cols());
    let in_picture = |x: f32, y: f32| search.in_full_picture(Point2f::new(x, y));
    let allowed = |row: i32, column: i32| {
        let place = in_picture(column as f32, row as f32);
        let mut discs = keep_out.iter();
        discs.all(|disc| (place - disc.centre_px).norm_squared() > disc.radius_px.powi(2))
    };
    let places = (0..rows).flat_map(|row| (0..columns).map(move |column| (row, column)));
    let mask: Vec<u8> = places
        .map(|(row, column)| u8::from(allowed(row, column)))
        .collect();
    let mask = Mat::new_rows_cols_with_data(rows, columns, &mask)?;
    let mut corners = Vector::<Point2f>::new();
    let (most, apart) = (most as i32, apart_px / search.reduced_by as f64);
    // Harris's measure, whose factor is the last number, is switched off.
    spots::good_features_to_track(
        &search.picture,
        &mut corners,
        most,
        QUALITY,
        apart,
        &mask,
        BLOCK_PX,
        false,
        0.04,
    )?;
    let pixel = |at: f64| at.max(0.0).round() as usize;
    Ok(corners
        .iter()
        .map(|corner| search.in_full_picture(corner))
        .map(|place| [pixel(place.x), pixel(place.y)])
        .collect())
}
