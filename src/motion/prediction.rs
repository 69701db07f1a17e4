//! Where the fit expects the corners, and how that follows the unknowns.

use nalgebra::{Matrix3, Point3, SMatrix, SVector, Vector2, Vector3};

use super::observation::{Corners, Observation, Target};
use super::parameters::{CORNER_ERRORS, Constants, FrameState, Lens};
use crate::camera::Camera;
use crate::geometry::{Pose, across, corners_in_tag, turn_about};

/// Columns of a [`Linearised`]: the camera's pose in the frame (turn, shift) …
pub(super) const POSE: usize = 0;
/// … the constants of the tag's own surface or airframe tag …
pub(super) const OWN: usize = 6;
/// … the residual itself …
pub(super) const RESIDUAL: usize = 15;
/// … the edge shift …
pub(super) const EDGE_SHIFT: usize = 16;
/// … the lens, where it is unsure …
pub(super) const LENS: usize = 17;
/// … and errors of the corners themselves.
pub(super) const CORNER_ERROR: usize = 26;
/// Columns without the lens, with it, and with errors of the corners as well.
pub(super) const WITHOUT_LENS: usize = 17;
pub(super) const WITH_LENS: usize = 26;
pub(super) const WITH_CORNER_ERRORS: usize = 34;

/// Whitened residual and derivatives of one sighting.
pub(super) struct Linearised<const N: usize> {
    pub columns: SMatrix<f64, 8, N>,
    /// Derivative by the deflection; zero for airframe tags.
    pub by_angle: Corners,
}

/// Where a target's corners are in the reference frame.
fn corners_in_reference(
    seen: &Observation,
    constants: &Constants,
    state: &FrameState,
) -> [Point3<f64>; 4] {
    let reference_from_tag = match seen.target {
        Target::Surface(surface) => {
            let hinged = &constants.surfaces[surface];
            hinged.hinge.carry(
                &hinged.reference_from_tag_at_zero,
                state.angles_rad[surface],
            )
        }
        Target::Airframe(tag) => constants.airframe_tags[tag],
    };
    corners_in_tag(seen.edge_mm).map(|corner| reference_from_tag * corner)
}

/// Predicted minus observed corners, whitened; `None` if a corner falls behind the camera.
pub(super) fn residual(
    seen: &Observation,
    camera: &Camera,
    constants: &Constants,
    state: &FrameState,
) -> Option<Corners> {
    Some(seen.whitening * residual_px(seen, camera, constants, state)?)
}

/// Predicted minus observed corners, px.
pub(super) fn residual_px(
    seen: &Observation,
    camera: &Camera,
    constants: &Constants,
    state: &FrameState,
) -> Option<Corners> {
    let mut predicted = Corners::zeros();
    let corners = corners_in_reference(seen, constants, state);
    for (index, corner) in corners.iter().enumerate() {
        let point = camera.project(&(state.camera_from_reference * corner))?;
        predicted
            .fixed_rows_mut::<2>(2 * index)
            .copy_from(&point.coords);
    }
    let shift = edge_slope(&predicted) * constants.edge_shift_px;
    Some(predicted + shift - seen.corners_px)
}

/// The residual of one sighting with its derivatives.
pub(super) fn linearise<const N: usize>(
    seen: &Observation,
    camera: &Camera,
    lens: &Lens,
    constants: &Constants,
    state: &FrameState,
) -> Option<Linearised<N>> {
    let mut columns = SMatrix::<f64, 8, N>::zeros();
    let mut by_angle = Corners::zeros();
    let camera_from_reference = &state.camera_from_reference;
    let rotation = camera_from_reference.rotation.matrix();
    let movers = Movers::new(seen.target, constants, state);
    let corners = corners_in_reference(seen, constants, state);
    for (index, corner) in corners.iter().enumerate() {
        let row = 2 * index;
        let in_camera = camera_from_reference * corner;
        let projection = camera.project_with_jacobians(&in_camera)?;
        let by_camera = projection.by_point;
        let by_reference = by_camera * rotation;
        let turned = in_camera.coords - camera_from_reference.translation.vector;
        columns
            .fixed_view_mut::<2, 3>(row, POSE)
            .copy_from(&(by_camera * turning(&turned)));
        columns
            .fixed_view_mut::<2, 3>(row, POSE + 3)
            .copy_from(&by_camera);
        let (own, turn) = movers.of(corner);
        columns
            .fixed_view_mut::<2, 9>(row, OWN)
            .copy_from(&(by_reference * own));
        by_angle
            .fixed_rows_mut::<2>(row)
            .copy_from(&(by_reference * turn));
        columns[(row, RESIDUAL)] = projection.in_image.x;
        columns[(row + 1, RESIDUAL)] = projection.in_image.y;
        if let (Some(root), true) = (lens.root(), N > LENS) {
            columns
                .view_mut((row, LENS), (2, WITH_LENS - LENS))
                .copy_from(&(projection.by_intrinsics * root));
        }
    }
    // That the slope follows the corners is left out of the derivatives: the edge shift is a
    // thousandth of a tag.
    let predicted: Corners = columns.column(RESIDUAL).into_owned();
    let slope = edge_slope(&predicted);
    columns.set_column(EDGE_SHIFT, &slope);
    let miss = predicted + slope * constants.edge_shift_px - seen.corners_px;
    columns.set_column(RESIDUAL, &miss);
    if N > CORNER_ERROR {
        columns
            .columns_mut(CORNER_ERROR, CORNER_ERRORS)
            .fill_with_identity();
    }
    Some(Linearised {
        columns: seen.whitening * columns,
        by_angle: seen.whitening * by_angle,
    })
}

/// Moves of the corners when all four edges move outward by 1 px: each corner goes to the
/// meeting point of its two moved edges.
///
/// Of the predicted corners, never of the observed ones: their noise would go into the slope and
/// into the residual alike, and such a product does not average out.
fn edge_slope(corners_px: &Corners) -> Corners {
    let corner = |index: usize| corners_px.fixed_rows::<2>(2 * (index % 4)).into_owned();
    let outward = |from: usize| {
        let along: Vector2<f64> = corner(from + 1) - corner(from);
        let along = along.try_normalize(f64::EPSILON).unwrap_or_default();
        // Corners run clockwise in the picture, y down: outside lies to the left of the way.
        Vector2::new(along.y, -along.x)
    };
    let mut slope = Corners::zeros();
    for index in 0..4 {
        let (before, after) = (outward(index + 3), outward(index));
        // The shift s with before·s = after·s = 1; for normals it lies along their sum.
        let shift = (before + after) / (1.0 + before.dot(&after)).max(f64::EPSILON);
        slope.fixed_rows_mut::<2>(2 * index).copy_from(&shift);
    }
    slope
}

/// Derivative of ω × v by ω.
pub(super) fn turning(v: &Vector3<f64>) -> Matrix3<f64> {
    -v.cross_matrix()
}

/// How a corner in the reference frame follows its target's constants and angle.
enum Movers {
    Surface {
        axis: Vector3<f64>,
        hinge_point: Point3<f64>,
        /// Where the hinge carries things at the present angle.
        turn: Matrix3<f64>,
        across: nalgebra::Matrix3x2<f64>,
        tag_centre_at_zero: Point3<f64>,
    },
    Airframe {
        reference_from_tag: Pose,
    },
}

impl Movers {
    fn new(target: Target, constants: &Constants, state: &FrameState) -> Self {
        match target {
            Target::Surface(surface) => {
                let hinged = &constants.surfaces[surface];
                Self::Surface {
                    axis: hinged.hinge.axis.into_inner(),
                    hinge_point: hinged.hinge.point,
                    turn: *turn_about(&hinged.hinge.axis, state.angles_rad[surface]).matrix(),
                    across: across(&hinged.hinge.axis),
                    tag_centre_at_zero: hinged.tag_centre(),
                }
            }
            Target::Airframe(tag) => Self::Airframe {
                reference_from_tag: constants.airframe_tags[tag],
            },
        }
    }

    /// Derivatives of a corner by the (up to nine) constants, and by the angle.
    fn of(&self, corner: &Point3<f64>) -> (SMatrix<f64, 3, 9>, SVector<f64, 3>) {
        let mut own = SMatrix::<f64, 3, 9>::zeros();
        match self {
            Self::Airframe { reference_from_tag } => {
                let lever = corner.coords - reference_from_tag.translation.vector;
                own.fixed_columns_mut::<3>(0).copy_from(&turning(&lever));
                own.fixed_columns_mut::<3>(3)
                    .copy_from(&Matrix3::identity());
                (own, Vector3::zeros())
            }
            Self::Surface {
                axis,
                hinge_point,
                turn,
                across,
                tag_centre_at_zero,
            } => {
                let carried = corner - hinge_point;
                let at_zero = turn.tr_mul(&carried);
                let from_centre = at_zero - (tag_centre_at_zero - hinge_point);
                let by_axis = turning(&carried) - turn * turning(&at_zero);
                own.fixed_columns_mut::<2>(0).copy_from(&(by_axis * across));
                own.fixed_columns_mut::<2>(2)
                    .copy_from(&(across - turn * across));
                own.fixed_columns_mut::<2>(4)
                    .copy_from(&(turn * turning(&from_centre) * across));
                own.fixed_columns_mut::<3>(6).copy_from(turn);
                (own, axis.cross(&carried))
            }
        }
    }
}
