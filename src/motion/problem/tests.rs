//! Laws of the fit's inner parts.

use std::collections::BTreeMap;

use nalgebra::{DVector, Point3, SMatrix, SVector, Unit, Vector2, Vector3};
use proptest::prelude::*;

use super::landmark::{Landmark, SeenLandmark};
use super::landmark_prediction::ROCKING;
use super::observation::{Corners, Observation, Target};
use super::parameters::{Constants, FrameState, Hinged, Layout, Lens};
use super::picture_motion::PictureMotion;
use super::prediction::{
    ALL_COLUMNS, BOW, CORNER_ERROR, EDGE_SHIFT, LENS, OWN, PICTURE, POSE, READOUT, RESIDUAL,
    linearise, residual,
};
use crate::camera::{Camera, CameraProfile};
use crate::geometry::{HingeLine, Pose, rotation_from_vector, stepped_pose};

fn pose(turn: [f64; 3], at: [f64; 3]) -> Pose {
    let square_on = rotation_from_vector(&Vector3::new(std::f64::consts::PI, 0.0, 0.0));
    Pose::from_parts(
        Vector3::from(at).into(),
        rotation_from_vector(&Vector3::from(turn)) * square_on,
    )
}

fn profile() -> CameraProfile {
    CameraProfile {
        name: String::new(),
        width_px: 1920,
        height_px: 1080,
        camera: Camera {
            fx: 1500.0,
            fy: 1490.0,
            cx: 960.0,
            cy: 540.0,
            distortion: [0.05, -0.1, 0.001, -0.001, 0.01],
        },
        covariance: Some(SMatrix::from_diagonal(&SVector::from([
            4.0, 4.0, 1.0, 1.0, 1e-4, 1e-4, 1e-6, 1e-6, 1e-4,
        ]))),
        rms_px: None,
        views: None,
    }
}

proptest! {
    #[test]
    fn derivatives_agree_with_differences(
        turn in prop::array::uniform3(-0.4..0.4),
        axis in prop::array::uniform3(-0.5..0.5),
        angle in -0.5..0.5,
        on_surface in prop::bool::ANY,
    ) {
        let lens = Lens::new(&profile());
        let layout = Layout {
            surfaces: 1, airframe_tags: 2, camera_moves: true, picture_moves: true, edge_shift: true, readout: true, lens: true, bows: true,
            rocking: true, landmarks: 1, corner_errors: true,
        };
        let axis = Unit::new_normalize(Vector3::new(1.0, axis[1], axis[2]));
        let tag = pose(turn, [80.0, 15.0, -60.0]);
        let mut hinge = HingeLine { axis, point: Point3::new(70.0, 10.0, 5.0) };
        hinge.point = hinge.foot_of(&Point3::from(tag.translation.vector));
        let constants = Constants {
            surfaces: vec![Hinged { hinge, reference_from_tag_at_zero: tag }],
            airframe_tags: vec![Pose::identity(), pose(turn, [-40.0, 30.0, 0.0])],
            edge_shift_px: 0.0,
            readout_s: 0.0,
            lens: SVector::from_fn(|row, _| 0.1 * row as f64),
            bows_mm: BTreeMap::new(),
            rocking: SVector::zeros(),
            landmarks: vec![Landmark { towards: Unit::new_normalize(Vector3::new(-0.2, 0.1, 1.0)), inverse_mm: 6e-4 }],
            landmarks_seen_from: Point3::new(30.0, -20.0, -780.0),
        };
        let mut camera_from_reference = pose([0.1, -0.2, 0.05], [10.0, 20.0, 800.0]);
        camera_from_reference.rotation = rotation_from_vector(&Vector3::new(0.1, -0.2, 0.05));
        let state = FrameState { camera_from_reference, picture: PictureMotion { shift_px: Vector2::new(2.0, -1.0), growth: 0.0 }, angles_rad: vec![angle] };
        let target = if on_surface { Target::Surface(0) } else { Target::Airframe(1) };
        let seen = Observation {
            target,
            edge_mm: 20.0,
            corners_px: Corners::from_element(700.0),
            by_readout_px_per_s: Corners::from_fn(|row, _| 3.0 - row as f64),
            whitening: SMatrix::from_fn(|r, c| if r >= c { 1.0 + (r + 2 * c) as f64 * 0.1 } else { 0.0 }),
            variance_factor: 1.0,
            share: 1.0,
            kept: true,
            doubt: None,
        };
        let at = |constants: &Constants, state: &FrameState| {
            residual(&seen, &lens.camera(constants), constants, state).unwrap()
        };
        let line = linearise::<ALL_COLUMNS>(
            &seen, &lens.camera(&constants), &lens, &constants, &state,
        ).unwrap();
        let agrees = |name: &str, above: Corners, below: Corners, step: f64, column: Corners| {
            let slope = (above - below) / (2.0 * step);
            let miss = (slope - column).norm() / (1.0 + column.norm());
            assert!(miss < 1e-5, "{name}: {miss}");
        };
        prop_assert!((at(&constants, &state) - line.columns.column(RESIDUAL)).norm() < 1e-6);
        let step = 1e-5;
        let posed = |index: usize, by: f64| {
            let mut change = SVector::<f64, 6>::zeros();
            change[index] = by;
            let camera_from_reference = stepped_pose(&state.camera_from_reference, &change);
            FrameState { camera_from_reference, ..state.clone() }
        };
        let stepped = |column: usize, by: f64| {
            let mut change = DVector::zeros(layout.constants());
            change[column] = by;
            constants.stepped(&layout, &change)
        };
        for index in 0..6 {
            let moved = |by: f64| at(&constants, &posed(index, by));
            let column = line.columns.column(POSE + index).into_owned();
            agrees("pose", moved(step), moved(-step), step, column);
        }
        let pictured = |index: usize, by: f64| {
            let mut state = state.clone();
            state.picture.step(&Vector3::from_fn(|row, _| if row == index { by } else { 0.0 }));
            state
        };
        for index in 0..3 {
            let moved = |by: f64| at(&constants, &pictured(index, by));
            let column = line.columns.column(PICTURE + index).into_owned();
            agrees("picture", moved(step), moved(-step), step, column);
        }
        let turned = |by: f64| at(&constants, &FrameState { angles_rad: vec![angle + by], ..state.clone() });
        agrees("angle", turned(step), turned(-step), step, line.by_angle);
        let moved = |column: usize, by: f64| at(&stepped(column, by), &state);
        let (first, count) = layout.own(target).unwrap();
        for index in 0..count {
            let column = line.columns.column(OWN + index).into_owned();
            agrees(&format!("own {index}"), moved(first + index, step), moved(first + index, -step), step, column);
        }
        let edge = layout.edge_shift_column().unwrap();
        agrees("edge", moved(edge, step), moved(edge, -step), step, line.columns.column(EDGE_SHIFT).into_owned());
        let readout = layout.readout_column().unwrap();
        agrees("readout", moved(readout, step), moved(readout, -step), step, line.columns.column(READOUT).into_owned());
        for index in 0..9 {
            let to = layout.lens_column().unwrap() + index;
            let column = line.columns.column(LENS + index).into_owned();
            agrees("lens", moved(to, step), moved(to, -step), step, column);
        }
        for index in 0..2 {
            let to = layout.bow_column(target).unwrap() + index;
            let column = line.columns.column(BOW + index).into_owned();
            agrees("bow", moved(to, step), moved(to, -step), step, column);
        }
        for index in 0..8 {
            let column = line.columns.column(CORNER_ERROR + index).into_owned();
            let unit = Corners::from_fn(|row, _| f64::from(row == index));
            prop_assert!((seen.whitening * unit - column).norm() < 1e-12);
        }
        let mark = SeenLandmark {
            landmark: 0,
            number: 0,
            place_px: Vector2::new(300.0, 200.0),
            sd_px: 0.2,
            by_readout_px_per_s: Vector2::new(40.0, -70.0),
            drive_rad: 0.4,
        };
        let at = |constants: &Constants, state: &FrameState| {
            mark.residual_px(&lens.camera(constants), constants, state).unwrap() / mark.sd_px
        };
        let line = mark.linearise::<ALL_COLUMNS>(&lens.camera(&constants), &lens, &constants, &state).unwrap();
        let agrees = |above: Vector2<f64>, below: Vector2<f64>, column: usize| {
            let (slope, column) = ((above - below) / (2.0 * step), line.column(column));
            let miss = (slope - column).norm() / (1.0 + column.norm());
            assert!(miss < 1e-5, "landmark: {miss}");
        };
        prop_assert!((at(&constants, &state) - line.column(RESIDUAL)).norm() < 1e-6);
        for index in 0..6 {
            let moved = |by: f64| at(&constants, &posed(index, by));
            agrees(moved(step), moved(-step), POSE + index);
        }
        for index in 0..3 {
            let moved = |by: f64| at(&constants, &pictured(index, by));
            agrees(moved(step), moved(-step), PICTURE + index);
        }
        let moved = |column: usize, by: f64| at(&stepped(column, by), &state);
        let runs = [
            (READOUT, layout.readout_column().unwrap(), 1),
            (LENS, layout.lens_column().unwrap(), 9),
            (ROCKING, layout.rocking_column().unwrap(), 6),
            (OWN, layout.landmark_column(0), 3),
        ];
        for (column, to, count) in runs {
            for index in 0..count {
                agrees(moved(to + index, step), moved(to + index, -step), column + index);
            }
        }
        // The radius, as the ruler's prior needs it.
        let radius = |column: usize, by: f64| stepped(column, by).surfaces[0].radius_mm();
        for index in 0..9 {
            let slope = (radius(index, step) - radius(index, -step)) / (2.0 * step);
            prop_assert!((slope - constants.surfaces[0].radius_slope()[index]).abs() < 1e-5);
        }
    }
}
