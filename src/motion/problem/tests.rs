//! Laws of the fit's inner parts.

use std::collections::BTreeMap;

use nalgebra::{DVector, Point3, SMatrix, SVector, Unit, Vector2, Vector3};
use proptest::prelude::*;

use super::blocks::{ALL_COLUMNS, Block, OWN, POSE, RESIDUAL};
use super::landmark::{Landmark, SeenLandmark};
use super::layout::Layout;
use super::observation::{Corners, Observation, Target};
use super::parameters::{Constants, FrameState, Hinged, Lens, SURFACE_CONSTANTS, VIEW_UNKNOWNS};
use super::picture_motion::PictureMotion;
use super::prediction::{linearise, residual};
use crate::camera::{Camera, CameraProfile};
use crate::geometry::{HingeLine, Pose, rotation_from_vector};

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

/// A fit with every block of constants, and one of its frames.
#[derive(Debug)]
struct Fitted {
    lens: Lens,
    layout: Layout,
    constants: Constants,
    state: FrameState,
}

impl Fitted {
    fn new(turn: [f64; 3], axis: [f64; 2], angle_rad: f64) -> Self {
        let layout = Layout {
            surfaces: 1,
            airframe_tags: 2,
            camera_moves: true,
            picture_moves: true,
            edge_shift: true,
            readout: true,
            lens: true,
            bows: true,
            rocking: true,
            landmarks: 1,
            corner_errors: true,
        };
        let mut camera_from_reference = pose([0.1, -0.2, 0.05], [10.0, 20.0, 800.0]);
        camera_from_reference.rotation = rotation_from_vector(&Vector3::new(0.1, -0.2, 0.05));
        let picture = PictureMotion {
            shift_px: Vector2::new(2.0, -1.0),
            growth: 0.0,
        };
        Self {
            lens: Lens::new(&profile()),
            layout,
            constants: constants(turn, axis),
            state: FrameState {
                camera_from_reference,
                picture,
                angles_rad: vec![angle_rad],
            },
        }
    }

    /// With one constant changed.
    fn stepped(&self, column: usize, by: f64) -> Constants {
        let mut step = DVector::zeros(self.layout.constants());
        step[column] = by;
        self.constants.stepped(&self.layout, &step)
    }

    /// The frame with one unknown of its view changed.
    fn viewed(&self, index: usize, by: f64) -> FrameState {
        let mut state = self.state.clone();
        state.step_view(&SVector::from_fn(|row, _| f64::from(row == index) * by));
        state
    }
}

fn constants(turn: [f64; 3], axis: [f64; 2]) -> Constants {
    let axis = Unit::new_normalize(Vector3::new(1.0, axis[0], axis[1]));
    let tag = pose(turn, [80.0, 15.0, -60.0]);
    let mut hinge = HingeLine {
        axis,
        point: Point3::new(70.0, 10.0, 5.0),
    };
    hinge.point = hinge.foot_of(&Point3::from(tag.translation.vector));
    Constants {
        surfaces: vec![Hinged {
            hinge,
            reference_from_tag_at_zero: tag,
        }],
        airframe_tags: vec![Pose::identity(), pose(turn, [-40.0, 30.0, 0.0])],
        edge_shift_px: 0.0,
        readout_s: 0.0,
        lens: SVector::from_fn(|row, _| 0.1 * row as f64),
        bows_mm: BTreeMap::new(),
        rocking: SVector::zeros(),
        landmarks: vec![Landmark {
            towards: Unit::new_normalize(Vector3::new(-0.2, 0.1, 1.0)),
            inverse_mm: 6e-4,
        }],
        landmarks_seen_from: Point3::new(30.0, -20.0, -780.0),
    }
}

fn tag_seen(target: Target) -> Observation {
    Observation {
        target,
        edge_mm: 20.0,
        corners_px: Corners::from_element(700.0),
        by_readout_px_per_s: Corners::from_fn(|row, _| 3.0 - row as f64),
        whitening: SMatrix::from_fn(|r, c| {
            if r >= c {
                1.0 + (r + 2 * c) as f64 * 0.1
            } else {
                0.0
            }
        }),
        variance_factor: 1.0,
        share: 1.0,
        kept: true,
        doubt: None,
    }
}

/// Half the distance over which differences are taken.
const STEP: f64 = 1e-5;

/// A derivative against the central difference.
fn assert_agrees<const ROWS: usize>(
    name: &str,
    value: impl Fn(f64) -> SVector<f64, ROWS>,
    derivative: SVector<f64, ROWS>,
) {
    let slope = (value(STEP) - value(-STEP)) / (2.0 * STEP);
    let miss = (slope - derivative).norm() / (1.0 + derivative.norm());
    assert!(miss < 1e-5, "{name}: {miss}");
}

/// The derivatives by the constants of every block, in a sighting that is linearised so. A block that the
/// sighting has no columns for must not change it.
fn assert_blocks_agree<const ROWS: usize>(
    fitted: &Fitted,
    columns: &SMatrix<f64, ROWS, ALL_COLUMNS>,
    column_of: impl Fn(Block) -> Option<usize>,
    value: impl Fn(Block, usize, f64) -> SVector<f64, ROWS>,
) {
    for (block, constants) in fitted.layout.columns() {
        for (index, constant) in constants.enumerate() {
            let derivative = column_of(block).map_or(SVector::zeros(), |first| {
                columns.column(first + index).into_owned()
            });
            let name = format!("{block:?} {index}");
            assert_agrees(&name, |by| value(block, constant, by), derivative);
        }
    }
}

fn assert_tag_agrees(fitted: &Fitted, target: Target) {
    let (lens, seen) = (&fitted.lens, tag_seen(target));
    let at = |constants: &Constants, state: &FrameState| {
        residual(&seen, &lens.given(constants), state).unwrap()
    };
    let (constants, state) = (&fitted.constants, &fitted.state);
    let line = linearise::<ALL_COLUMNS>(&seen, &lens.given(constants), state).unwrap();
    assert!((at(constants, state) - line.columns.column(RESIDUAL)).norm() < 1e-6);
    for index in 0..VIEW_UNKNOWNS {
        let column = line.columns.column(POSE + index).into_owned();
        let value = |by| at(constants, &fitted.viewed(index, by));
        assert_agrees("view", value, column);
    }
    let turned = |by: f64| FrameState {
        angles_rad: vec![state.angles_rad[0] + by],
        ..state.clone()
    };
    assert_agrees("angle", |by| at(constants, &turned(by)), line.by_angle);
    let column_of = |block: Block| block.column_in_tag(target);
    assert_blocks_agree(fitted, &line.columns, column_of, |block, constant, by| {
        let value = at(&fitted.stepped(constant, by), state);
        let first = fitted.layout.column(block).unwrap();
        match block {
            // No constant holds them: they move the expected corners.
            Block::CornerErrors(tag) if tag == target => {
                value + seen.whitening.column(constant - first) * by
            }
            _ => value,
        }
    });
}

fn assert_landmark_agrees(fitted: &Fitted) {
    let lens = &fitted.lens;
    let mark = SeenLandmark {
        landmark: 0,
        number: 0,
        place_px: Vector2::new(300.0, 200.0),
        sd_px: 0.2,
        by_readout_px_per_s: Vector2::new(40.0, -70.0),
        drive_rad: 0.4,
    };
    let at = |constants: &Constants, state: &FrameState| {
        let miss_px = mark.residual_px(&lens.given(constants), state);
        miss_px.unwrap() / mark.sd_px
    };
    let (constants, state) = (&fitted.constants, &fitted.state);
    let columns = mark.linearise::<ALL_COLUMNS>(&lens.given(constants), state);
    let columns = columns.unwrap();
    assert!((at(constants, state) - columns.column(RESIDUAL)).norm() < 1e-6);
    for index in 0..VIEW_UNKNOWNS {
        let column = columns.column(POSE + index).into_owned();
        let value = |by| at(constants, &fitted.viewed(index, by));
        assert_agrees("view", value, column);
    }
    let column_of = |block: Block| block.column_in_landmark(mark.landmark);
    assert_blocks_agree(fitted, &columns, column_of, |_, constant, by| {
        at(&fitted.stepped(constant, by), state)
    });
}

proptest! {
    #[test]
    fn derivatives_agree_with_differences(
        turn in prop::array::uniform3(-0.4..0.4),
        axis in prop::array::uniform2(-0.5..0.5),
        angle_rad in -0.5..0.5,
    ) {
        let fitted = Fitted::new(turn, axis, angle_rad);
        assert_tag_agrees(&fitted, Target::Surface(0));
        assert_tag_agrees(&fitted, Target::Airframe(1));
        assert_landmark_agrees(&fitted);
        // The radius, as the ruler's prior needs it.
        let radius_mm = |column: usize, by: f64| fitted.stepped(column, by).surfaces[0].radius_mm();
        let slope = fitted.constants.surfaces[0].radius_slope();
        for index in 0..SURFACE_CONSTANTS {
            let difference = radius_mm(index, STEP) - radius_mm(index, -STEP);
            prop_assert!((difference / (2.0 * STEP) - slope[index]).abs() < 1e-5);
        }
    }
}

#[test]
fn every_column_of_a_surface_belongs_to_one_constant() {
    let fitted = Fitted::new([0.0; 3], [0.0; 2], 0.0);
    let target = Target::Surface(0);
    let slots = fitted.layout.slots(|block| block.column_in_tag(target));
    let mut columns: Vec<usize> = slots.iter().map(|(column, _)| *column).collect();
    assert_eq!(columns.pop(), Some(RESIDUAL));
    columns.sort_unstable();
    assert_eq!(columns, Vec::from_iter(OWN..ALL_COLUMNS));
}
