//! Bow: paper that is not flat.
//!
//! Corners are those of the flat pattern that fits a tag best. The middle of a bent sheet is
//! higher than its edges; seen at an angle this shifts the middle of the pattern against its rim. The fitted
//! flat pattern absorbs that with a shift and a change of perspective, and a tag
//! whose perspective is wrong seems to have another tilt.

use nalgebra::{Matrix2, Point3, SMatrix, Vector2, Vector3};

use super::observation::Corners;
use super::parameters::BOWS;
use crate::camera::Camera;
use crate::geometry::{Pose, homography};

/// How the corners of the flat pattern that fits a bent tag best follow its bows, px/mm.
///
/// With places (a, b) on the tag in half edges, A and B px long in the picture, a sheet bent along
/// its columns rises by β (1 − b²) and shows it shifted by n β (1 − b²), n = p A + q B being
/// the image of a millimetre outwards. Of the flat patterns A (−h a b) + B (t − h b²)
/// least squares over the square choose h = 4 q |B|² / (4 |B|² + 5 |A|²), since b² and a b have the
/// variances 4/45 and 1/9 there; across, p A shifts by its mean, 2/3. That a bent sheet is a little
/// shorter is left out: it is of second order.
///
/// `None` if the tag is seen along its surface.
pub(in crate::motion) fn bow_slope(
    camera: &Camera,
    camera_from_tag: &Pose,
    corners_px: &Corners,
) -> Option<SMatrix<f64, 8, BOWS>> {
    let outwards_px = outwards_px(camera, camera_from_tag)?;
    let corner = |index: usize| corners_px.fixed_rows::<2>(2 * index).into_owned();
    let half_row = (corner(1) - corner(0) + corner(2) - corner(3)) / 4.0;
    let half_column = (corner(3) - corner(0) + corner(2) - corner(1)) / 4.0;
    let shares = Matrix2::from_columns(&[half_row, half_column]).try_inverse()? * outwards_px;
    let [row2, column2] = [half_row.norm_squared(), half_column.norm_squared()];
    let perspectives = Vector2::new(
        4.0 * shares.x * row2 / (4.0 * row2 + 5.0 * column2),
        4.0 * shares.y * column2 / (4.0 * column2 + 5.0 * row2),
    );
    let mut slope = SMatrix::<f64, 8, BOWS>::zeros();
    for (index, (a, b)) in homography::SQUARE.into_iter().enumerate() {
        let along_row = half_row * (2.0 / 3.0) + half_column * (a * b);
        let along_column = half_column * (2.0 / 3.0) + half_row * (a * b);
        let mut at_corner = slope.fixed_rows_mut::<2>(2 * index);
        at_corner.set_column(0, &(outwards_px * (2.0 / 3.0) - along_row * perspectives.x));
        at_corner.set_column(
            1,
            &(outwards_px * (2.0 / 3.0) - along_column * perspectives.y),
        );
    }
    Some(slope)
}

/// How the middle of a tag moves in the picture with each millimetre out of its surface.
fn outwards_px(camera: &Camera, camera_from_tag: &Pose) -> Option<Vector2<f64>> {
    let lifted = |mm: f64| camera.project(&(camera_from_tag * Point3::from(Vector3::z() * mm)));
    Some((lifted(1.0)? - lifted(-1.0)?) / 2.0)
}
