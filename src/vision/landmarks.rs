//! Finds spots of a picture that can be found again in others.

use nalgebra::Point2;
use opencv::core::{Mat, Point2f, Vector};
use opencv::imgproc;

use super::{VisionError, keep_to_one_thread, reduced};
use crate::clip::GreyImage;

/// Longer side, px, to which pictures are reduced at least before they are looked through: what can be
/// found again shows there too, at a fraction of the time and the memory.
const SEARCH_SIDE_PX: usize = 1000;
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
    keep_to_one_thread()?;
    let longer_px = image.width_px.max(image.height_px);
    let factor = longer_px.div_ceil(SEARCH_SIDE_PX).max(1);
    let search = reduced(image, factor)?;
    let in_picture = |at: f64| (at + 0.5) * factor as f64 - 0.5;
    let allowed = |row: usize, column: usize| {
        let place = Point2::new(in_picture(column as f64), in_picture(row as f64));
        let mut discs = keep_out.iter();
        discs.all(|disc| (place - disc.centre_px).norm_squared() > disc.radius_px.powi(2))
    };
    let places =
        (0..search.height_px).flat_map(|row| (0..search.width_px).map(move |column| (row, column)));
    let mask: Vec<u8> = places
        .map(|(row, column)| u8::from(allowed(row, column)))
        .collect();
    let (rows, columns) = (search.height_px as i32, search.width_px as i32);
    let picture = Mat::new_rows_cols_with_data(rows, columns, &search.pixels)?;
    let mask = Mat::new_rows_cols_with_data(rows, columns, &mask)?;
    let mut corners = Vector::<Point2f>::new();
    let (most, apart) = (most as i32, apart_px / factor as f64);
    // Harris's measure, whose factor is the last number, is not asked for.
    imgproc::good_features_to_track(
        &picture,
        &mut corners,
        most,
        QUALITY,
        apart,
        &mask,
        BLOCK_PX,
        false,
        0.04,
    )?;
    let pixel = |at: f32| in_picture(f64::from(at)).max(0.0).round() as usize;
    Ok(corners
        .iter()
        .map(|corner| [pixel(corner.x), pixel(corner.y)])
        .collect())
}
