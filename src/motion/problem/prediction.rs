//! Where the fit expects the corners, and how that follows the unknowns.

use nalgebra::{Matrix3, Point3, SMatrix, Vector2, Vector3};

use super::blocks::{BOW, CORNER_ERROR, EDGE_SHIFT, LENS, OWN, PICTURE, POSE, READOUT, RESIDUAL};
use super::bow::bow_slope;
use super::observation::{Corners, Observation, Target};
use super::parameters::{BOWS, CORNER_ERRORS, Constants, FrameState, Given, SURFACE_CONSTANTS};
use super::picture_motion::PICTURE_UNKNOWNS;
use crate::camera::{Camera, INTRINSIC_COUNT};
use crate::geometry::{Pose, across, corners_in_tag, turn_about};

/// Whitened residual and derivatives of one sighting; columns as in [`super::blocks`].
pub(in crate::motion) struct Linearised<const N: usize> {
    pub columns: SMatrix<f64, 8, N>,
    /// Derivative by the deflection; zero for airframe tags.
    pub by_angle: Corners,
}

/// Predicted minus observed corners, whitened; `None` if a corner falls behind the camera.
pub(in crate::motion) fn residual(
    seen: &Observation,
    given: &Given,
    state: &FrameState,
) -> Option<Corners> {
    let mut miss = residual_px(seen, given, state)?;
    whiten(&seen.whitening, &mut miss.data.0[0]);
    Some(miss)
}

/// Predicted minus observed corners, px.
pub(in crate::motion) fn residual_px(
    seen: &Observation,
    given: &Given,
    state: &FrameState,
) -> Option<Corners> {
    let (camera, constants) = (&given.camera, given.constants);
    let camera_from_tag = camera_from_tag(seen.target, constants, state);
    let flat = flat_outline_px(seen.edge_mm, camera, &camera_from_tag)?;
    let outline = Outline::of::<0>(seen, given, &camera_from_tag, &flat)?;
    let seen_px = state.picture.undone(camera, &seen.corners_px);
    Some(flat + outline.moves - seen_px)
}

/// Where a flat, unmoved, exactly printed tag would have its corners, px.
pub(in crate::motion) fn flat_outline_px(
    edge_mm: f64,
    camera: &Camera,
    camera_from_tag: &Pose,
) -> Option<Corners> {
    let mut outline = Corners::zeros();
    for (index, corner) in corners_in_tag(edge_mm).iter().enumerate() {
        let point = camera.project(&(camera_from_tag * corner))?;
        outline[2 * index] = point.x;
        outline[2 * index + 1] = point.y;
    }
    Some(outline)
}

/// Where the camera sees a tag in a frame.
pub(in crate::motion) fn camera_from_tag(
    target: Target,
    constants: &Constants,
    state: &FrameState,
) -> Pose {
    state.camera_from_reference * reference_from_tag(target, constants, state)
}

fn reference_from_tag(target: Target, constants: &Constants, state: &FrameState) -> Pose {
    match target {
        Target::Surface(surface) => {
            let hinged = &constants.surfaces[surface];
            hinged.hinge.carry(
                &hinged.reference_from_tag_at_zero,
                state.angles_rad[surface],
            )
        }
        Target::Airframe(tag) => constants.airframe_tags[tag],
    }
}

/// The residual of one sighting with its derivatives.
///
/// A tag is a rigid body: whatever moves it moves its corners by way of the tag's turn about its
/// centre and its shift, six columns that are made ready and whitened once.
pub(in crate::motion) fn linearise<const N: usize>(
    seen: &Observation,
    given: &Given,
    state: &FrameState,
) -> Option<Linearised<N>> {
    let reference_from_tag = reference_from_tag(seen.target, given.constants, state);
    let camera_from_tag = state.camera_from_reference * reference_from_tag;
    let mut line = Linearised {
        columns: SMatrix::zeros(),
        by_angle: Corners::zeros(),
    };
    let [mut by_turn, mut by_shift] = line.project(seen.edge_mm, given, &camera_from_tag)?;
    line.add_outline(seen, given, &camera_from_tag, state)?;
    line.whiten(&seen.whitening, &mut by_turn, &mut by_shift);
    let centre = state.camera_from_reference.rotation * reference_from_tag.translation.vector;
    line.columns
        .fixed_columns_mut::<3>(POSE)
        .copy_from(&(by_turn + by_shift * turning(&centre)));
    line.columns
        .fixed_columns_mut::<3>(POSE + 3)
        .copy_from(&by_shift);
    line.add_own(seen.target, given.constants, state, &by_turn, &by_shift);
    Some(line)
}

/// Moves of a tag's corners by edge shift, readout and bows, px.
struct Outline {
    moves: Corners,
    /// This and `by_bow` are zero if no column needs them and their constant is zero.
    by_edge_shift: Corners,
    by_bow: SMatrix<f64, 8, BOWS>,
}

impl Outline {
    /// Of predicted corners, for a linearisation of N columns. That the slopes follow the corners is
    /// left out of the derivatives: edge shift and bows are thousandths of a tag.
    fn of<const N: usize>(
        seen: &Observation,
        given: &Given,
        camera_from_tag: &Pose,
        predicted: &Corners,
    ) -> Option<Self> {
        let constants = given.constants;
        let (shift_px, bow_mm) = (constants.edge_shift_px, constants.bow_mm(seen.target));
        let by_readout = seen.by_readout_px_per_s * constants.readout_s;
        let by_edge_shift = if N > EDGE_SHIFT || shift_px != 0.0 {
            edge_slope(predicted)
        } else {
            Corners::zeros()
        };
        let by_bow = if N > BOW || bow_mm != Vector2::zeros() {
            bow_slope(&given.camera, camera_from_tag, predicted)?
        } else {
            SMatrix::zeros()
        };
        Some(Self {
            moves: by_edge_shift * shift_px + by_readout + by_bow * bow_mm,
            by_edge_shift,
            by_bow,
        })
    }
}

/// Derivatives of the corners by a turn about the tag's centre, or by a shift, in camera axes.
type ByMotion = SMatrix<f64, 8, 3>;

/// Multiplies a column by a lower triangular matrix, in place.
fn whiten(lower: &SMatrix<f64, 8, 8>, column: &mut [f64; 8]) {
    for (from, factors) in lower.data.0.iter().enumerate().rev() {
        let value = column[from];
        column[from] = factors[from] * value;
        for to in from + 1..8 {
            column[to] += factors[to] * value;
        }
    }
}

impl<const N: usize> Linearised<N> {
    /// Fills in the corners of the flat tag in place of the residual, and the columns of the lens; how the
    /// corners follow a turn of the tag about its centre and a shift.
    fn project(
        &mut self,
        edge_mm: f64,
        given: &Given,
        camera_from_tag: &Pose,
    ) -> Option<[ByMotion; 2]> {
        let columns = &mut self.columns;
        let mut by_turn = ByMotion::zeros();
        let mut by_shift = ByMotion::zeros();
        for (index, corner) in corners_in_tag(edge_mm).iter().enumerate() {
            let row = 2 * index;
            let lever = camera_from_tag.rotation * corner.coords;
            let in_camera = Point3::from(lever + camera_from_tag.translation.vector);
            let projection = given.camera.project_with_jacobians(&in_camera)?;
            by_turn
                .fixed_rows_mut::<2>(row)
                .copy_from(&(projection.by_point * turning(&lever)));
            by_shift
                .fixed_rows_mut::<2>(row)
                .copy_from(&projection.by_point);
            columns[(row, RESIDUAL)] = projection.in_image.x;
            columns[(row + 1, RESIDUAL)] = projection.in_image.y;
            if let (Some(root), true) = (given.lens.root(), N > LENS) {
                columns
                    .fixed_view_mut::<2, INTRINSIC_COUNT>(row, LENS)
                    .copy_from(&(projection.by_intrinsics * root));
            }
        }
        Some([by_turn, by_shift])
    }

    /// Completes the residual; fills in the columns of the picture's motion and of what moves the outline.
    fn add_outline(
        &mut self,
        seen: &Observation,
        given: &Given,
        camera_from_tag: &Pose,
        state: &FrameState,
    ) -> Option<()> {
        let columns = &mut self.columns;
        let predicted: Corners = columns.column(RESIDUAL).into_owned();
        let outline = Outline::of::<N>(seen, given, camera_from_tag, &predicted)?;
        let seen_px = state.picture.undone(&given.camera, &seen.corners_px);
        columns.set_column(RESIDUAL, &(predicted + outline.moves - seen_px));
        columns
            .fixed_columns_mut::<PICTURE_UNKNOWNS>(PICTURE)
            .copy_from(&state.picture.slopes(&given.camera, &seen_px));
        if N > EDGE_SHIFT {
            columns.set_column(EDGE_SHIFT, &outline.by_edge_shift);
        }
        if N > READOUT {
            columns.set_column(READOUT, &seen.by_readout_px_per_s);
        }
        if N > BOW {
            columns
                .fixed_columns_mut::<BOWS>(BOW)
                .copy_from(&outline.by_bow);
        }
        if N > CORNER_ERROR {
            columns
                .columns_mut(CORNER_ERROR, CORNER_ERRORS)
                .fill_with_identity();
        }
        Some(())
    }

    /// Whitens all columns but those of the pose and the tag's own, which are made of whitened ones.
    fn whiten(
        &mut self,
        whitening: &SMatrix<f64, 8, 8>,
        by_turn: &mut ByMotion,
        by_shift: &mut ByMotion,
    ) {
        let motion = by_turn.data.0.iter_mut().chain(&mut by_shift.data.0);
        let rest = self.columns.data.0.iter_mut().enumerate();
        let of_pose_or_own = |index: usize| index < PICTURE || (OWN..EDGE_SHIFT).contains(&index);
        let rest = rest.filter(|(index, _)| !of_pose_or_own(*index));
        for column in motion.chain(rest.map(|(_, column)| column)) {
            whiten(whitening, column);
        }
    }

    /// Fills in the columns of the target's own constants, where there are any, and the angle's.
    fn add_own(
        &mut self,
        target: Target,
        constants: &Constants,
        state: &FrameState,
        by_turn: &ByMotion,
        by_shift: &ByMotion,
    ) {
        let camera_from_reference = state.camera_from_reference.rotation.matrix();
        let by_turn = by_turn * camera_from_reference;
        let by_shift = by_shift * camera_from_reference;
        let Target::Surface(surface) = target else {
            if N > OWN {
                self.columns.fixed_columns_mut::<3>(OWN).copy_from(&by_turn);
                self.columns
                    .fixed_columns_mut::<3>(OWN + 3)
                    .copy_from(&by_shift);
            }
            return;
        };
        let hinged = &constants.surfaces[surface];
        let axis = hinged.hinge.axis.into_inner();
        let turn = *turn_about(&hinged.hinge.axis, state.angles_rad[surface]).matrix();
        let carried = turn * (hinged.tag_centre() - hinged.hinge.point);
        let by_turn_of_axis = by_turn + by_shift * turning(&carried);
        self.by_angle = by_turn_of_axis * axis;
        if N <= OWN {
            return;
        }
        let across = across(&hinged.hinge.axis);
        // A turn of the axis turns what is carried, less what the carrying makes of that turn.
        let turned = across - turn * across;
        let mut own = self.columns.fixed_columns_mut::<SURFACE_CONSTANTS>(OWN);
        own.fixed_columns_mut::<2>(0)
            .copy_from(&(by_turn_of_axis * turned));
        own.fixed_columns_mut::<2>(2)
            .copy_from(&(by_shift * turned));
        own.fixed_columns_mut::<2>(4)
            .copy_from(&(by_turn * (turn * across)));
        own.fixed_columns_mut::<3>(6).copy_from(&(by_shift * turn));
    }
}

/// Moves of the corners when all four edges move outward by 1 px: each corner goes to the
/// meeting point of its two moved edges.
///
/// Of the predicted corners, never of the observed ones: their noise would go into the slope and
/// into the residual alike, and such a product does not average out.
pub(crate) fn edge_slope(corners_px: &Corners) -> Corners {
    let corner = |index: usize| corners_px.fixed_rows::<2>(2 * (index % 4)).into_owned();
    let outward = |from: usize| {
        let along: Vector2<f64> = corner(from + 1) - corner(from);
        let along = along.try_normalize(f64::EPSILON).unwrap_or_default();
        // Corners run clockwise in the picture, y down: outside is to the left of the path.
        Vector2::new(along.y, -along.x)
    };
    let outward = [0, 1, 2, 3].map(outward);
    let mut slope = Corners::zeros();
    for index in 0..4 {
        let (before, after) = (outward[(index + 3) % 4], outward[index]);
        // The shift s with before·s = after·s = 1; for normals it is along their sum.
        let shift = (before + after) / (1.0 + before.dot(&after)).max(f64::EPSILON);
        slope.fixed_rows_mut::<2>(2 * index).copy_from(&shift);
    }
    slope
}

/// Derivative of ω × v by ω.
pub(in crate::motion) fn turning(v: &Vector3<f64>) -> Matrix3<f64> {
    -v.cross_matrix()
}
