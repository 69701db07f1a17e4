//! Outlines: the poses of the board that a person is asked for, some two dozen.
//!
//! The board is whole in the picture in all of them: near the middle and in each corner, tilted to each
//! of the four sides, and upright and turned by 90°.

use nalgebra::{Isometry3, Point2, Rotation3, Translation3, UnitQuaternion, Vector3};

use super::super::calibration::{Board, Edge};
use super::placing::in_space;
use crate::camera::Camera;
use crate::conventions::rad_from_deg;

/// Tilt of the board, degrees: well above what the verdict asks for, and still easy to find and to hold.
const TILT_DEG: f64 = 35.0;
/// Part of the picture's width or height that the board fills: near the middle,
const LARGE_SHARE: f64 = 0.85;
/// … and in a corner, where it leaves about as much room as it takes.
const CORNER_SHARE: f64 = 0.6;
/// Distance between outline and edge of the picture, over the picture's width.
const MARGIN_SHARE: f64 = 0.02;
/// Rounds in which distance and place are fitted to the wanted place in the picture.
const ROUNDS: usize = 15;
/// Depth at which the fit of the place begins, over the board's longer side.
const FIRST_DEPTH: f64 = 2.0;

/// Where in the picture the board is asked for, along one direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Third {
    First,
    Middle,
    Last,
}

/// Which side of the board is farther away from the camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Tilt {
    LeftAway,
    RightAway,
    TopAway,
    BottomAway,
}

impl Tilt {
    pub const ALL: [Self; 4] = [
        Self::LeftAway,
        Self::RightAway,
        Self::TopAway,
        Self::BottomAway,
    ];

    /// The side, in words.
    pub fn side(self) -> &'static str {
        match self {
            Self::LeftAway => "left",
            Self::RightAway => "right",
            Self::TopAway => "top",
            Self::BottomAway => "bottom",
        }
    }

    fn turn(self) -> Rotation3<f64> {
        let tilt_rad = rad_from_deg(TILT_DEG);
        // x right, y down, z away from the camera.
        match self {
            Self::LeftAway => Rotation3::from_axis_angle(&Vector3::y_axis(), tilt_rad),
            Self::RightAway => Rotation3::from_axis_angle(&Vector3::y_axis(), -tilt_rad),
            Self::TopAway => Rotation3::from_axis_angle(&Vector3::x_axis(), -tilt_rad),
            Self::BottomAway => Rotation3::from_axis_angle(&Vector3::x_axis(), tilt_rad),
        }
    }

    /// The direction in which a board is chiefly tilted, from its pose.
    pub fn of(camera_from_board: &Isometry3<f64>) -> Self {
        let normal = camera_from_board.rotation * Vector3::z();
        let away = normal * normal.z.signum();
        // The side towards which the normal leans is nearer.
        match (away.x.abs() > away.y.abs(), away.x > 0.0, away.y > 0.0) {
            (true, true, _) => Self::LeftAway,
            (true, false, _) => Self::RightAway,
            (false, _, true) => Self::TopAway,
            (false, _, false) => Self::BottomAway,
        }
    }
}

/// A pose that a person can be asked for.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Asked {
    pub across: Third,
    pub down: Third,
    pub tilt: Tilt,
    pub is_turned: bool,
    pub camera_from_board: Isometry3<f64>,
    /// Corners of the board in the picture, px.
    pub outline_px: [Point2<f64>; 4],
    /// The share of the variance that its view would take away, once it is known.
    pub gain: f64,
}

impl Asked {
    /// The pose in words.
    pub fn words(&self) -> String {
        let place = match (self.across, self.down) {
            (Third::Middle, _) | (_, Third::Middle) => "in the middle, near the camera",
            (Third::First, Third::First) => "in the top left corner of the picture",
            (Third::Last, Third::First) => "in the top right corner of the picture",
            (Third::First, Third::Last) => "in the bottom left corner of the picture",
            (Third::Last, Third::Last) => "in the bottom right corner of the picture",
        };
        let turned = match self.is_turned {
            true => ", turned by a quarter turn",
            false => "",
        };
        format!(
            "Hold the board {place}{turned}, with its {} side tilted away.",
            self.tilt.side()
        )
    }

    /// Whether the board is asked for in a corner of the picture.
    pub fn is_in_a_corner(&self) -> bool {
        self.across != Third::Middle
    }

    /// Whether the board comes to the left, the right, the top or the bottom edge of the picture.
    pub fn reaches(&self, edge: Edge) -> bool {
        match edge {
            Edge::Left => self.across == Third::First,
            Edge::Right => self.across == Third::Last,
            Edge::Top => self.down == Third::First,
            Edge::Bottom => self.down == Third::Last,
        }
    }
}

/// All poses that a person can be asked for, in a fixed order.
pub(super) fn all(board: &Board, camera: &Camera, size_px: (usize, usize)) -> Vec<Asked> {
    use Third::{First, Last, Middle};
    let places = [
        (Middle, Middle, false),
        (First, First, false),
        (Last, Last, false),
        (Last, First, false),
        (First, Last, false),
        (Middle, Middle, true),
    ];
    let poses = places.into_iter().flat_map(|place| {
        let tilts = Tilt::ALL.into_iter();
        tilts.filter_map(move |tilt| asked(board, camera, size_px, (place, tilt)))
    });
    poses.collect()
}

type Wish = ((Third, Third, bool), Tilt);

fn asked(
    board: &Board,
    camera: &Camera,
    size_px: (usize, usize),
    ((across, down, is_turned), tilt): Wish,
) -> Option<Asked> {
    let share = match across {
        Third::Middle => LARGE_SHARE,
        Third::First | Third::Last => CORNER_SHARE,
    };
    let quarter_rad = std::f64::consts::FRAC_PI_2;
    let roll = Rotation3::from_axis_angle(
        &Vector3::z_axis(),
        if is_turned { quarter_rad } else { 0.0 },
    );
    let rotation = UnitQuaternion::from_rotation_matrix(&(tilt.turn() * roll));
    let corners_mm = corners_mm(board);
    let middle = (corners_mm[0].coords + corners_mm[2].coords) / 2.0;
    let longer_mm = (corners_mm[2] - corners_mm[0]).amax();
    let (width, height) = (size_px.0 as f64, size_px.1 as f64);
    let margin_px = MARGIN_SHARE * width;
    let mut centre = Vector3::new(0.0, 0.0, FIRST_DEPTH * longer_mm);
    let pose_at = |centre: Vector3<f64>| {
        let turned = rotation * in_space(middle.into()).coords;
        Isometry3::from_parts(Translation3::from(centre - turned), rotation)
    };
    for _ in 0..ROUNDS {
        let outline_px = outline_px(camera, &pose_at(centre), &corners_mm)?;
        let (low, high) = extent(&outline_px);
        let fills = ((high.x - low.x) / width).max((high.y - low.y) / height);
        let wanted = Point2::new(
            place(across, (low.x, high.x), (width, margin_px)),
            place(down, (low.y, high.y), (height, margin_px)),
        );
        let now = nalgebra::center(&low, &high);
        let depth = centre.z;
        centre.x += (wanted.x - now.x) / camera.fx * depth;
        centre.y += (wanted.y - now.y) / camera.fy * depth;
        centre *= fills / share;
    }
    let camera_from_board = pose_at(centre);
    Some(Asked {
        across,
        down,
        tilt,
        is_turned,
        camera_from_board,
        outline_px: outline_px(camera, &camera_from_board, &corners_mm)?,
        gain: 0.0,
    })
}

/// Where the middle of an extent belongs, px.
fn place(third: Third, (low, high): (f64, f64), (side, margin): (f64, f64)) -> f64 {
    let half = (high - low) / 2.0;
    match third {
        Third::First => margin + half,
        Third::Middle => (side - 1.0) / 2.0,
        Third::Last => side - 1.0 - margin - half,
    }
}

/// Corners of the printed squares: top-left, top-right, bottom-right, bottom-left.
pub(super) fn corners_mm(board: &Board) -> [Point2<f64>; 4] {
    let (columns, rows) = board.crossings();
    let (right, bottom) = (
        (columns + 1) as f64 * board.square_mm(),
        (rows + 1) as f64 * board.square_mm(),
    );
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
