//! Outlines: the poses of the board that a person is asked for, twenty in all.
//!
//! The board is whole and large in all of them: in the middle and at both ends of the picture, upright and
//! turned by 90°, tilted to each of the four sides. At the ends the board is not tilted to face away from the
//! middle: the camera would see it at 60° and more, where crossings are hard to measure. Of 1296 poses (nine
//! places, three sizes, three tilts in eight directions, two turns) the best twenty one after the other leave
//! hardly less uncertainty than the best twenty of these.

use nalgebra::{Isometry3, Point2, Rotation3, Translation3, UnitQuaternion, Vector2, Vector3};

use super::super::calibration::{Board, Edge};
use super::placing::in_space;
use crate::camera::Camera;
use crate::conventions::rad_from_deg;

/// Tilt of the board, degrees: well above what the verdict asks for, and easy to find and to hold.
const TILT_DEG: f64 = 30.0;
/// Part of the picture's width or height that the board fills, whichever it fills first. The nearer the
/// board, the more a view says; the rest is room for the hand.
const FILLED_SHARE: f64 = 0.9;
/// Distance between outline and end of the picture, over its longer side.
const MARGIN_SHARE: f64 = 0.02;
/// Part of the picture's side within which an outline counts as at its edge.
const NEAR_SHARE: f64 = 0.1;
/// Rounds in which distance and place are fitted to the wanted place in the picture.
const ROUNDS: usize = 15;
/// Depth at which the fit of the place begins, over the board's longer side.
const FIRST_DEPTH: f64 = 2.0;

/// Where the board is asked for along the picture's longer side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Third {
    First,
    Middle,
    Last,
}

/// Which side of the board is farther away from the camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Tilt {
    Left,
    Right,
    Top,
    Bottom,
}

impl Tilt {
    pub const ALL: [Self; 4] = [Self::Left, Self::Right, Self::Top, Self::Bottom];

    /// The side, in words.
    pub fn side(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
            Self::Top => "top",
            Self::Bottom => "bottom",
        }
    }

    /// Whether a board at an end of the picture, tilted like this, faces away from the middle.
    fn faces_outward(self, third: Third, is_landscape: bool) -> bool {
        let outward = match (third, is_landscape) {
            (Third::Middle, _) => return false,
            (Third::First, true) => Self::Left,
            (Third::Last, true) => Self::Right,
            (Third::First, false) => Self::Top,
            (Third::Last, false) => Self::Bottom,
        };
        self == outward
    }

    fn turn(self) -> Rotation3<f64> {
        let tilt_rad = rad_from_deg(TILT_DEG);
        // x right, y down, z away from the camera.
        match self {
            Self::Left => Rotation3::from_axis_angle(&Vector3::y_axis(), tilt_rad),
            Self::Right => Rotation3::from_axis_angle(&Vector3::y_axis(), -tilt_rad),
            Self::Top => Rotation3::from_axis_angle(&Vector3::x_axis(), -tilt_rad),
            Self::Bottom => Rotation3::from_axis_angle(&Vector3::x_axis(), tilt_rad),
        }
    }

    /// The direction in which a board is chiefly tilted, from its pose.
    pub fn of(camera_from_board: &Isometry3<f64>) -> Self {
        let normal = camera_from_board.rotation * Vector3::z();
        let away = normal * normal.z.signum();
        // The side towards which the normal leans is nearer.
        match (away.x.abs() > away.y.abs(), away.x > 0.0, away.y > 0.0) {
            (true, true, _) => Self::Left,
            (true, false, _) => Self::Right,
            (false, _, true) => Self::Top,
            (false, _, false) => Self::Bottom,
        }
    }
}

/// A pose that a person can be asked for.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Asked {
    third: Third,
    tilt: Tilt,
    is_turned: bool,
    is_landscape: bool,
    pub camera_from_board: Isometry3<f64>,
    /// Corners of the board in the picture, px.
    pub outline_px: [Point2<f64>; 4],
    /// The share of the variance that its view would take away, once it is known.
    pub gain: f64,
}

impl Asked {
    /// The pose in words.
    pub fn words(&self) -> String {
        let place = match (self.third, self.is_landscape) {
            (Third::Middle, _) => "Middle of the picture",
            (Third::First, true) => "Left end of the picture",
            (Third::Last, true) => "Right end of the picture",
            (Third::First, false) => "Top of the picture",
            (Third::Last, false) => "Bottom of the picture",
        };
        let turned = match self.is_turned {
            true => ", board turned by a quarter turn",
            false => "",
        };
        let of = if self.is_turned {
            "its"
        } else {
            "the board’s"
        };
        format!("{place}{turned}: tilt {of} {} side away.", self.tilt.side())
    }

    /// Whether the board comes to an edge of the picture.
    pub fn reaches(&self, edge: Edge, size_px: (usize, usize)) -> bool {
        let (low, high) = extent(&self.outline_px);
        let (width, height) = (size_px.0 as f64, size_px.1 as f64);
        match edge {
            Edge::Left => low.x <= NEAR_SHARE * width,
            Edge::Right => high.x >= (1.0 - NEAR_SHARE) * width,
            Edge::Top => low.y <= NEAR_SHARE * height,
            Edge::Bottom => high.y >= (1.0 - NEAR_SHARE) * height,
        }
    }
}

/// All poses that a person can be asked for, in a fixed order.
pub(super) fn all(board: &Board, camera: &Camera, size_px: (usize, usize)) -> Vec<Asked> {
    let thirds = [Third::Middle, Third::First, Third::Last].into_iter();
    let places = thirds.flat_map(|third| [(third, false), (third, true)]);
    let is_landscape = size_px.0 >= size_px.1;
    let poses = places.flat_map(|(third, is_turned)| {
        let tilts = Tilt::ALL.into_iter();
        let tilts = tilts.filter(move |tilt| !tilt.faces_outward(third, is_landscape));
        tilts.filter_map(move |tilt| asked(board, camera, size_px, (third, tilt, is_turned)))
    });
    poses.collect()
}

fn asked(
    board: &Board,
    camera: &Camera,
    size_px: (usize, usize),
    (third, tilt, is_turned): (Third, Tilt, bool),
) -> Option<Asked> {
    let roll_rad = match is_turned {
        true => std::f64::consts::FRAC_PI_2,
        false => 0.0,
    };
    let roll = Rotation3::from_axis_angle(&Vector3::z_axis(), roll_rad);
    let rotation = UnitQuaternion::from_rotation_matrix(&(tilt.turn() * roll));
    let corners_mm = corners_mm(board);
    let middle = (corners_mm[0].coords + corners_mm[2].coords) / 2.0;
    let longer_mm = (corners_mm[2] - corners_mm[0]).amax();
    let mut centre = Vector3::new(0.0, 0.0, FIRST_DEPTH * longer_mm);
    let pose_at = |centre: Vector3<f64>| {
        let turned = rotation * in_space(middle.into()).coords;
        Isometry3::from_parts(Translation3::from(centre - turned), rotation)
    };
    for _ in 0..ROUNDS {
        let (low, high) = extent(&outline_px(camera, &pose_at(centre), &corners_mm)?);
        let size = high - low;
        let wanted = wanted_centre(third, size, size_px);
        let now = nalgebra::center(&low, &high);
        let depth = centre.z;
        centre.x += (wanted.x - now.x) / camera.fx * depth;
        centre.y += (wanted.y - now.y) / camera.fy * depth;
        let filled = (size.x / size_px.0 as f64).max(size.y / size_px.1 as f64);
        centre *= filled / FILLED_SHARE;
    }
    let camera_from_board = pose_at(centre);
    Some(Asked {
        third,
        tilt,
        is_turned,
        is_landscape: size_px.0 >= size_px.1,
        camera_from_board,
        outline_px: outline_px(camera, &camera_from_board, &corners_mm)?,
        gain: 0.0,
    })
}

/// Where the middle of an outline of this size belongs, px.
fn wanted_centre(third: Third, size: Vector2<f64>, size_px: (usize, usize)) -> Point2<f64> {
    let picture = Vector2::new(size_px.0 as f64 - 1.0, size_px.1 as f64 - 1.0);
    let mut centre = Point2::from(picture / 2.0);
    let along = picture.imax();
    let from_end = MARGIN_SHARE * picture[along] + size[along] / 2.0;
    match third {
        Third::First => centre[along] = from_end,
        Third::Middle => {}
        Third::Last => centre[along] = picture[along] - from_end,
    }
    centre
}

/// Corners of the printed squares: top-left, top-right, bottom-right, bottom-left.
pub(super) fn corners_mm(board: &Board) -> [Point2<f64>; 4] {
    let [right, bottom] = board.size_mm();
    [(0.0, 0.0), (right, 0.0), (right, bottom), (0.0, bottom)].map(|(x, y)| Point2::new(x, y))
}

/// The corners of the board in the picture, px.
pub(super) fn outline_px(
    camera: &Camera,
    camera_from_board: &Isometry3<f64>,
    corners_mm: &[Point2<f64>; 4],
) -> Option<[Point2<f64>; 4]> {
    let mut outline = [Point2::origin(); 4];
    for (seen, corner) in outline.iter_mut().zip(corners_mm) {
        *seen = camera.project(&(camera_from_board * in_space(*corner)))?;
    }
    Some(outline)
}

fn extent(outline_px: &[Point2<f64>; 4]) -> (Point2<f64>, Point2<f64>) {
    let [first, rest @ ..] = outline_px;
    rest.iter().fold((*first, *first), |(low, high), corner| {
        (low.inf(corner), high.sup(corner))
    })
}
