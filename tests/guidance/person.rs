//! A simulated person who holds a board in front of a synthetic camera.
//!
//! The lens and the randomness are those of `tests/support`; nothing here is shared with the program.

use hingewise::camera::calibration::{
    Board, BoardPoint, BoardSighting, BoardView, Chessboard, deflection_sd_deg,
};
use hingewise::camera::guidance::{Guidance, Kept, NotKept, Outcome};
use hingewise::camera::{Camera, INTRINSIC_COUNT, IntrinsicsCovariance};
use nalgebra::{
    Isometry3, Point2, Point3, SMatrix, SVector, Translation3, UnitQuaternion, Vector3,
};

use crate::support::lens::Lens;
use crate::support::random::Random;

const COLUMNS: usize = 9;
const ROWS: usize = 6;
const SQUARE_MM: f64 = 24.0;
/// How well a person follows an outline, standard deviations: turn about each axis,
const TURN_DEG: f64 = 6.0;
/// … place across and distance, over the distance.
const ASIDE: f64 = 0.03;
const DISTANCE: f64 = 0.06;
/// Time between two looks.
const LOOK_S: f64 = 0.1;

/// A person with a board, and a camera.
pub struct Person {
    pub lens: Lens,
    pub noise_px: f64,
    random: Random,
    time_s: f64,
}

impl Person {
    pub fn new(lens: Lens, noise_px: f64, seed: u64) -> Self {
        Self {
            lens,
            noise_px,
            random: Random::new(seed),
            time_s: 0.0,
        }
    }

    pub fn board() -> Board {
        Board::Chessboard(Chessboard {
            columns: COLUMNS,
            rows: ROWS,
            square_mm: SQUARE_MM,
        })
    }

    pub fn size_px(&self) -> (usize, usize) {
        (self.lens.width_px, self.lens.height_px)
    }

    /// Holds the board somewhere for half a second, as one who follows no outline does: tilted by up to
    /// 40° in any direction, its middle in the middle half of the picture.
    pub fn hold_anywhere(&mut self, guidance: &mut Guidance) -> Outcome {
        let pose = self.anywhere();
        self.hold(guidance, &pose)
    }

    /// Holds the board about where the outline is.
    pub fn follow(&mut self, guidance: &mut Guidance) -> Outcome {
        let Some(ask) = guidance.standing().ask else {
            return self.hold_anywhere(guidance);
        };
        let exact = self.pose_of(&ask.outline_px);
        let pose = self.by_hand(&exact);
        self.hold(guidance, &pose)
    }

    fn anywhere(&mut self) -> Isometry3<f64> {
        let random = &mut self.random;
        let [a, b, c] = [(); 3].map(|()| random.between(-1.0, 1.0) * 40_f64.to_radians());
        let turn = UnitQuaternion::from_euler_angles(a, b, c);
        let fills_mm =
            SQUARE_MM * (COLUMNS + 1) as f64 * self.lens.intrinsics[0] / self.lens.width_px as f64;
        let depth_mm = random.between(1.0, 2.0) * fills_mm;
        let at = [
            random.between(0.25, 0.75) * self.lens.width_px as f64,
            random.between(0.25, 0.75) * self.lens.height_px as f64,
        ];
        let ray = self.lens.normalised(at);
        about_middle(turn, Vector3::new(ray[0], ray[1], 1.0) * depth_mm)
    }

    fn by_hand(&mut self, exact: &Isometry3<f64>) -> Isometry3<f64> {
        let random = &mut self.random;
        let turn = Vector3::from_fn(|_, _| random.normal() * TURN_DEG.to_radians());
        let middle = (exact * middle_mm()).coords;
        let aside = Vector3::new(random.normal(), random.normal(), 0.0) * ASIDE * middle.z;
        let distance = 1.0 + DISTANCE * random.normal();
        about_middle(
            UnitQuaternion::from_scaled_axis(turn) * exact.rotation,
            (middle + aside) * distance,
        )
    }

    /// The pose in which the board's corners are seen at the outline's: least squares from several
    /// starts, with derivatives by differences.
    fn pose_of(&self, outline_px: &[Point2<f64>; 4]) -> Isometry3<f64> {
        let corners = corners_mm();
        let misses = |pose: &Isometry3<f64>| -> SVector<f64, 8> {
            let mut misses = SVector::zeros();
            for (index, corner) in corners.iter().enumerate() {
                let seen = self.seen(pose, corner);
                misses[2 * index] = seen[0] - outline_px[index].x;
                misses[2 * index + 1] = seen[1] - outline_px[index].y;
            }
            misses
        };
        let tilts = [[0.0, 0.5], [0.0, -0.5], [0.5, 0.0], [-0.5, 0.0]];
        let starts = [0.0, std::f64::consts::FRAC_PI_2]
            .into_iter()
            .flat_map(|roll| {
                tilts.map(|[x, y]| {
                    let turn = UnitQuaternion::from_scaled_axis(Vector3::new(x, y, 0.0))
                        * UnitQuaternion::from_scaled_axis(Vector3::new(0.0, 0.0, roll));
                    about_middle(turn, Vector3::new(0.0, 0.0, 500.0))
                })
            });
        let settled = starts.map(|mut pose| {
            let mut cost = misses(&pose).norm();
            for _ in 0..60 {
                let mut slopes = SMatrix::<f64, 8, 6>::zeros();
                let here = misses(&pose);
                for index in 0..6 {
                    let mut step = SVector::<f64, 6>::zeros();
                    step[index] = 1e-5;
                    slopes.set_column(index, &((misses(&stepped(&pose, &step)) - here) / 1e-5));
                }
                let normal = slopes.transpose() * slopes;
                let step = -(normal + SMatrix::identity() * 1e-6)
                    .lu()
                    .solve(&(slopes.transpose() * here))
                    .unwrap();
                let halved = (0..12).map(|times| stepped(&pose, &(step * 0.5_f64.powi(times))));
                let Some(better) = halved.into_iter().find(|next| {
                    let middle = (next * middle_mm()).z;
                    middle > 100.0 && misses(next).norm() < cost
                }) else {
                    break;
                };
                cost = misses(&better).norm();
                pose = better;
            }
            (cost, pose)
        });
        settled.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap().1
    }

    fn seen(&self, pose: &Isometry3<f64>, on_board: &Point3<f64>) -> [f64; 2] {
        let at = pose * on_board;
        self.lens.project([at.x, at.y, at.z])
    }

    /// Holds the board in a pose long enough to be kept; what became of the last look, or of the one that
    /// was kept.
    fn hold(&mut self, guidance: &mut Guidance, pose: &Isometry3<f64>) -> Outcome {
        // The board comes from elsewhere.
        self.time_s += 1.0;
        let mut outcome = None;
        for _ in 0..6 {
            self.time_s += LOOK_S;
            let sighting = self.sighting(pose);
            let look = guidance
                .see(self.time_s, self.size_px(), Ok(sighting))
                .unwrap();
            let is_kept = matches!(look.outcome, Outcome::Kept(_));
            outcome = Some(look.outcome);
            if is_kept {
                break;
            }
        }
        while let Some(work) = guidance.work() {
            guidance.settle(work.run());
        }
        outcome.unwrap()
    }

    pub fn sighting(&mut self, pose: &Isometry3<f64>) -> BoardSighting {
        let (width, height) = (self.lens.width_px as f64, self.lens.height_px as f64);
        let mut points = Vec::new();
        for row in 0..ROWS {
            for column in 0..COLUMNS {
                let on_board_mm = Point2::new((column + 1) as f64, (row + 1) as f64) * SQUARE_MM;
                let seen = self.seen(pose, &Point3::new(on_board_mm.x, on_board_mm.y, 0.0));
                let noisy = seen.map(|value| value + self.noise_px * self.random.normal());
                let is_inside = (0.0..width - 1.0).contains(&noisy[0])
                    && (0.0..height - 1.0).contains(&noisy[1]);
                if is_inside {
                    points.push(BoardPoint {
                        column,
                        row,
                        on_board_mm,
                        in_image_px: Point2::from(noisy),
                        sd_px: 1.0,
                    });
                }
            }
        }
        BoardSighting {
            view: BoardView {
                name: String::new(),
                points,
                blur_px: 1.0,
            },
            layout: None,
        }
    }

    /// The true error of a 30° deflection with a profile: the worse of the two sides, degrees.
    pub fn true_error_deg(&self, camera: &Camera) -> f64 {
        true_error_deg(camera, self.lens.intrinsics, self.lens.width_px)
    }
}

/// The error of a 30° deflection with a camera in place of the true one: the worse of the two sides, degrees.
pub fn true_error_deg(camera: &Camera, truth: [f64; INTRINSIC_COUNT], width_px: usize) -> f64 {
    let wrong_by = camera.intrinsics() - SVector::from(truth);
    let as_covariance: IntrinsicsCovariance = wrong_by * wrong_by.transpose();
    deflection_sd_deg(camera, &as_covariance, width_px).unwrap()
}

pub fn kept(outcome: &Outcome) -> Option<&Kept> {
    match outcome {
        Outcome::Kept(kept) => Some(kept),
        _ => None,
    }
}

pub fn why_not(outcome: &Outcome) -> Option<NotKept> {
    match outcome {
        Outcome::NotKept(why) => Some(*why),
        _ => None,
    }
}

fn corners_mm() -> [Point3<f64>; 4] {
    let right = (COLUMNS + 1) as f64 * SQUARE_MM;
    let bottom = (ROWS + 1) as f64 * SQUARE_MM;
    [[0.0, 0.0], [right, 0.0], [right, bottom], [0.0, bottom]].map(|[x, y]| Point3::new(x, y, 0.0))
}

fn middle_mm() -> Point3<f64> {
    let [a, _, c, _] = corners_mm();
    nalgebra::center(&a, &c)
}

/// The pose that turns the board and brings its middle to a place.
fn about_middle(turn: UnitQuaternion<f64>, middle: Vector3<f64>) -> Isometry3<f64> {
    Isometry3::from_parts(Translation3::from(middle - turn * middle_mm().coords), turn)
}

fn stepped(pose: &Isometry3<f64>, step: &SVector<f64, 6>) -> Isometry3<f64> {
    let turn = UnitQuaternion::from_scaled_axis(step.fixed_rows::<3>(0).into_owned());
    let middle = (pose * middle_mm()).coords + step.fixed_rows::<3>(3) * 100.0;
    about_middle(turn * pose.rotation, middle)
}
