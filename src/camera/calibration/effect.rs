//! The effect of a camera's uncertainty on a measured angle.
//!
//! A typical measurement is laid out in front of the calibrated camera: a tag of 20 mm on a
//! surface of 57 mm, seen 37 px wide in a picture of 1920 px and in proportion in others, a quarter
//! of the picture's width beside its middle, the hinge across the view and the tag leaning 30°. The
//! surface moves from −30° to 30° in steps of 10°, and tag pose, hinge line and deflections are
//! fitted to the tag's corners by least squares. With J the derivatives of all corners by those
//! unknowns and K by the camera's intrinsics, intrinsics that are wrong by dc move the unknowns by
//! −(JᵀJ)⁻¹JᵀK dc; the row of the deflection of 30° propagates the covariance.

use nalgebra::{
    DMatrix, DVector, Isometry3, Point2, Point3, RowSVector, Translation3, UnitQuaternion, Vector3,
};

use crate::camera::{Camera, INTRINSIC_COUNT, IntrinsicsCovariance};
use crate::conventions::{deg_from_rad, rad_from_deg};

const TAG_EDGE_MM: f64 = 20.0;
const SURFACE_MM: f64 = 57.0;
/// Width of the tag in the picture over the width of the picture.
const TAG_SHARE: f64 = 37.0 / 1920.0;
/// How far beside the middle of the picture the tag is seen, over the width of the picture.
pub(super) const ASIDE_SHARE: f64 = 0.25;
const LEAN_DEG: f64 = 30.0;
/// Deflections other than neutral; the last one is judged.
const DEFLECTIONS_DEG: [f64; 6] = [-30.0, -20.0, -10.0, 10.0, 20.0, 30.0];
/// Tag pose (6) and hinge line (4) beside the deflections.
const UNKNOWNS: usize = DEFLECTIONS_DEG.len() + 10;
/// Step of the central differences, in radians and in parts of the surface's length.
const STEP: f64 = 1e-5;

/// Standard deviation, degrees, that the intrinsics' covariance adds to a deflection of 30°: the
/// worse of a tag left and a tag right of the middle. `None` if the camera cannot see the layout.
pub fn deflection_sd_deg(
    camera: &Camera,
    covariance: &IntrinsicsCovariance,
    width_px: usize,
) -> Option<f64> {
    let mut worst = 0.0_f64;
    for by_intrinsics in deflections_by_intrinsics(camera, width_px)? {
        let variance = (by_intrinsics * covariance * by_intrinsics.transpose())[(0, 0)];
        worst = worst.max(variance);
    }
    Some(deg_from_rad(worst.sqrt()))
}

/// How the fitted deflection of 30° moves with the intrinsics, rad per unit: for a tag left and for
/// a tag right of the middle.
pub(in crate::camera) fn deflections_by_intrinsics(
    camera: &Camera,
    width_px: usize,
) -> Option<[RowSVector<f64, INTRINSIC_COUNT>; 2]> {
    let width_px = width_px as f64;
    Some([
        deflection_by_intrinsics(camera, width_px, -1.0)?,
        deflection_by_intrinsics(camera, width_px, 1.0)?,
    ])
}

/// How the fitted deflection of 30° moves with the intrinsics, rad per unit.
fn deflection_by_intrinsics(
    camera: &Camera,
    width_px: f64,
    side: f64,
) -> Option<RowSVector<f64, INTRINSIC_COUNT>> {
    let layout = Layout::new(camera, width_px, side);
    let at_rest = DVector::zeros(UNKNOWNS);
    let by_unknowns = differences(UNKNOWNS, |index, step| {
        let mut moved = at_rest.clone();
        moved[index] = step;
        layout.corners_px(camera, &moved)
    })?;
    let intrinsics = camera.intrinsics();
    let by_intrinsics = differences(INTRINSIC_COUNT, |index, step| {
        let mut moved = intrinsics;
        moved[index] += step;
        layout.corners_px(&Camera::from_intrinsics(&moved), &at_rest)
    })?;
    let normal = by_unknowns.tr_mul(&by_unknowns).cholesky()?;
    let moved = -normal.solve(&by_unknowns.tr_mul(&by_intrinsics));
    let judged = moved.row(DEFLECTIONS_DEG.len() - 1);
    Some(RowSVector::from_iterator(judged.iter().copied()))
}

/// Central differences of corners by `count` parameters, one column a parameter.
fn differences(
    count: usize,
    corners: impl Fn(usize, f64) -> Option<DVector<f64>>,
) -> Option<DMatrix<f64>> {
    let columns: Option<Vec<DVector<f64>>> = (0..count)
        .map(|index| Some((corners(index, STEP)? - corners(index, -STEP)?) / (2.0 * STEP)))
        .collect();
    Some(DMatrix::from_columns(&columns?))
}

/// The typical measurement in the camera frame.
struct Layout {
    /// A point of the hinge line, mm.
    hinge: Vector3<f64>,
    /// The tag's centre at neutral, mm.
    tag: Vector3<f64>,
}

impl Layout {
    fn new(camera: &Camera, width_px: f64, side: f64) -> Self {
        let distance_mm = camera.fx * TAG_EDGE_MM / (TAG_SHARE * width_px);
        let aside_mm = side * ASIDE_SHARE * width_px / camera.fx * distance_mm;
        Self {
            hinge: Vector3::new(aside_mm, 0.0, distance_mm + SURFACE_MM),
            tag: Vector3::new(aside_mm, 0.0, distance_mm),
        }
    }

    /// Corners of the tag at neutral and at every deflection, x and y in turn.
    ///
    /// `unknowns` are departures from the layout: deflections, tag rotation, tag shift, hinge
    /// direction, hinge shift; angles in rad, shifts in parts of the surface's length.
    fn corners_px(&self, camera: &Camera, unknowns: &DVector<f64>) -> Option<DVector<f64>> {
        let rest = &unknowns.as_slice()[DEFLECTIONS_DEG.len()..];
        let turn = UnitQuaternion::from_scaled_axis(Vector3::new(rest[0], rest[1], rest[2]));
        let shift = Vector3::new(rest[3], rest[4], rest[5]) * SURFACE_MM;
        let lean = UnitQuaternion::from_axis_angle(&Vector3::x_axis(), rad_from_deg(LEAN_DEG));
        let camera_from_tag =
            Isometry3::from_parts(Translation3::from(self.tag + shift), lean * turn);
        let axis = UnitQuaternion::from_scaled_axis(Vector3::new(0.0, rest[6], rest[7]))
            * Vector3::x_axis();
        let hinge = self.hinge + Vector3::new(0.0, rest[8], rest[9]) * SURFACE_MM;
        let departures = unknowns.iter().take(DEFLECTIONS_DEG.len());
        let deflected = DEFLECTIONS_DEG
            .iter()
            .zip(departures)
            .map(|(deflection_deg, departure)| rad_from_deg(*deflection_deg) + departure);
        let mut corners = Vec::new();
        for deflection_rad in std::iter::once(0.0).chain(deflected) {
            let turn = UnitQuaternion::from_axis_angle(&axis, deflection_rad);
            for corner in tag_corners() {
                let turned = turn * ((camera_from_tag * corner).coords - hinge) + hinge;
                let seen: Point2<f64> = camera.project(&Point3::from(turned))?;
                corners.extend([seen.x, seen.y]);
            }
        }
        Some(DVector::from_vec(corners))
    }
}

fn tag_corners() -> [Point3<f64>; 4] {
    let half = TAG_EDGE_MM / 2.0;
    [(-half, half), (half, half), (half, -half), (-half, -half)]
        .map(|(x, y)| Point3::new(x, y, 0.0))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::solver::{Problem, SolverOptions, solve};

    /// The layout as seen by one camera, fitted with another that is a little wrong.
    struct WrongCamera {
        layout: Layout,
        wrong: Camera,
        seen: DVector<f64>,
    }

    impl Problem for WrongCamera {
        fn parameter_count(&self) -> usize {
            UNKNOWNS
        }

        fn residuals(&self, unknowns: &DVector<f64>) -> Option<DVector<f64>> {
            Some(self.layout.corners_px(&self.wrong, unknowns)? - &self.seen)
        }
    }

    /// The propagation is linear; a fit of the whole layout with a wrong camera is not.
    #[test]
    fn propagation_agrees_with_fitting_with_a_wrong_camera() {
        let camera = Camera {
            fx: 1500.0,
            fy: 1500.0,
            cx: 960.0,
            cy: 540.0,
            distortion: [0.05, -0.1, 0.0, 0.0, 0.0],
        };
        for (index, wrong_by) in [(0, 1.0), (1, 1.0), (2, 1.0), (3, 1.0), (4, 1e-3), (6, 1e-4)] {
            let linear = deflection_by_intrinsics(&camera, 1920.0, 1.0).unwrap()[index] * wrong_by;
            let mut intrinsics = camera.intrinsics();
            intrinsics[index] += wrong_by;
            let layout = Layout::new(&camera, 1920.0, 1.0);
            let seen = layout
                .corners_px(&camera, &DVector::zeros(UNKNOWNS))
                .unwrap();
            let problem = WrongCamera {
                layout,
                wrong: Camera::from_intrinsics(&intrinsics),
                seen,
            };
            let start = DVector::zeros(UNKNOWNS);
            let (fitted, _) = solve(&problem, start, &SolverOptions::default()).unwrap();
            let refitted = fitted.parameters[DEFLECTIONS_DEG.len() - 1];
            assert!(
                (refitted - linear).abs() < 0.02 * refitted.abs().max(1e-5),
                "{index}: {refitted} against {linear}"
            );
        }
    }
}
