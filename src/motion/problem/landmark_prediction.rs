//! Where the fit expects a landmark of the surroundings in a frame.

use nalgebra::{Point3, SMatrix, Vector2, Vector3};

use super::blocks::{LENS, OWN, PICTURE, POSE, READOUT, RESIDUAL, ROCKING};
use super::landmark::{Landmark, SeenLandmark};
use super::parameters::{Constants, FrameState, Given};
use super::picture_motion::PICTURE_UNKNOWNS;
use super::prediction::turning;
use crate::camera::INTRINSIC_COUNT;
use crate::geometry::across;
use crate::solver::Loss;

/// A landmark that was mistaken for something else counts by its distance only.
pub(in crate::motion) const LANDMARK_LOSS: Loss = Loss::Huber { width: 3.0 };

impl Landmark {
    /// Its place in the reference frame over its distance: finite at the horizon too.
    fn scaled(&self, seen_from: &Point3<f64>) -> Vector3<f64> {
        seen_from.coords * self.inverse_mm + self.towards.into_inner()
    }

    /// How that rocks with the deflection, per rad.
    pub fn rocking(&self, constants: &Constants) -> Vector3<f64> {
        let rocking = &constants.rocking;
        let (turn, shift) = (rocking.fixed_rows::<3>(0), rocking.fixed_rows::<3>(3));
        turn.cross(&self.scaled(&constants.landmarks_seen_from)) + shift * self.inverse_mm
    }
}

impl SeenLandmark {
    /// Its place over its distance, in the reference frame and in the camera's.
    fn scaled(&self, constants: &Constants, state: &FrameState) -> [Vector3<f64>; 2] {
        let landmark = &constants.landmarks[self.landmark];
        let still = landmark.scaled(&constants.landmarks_seen_from);
        let in_reference = still + landmark.rocking(constants) * self.drive_rad;
        let pose = &state.camera_from_reference;
        let in_camera =
            pose.rotation * in_reference + pose.translation.vector * landmark.inverse_mm;
        [in_reference, in_camera]
    }

    /// Where it would be seen if all lines were read at once, px; `None` behind the camera.
    pub fn predicted_px(&self, given: &Given, state: &FrameState) -> Option<Vector2<f64>> {
        let [_, in_camera] = self.scaled(given.constants, state);
        Some(given.camera.project(&in_camera.into())?.coords)
    }

    /// Predicted minus found, px; `None` behind the camera.
    pub fn residual_px(&self, given: &Given, state: &FrameState) -> Option<Vector2<f64>> {
        let predicted = self.predicted_px(given, state)?;
        let seen_px = state.picture.undone(&given.camera, &self.place_px);
        Some(predicted + self.by_readout_px_per_s * given.constants.readout_s - seen_px)
    }

    /// The residual with its derivatives, in standard deviations; columns as in
    /// [`super::blocks`].
    pub fn linearise<const N: usize>(
        &self,
        given: &Given,
        state: &FrameState,
    ) -> Option<SMatrix<f64, 2, N>> {
        let (camera, constants) = (&given.camera, given.constants);
        let mut columns = SMatrix::<f64, 2, N>::zeros();
        let [in_reference, in_camera] = self.scaled(constants, state);
        let projection = camera.project_with_jacobians(&in_camera.into())?;
        let pose = &state.camera_from_reference;
        let landmark = &constants.landmarks[self.landmark];
        let by_camera = projection.by_point;
        let by_reference = by_camera * pose.rotation.matrix();
        let mut fill = |column: usize, values: SMatrix<f64, 2, 3>| {
            columns.fixed_columns_mut::<3>(column).copy_from(&values);
        };
        fill(POSE, by_camera * turning(&(pose.rotation * in_reference)));
        fill(POSE + 3, by_camera * landmark.inverse_mm);
        if N > OWN {
            let turned = turning(&landmark.towards) * across(&landmark.towards);
            let nearer = constants.landmarks_seen_from.coords;
            let nearer = pose.rotation * nearer + pose.translation.vector;
            let (turned, nearer) = (by_reference * turned, by_camera * nearer);
            let own = [turned.column(0), turned.column(1), nearer.column(0)];
            fill(OWN, SMatrix::from_columns(&own));
            let by_turn = by_reference * turning(&in_reference);
            fill(ROCKING, by_turn * self.drive_rad);
            let inverse = landmark.inverse_mm * self.drive_rad;
            fill(ROCKING + 3, by_reference * inverse);
        }
        let by_readout = self.by_readout_px_per_s * constants.readout_s;
        let seen_px = state.picture.undone(camera, &self.place_px);
        let miss = projection.in_image.coords + by_readout - seen_px;
        columns.set_column(RESIDUAL, &miss);
        columns
            .fixed_columns_mut::<PICTURE_UNKNOWNS>(PICTURE)
            .copy_from(&state.picture.slopes(camera, &seen_px));
        if N > READOUT {
            columns.set_column(READOUT, &self.by_readout_px_per_s);
        }
        if let (Some(root), true) = (given.lens.root(), N > LENS) {
            columns
                .fixed_columns_mut::<INTRINSIC_COUNT>(LENS)
                .copy_from(&(projection.by_intrinsics * root));
        }
        Some(columns / self.sd_px)
    }
}
