//! First values for the adjustment, in closed form from the views' homographies.
//!
//! Z. Zhang, "A Flexible New Technique for Camera Calibration", MSR-TR-98-71 (1998), section 3.1.

use nalgebra::{
    DMatrix, Isometry3, Matrix3, Rotation3, SVector, Translation3, UnitQuaternion, Vector3,
};

use crate::camera::Camera;

/// Focal lengths believed of a closed form, over the picture's longer side: a fisheye below, a
/// long telephoto lens above.
const FOCAL_RANGE: (f64, f64) = (0.3, 10.0);
/// Largest ratio of the two focal lengths believed of a closed form: pixels are nearly square.
const LARGEST_ASPECT: f64 = 1.3;
/// How far from the picture's centre the principal point is believed, over the picture's side.
const LARGEST_OFFSET: f64 = 0.25;
/// Focal length over the longer side if the views do not determine it: a phone's main camera.
pub(in crate::camera) const USUAL_FOCAL: f64 = 0.8;

/// A first camera without distortion for a picture of this width and height.
pub(super) fn first_camera(image_from_board: &[Matrix3<f64>], size_px: (usize, usize)) -> Camera {
    let (width, height) = (size_px.0 as f64, size_px.1 as f64);
    let side = width.max(height);
    let centre = ((width - 1.0) / 2.0, (height - 1.0) / 2.0);
    // In units of the picture's side from its centre, where the equations are well scaled.
    let unit_from_image = Matrix3::new(
        1.0 / side,
        0.0,
        -centre.0 / side,
        0.0,
        1.0 / side,
        -centre.1 / side,
        0.0,
        0.0,
        1.0,
    );
    let unit: Vec<Matrix3<f64>> = image_from_board
        .iter()
        .map(|homography| unit_from_image * homography)
        .map(|homography| homography / homography.norm())
        .collect();
    let [fx, fy, cx, cy] = closed_form(&unit)
        .filter(believable)
        .unwrap_or_else(|| central(&unit));
    Camera {
        fx: fx * side,
        fy: fy * side,
        cx: cx * side + centre.0,
        cy: cy * side + centre.1,
        distortion: [0.0; 5],
    }
}

/// Where the camera saw the board from, by the homography of a view.
pub(in crate::camera) fn first_pose(
    camera: &Camera,
    image_from_board: &Matrix3<f64>,
) -> Isometry3<f64> {
    let rays = Matrix3::new(
        1.0 / camera.fx,
        0.0,
        -camera.cx / camera.fx,
        0.0,
        1.0 / camera.fy,
        -camera.cy / camera.fy,
        0.0,
        0.0,
        1.0,
    ) * image_from_board;
    // The board is in front of the camera, so its origin's depth is positive.
    let scale = 2.0 / (rays.column(0).norm() + rays.column(1).norm());
    let rays = rays * scale.copysign(rays[(2, 2)]);
    let (x, y): (Vector3<f64>, Vector3<f64>) = (rays.column(0).into(), rays.column(1).into());
    let rough = Matrix3::from_columns(&[x, y, x.cross(&y)]);
    // The nearest rotation, in the sense of Frobenius (Zhang's appendix C).
    let rotation = Rotation3::from_matrix_eps(&rough, f64::EPSILON, 100, Rotation3::identity());
    Isometry3::from_parts(
        Translation3::from(Vector3::from(rays.column(2))),
        UnitQuaternion::from_rotation_matrix(&rotation),
    )
}

fn believable(intrinsics: &[f64; 4]) -> bool {
    let [fx, fy, cx, cy] = *intrinsics;
    let focal = FOCAL_RANGE.0..FOCAL_RANGE.1;
    focal.contains(&fx)
        && focal.contains(&fy)
        && (1.0 / LARGEST_ASPECT..LARGEST_ASPECT).contains(&(fx / fy))
        && cx.abs() < LARGEST_OFFSET
        && cy.abs() < LARGEST_OFFSET
}

/// fx fy cx cy from the image of the absolute conic B, with zero skew.
fn closed_form(homographies: &[Matrix3<f64>]) -> Option<[f64; 4]> {
    // B11 B22 B13 B23 B33; B12 = 0 without skew.
    let row = |h: &Matrix3<f64>, i: usize, j: usize| {
        SVector::<f64, 5>::from([
            h[(0, i)] * h[(0, j)],
            h[(1, i)] * h[(1, j)],
            h[(2, i)] * h[(0, j)] + h[(0, i)] * h[(2, j)],
            h[(2, i)] * h[(1, j)] + h[(1, i)] * h[(2, j)],
            h[(2, i)] * h[(2, j)],
        ])
    };
    let mut equations = DMatrix::zeros(2 * homographies.len(), 5);
    for (view, h) in homographies.iter().enumerate() {
        equations.set_row(2 * view, &row(h, 0, 1).transpose());
        equations.set_row(2 * view + 1, &(row(h, 0, 0) - row(h, 1, 1)).transpose());
    }
    let eigen = (equations.transpose() * &equations).symmetric_eigen();
    let b = eigen.eigenvectors.column(eigen.eigenvalues.imin());
    let (b11, b22, b13, b23, b33) = (b[0], b[1], b[2], b[3], b[4]);
    let (cx, cy) = (-b13 / b11, -b23 / b22);
    let scale = b33 + cx * b13 + cy * b23;
    let (fx2, fy2) = (scale / b11, scale / b22);
    (fx2 > 0.0 && fy2 > 0.0).then(|| [fx2.sqrt(), fy2.sqrt(), cx, cy])
}

/// One focal length, with the principal point in the middle: less, but never absurd.
fn central(homographies: &[Matrix3<f64>]) -> [f64; 4] {
    let (mut product, mut square) = (0.0, 0.0);
    for h in homographies {
        let plane = |i: usize, j: usize| h[(0, i)] * h[(0, j)] + h[(1, i)] * h[(1, j)];
        let depth = |i: usize, j: usize| h[(2, i)] * h[(2, j)];
        let equations = [
            (plane(0, 1), depth(0, 1)),
            (plane(0, 0) - plane(1, 1), depth(0, 0) - depth(1, 1)),
        ];
        for (of_inverse_square, constant) in equations {
            product -= of_inverse_square * constant;
            square += of_inverse_square * of_inverse_square;
        }
    }
    let focal = (square / product).sqrt();
    let focal = if (FOCAL_RANGE.0..FOCAL_RANGE.1).contains(&focal) {
        focal
    } else {
        USUAL_FOCAL
    };
    [focal, focal, 0.0, 0.0]
}
