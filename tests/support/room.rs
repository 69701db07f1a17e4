//! Tags fixed to the walls of a room: one joint fit of all tags and all stills with a lens held.

use std::collections::BTreeMap;
use std::path::Path;

use nalgebra::{DMatrix, DVector, SMatrix, SVector};

use super::lens::Lens;
use super::rigid::{Vec3, add, apply, turn_by_vector};

/// Degrees of freedom of a pose.
const POSE: usize = 6;
const MOST_STEPS: usize = 50;
/// The fit ends when a step lowers the sum of squares by less than this share.
const CONVERGED: f64 = 1e-9;
/// Step of the differences, rad and edges of a tag.
const STEP: f64 = 1e-6;

/// Corners of a tag, in edges, as they are listed in the pictures.
const CORNERS: [Vec3; 4] = [
    [-0.5, -0.5, 0.0],
    [0.5, -0.5, 0.0],
    [0.5, 0.5, 0.0],
    [-0.5, 0.5, 0.0],
];

type Pose = SVector<f64, POSE>;
type Seen = SVector<f64, 8>;

/// A tag in a still; places in the lists of poses.
struct Sighting {
    still: usize,
    tag: usize,
    corners_px: Seen,
}

/// Corners of tags in stills, and where stills and tags roughly are.
pub struct Room {
    sightings: Vec<Sighting>,
    /// Stills, then tags; edges of a tag.
    start: Vec<Pose>,
    stills: usize,
    /// The tag that stays in place.
    fixed: usize,
}

impl Room {
    /// Reads `corners.csv` and `start.csv` of a folder.
    pub fn read(folder: &Path) -> Self {
        let mut start = Vec::new();
        let mut places = BTreeMap::new();
        let mut stills = 0;
        for row in rows(&folder.join("start.csv")) {
            places.insert((row[0].clone(), row[1].clone()), start.len());
            stills += usize::from(row[0] == "still");
            start.push(Pose::from_iterator(numbers(&row[2..])));
        }
        let sightings: Vec<Sighting> = rows(&folder.join("corners.csv"))
            .iter()
            .map(|row| Sighting {
                still: places[&("still".to_owned(), row[0].clone())],
                tag: places[&("tag".to_owned(), row[1].clone())],
                corners_px: Seen::from_iterator(numbers(&row[2..])),
            })
            .collect();
        let fixed = start[stills..].iter().position(|pose| pose.norm() == 0.0);
        Self {
            sightings,
            fixed: stills + fixed.unwrap(),
            start,
            stills,
        }
    }

    /// Root mean square distance of a corner from where the joint fit puts it.
    pub fn rms_px(&self, intrinsics: &[f64; 9], size_px: (usize, usize)) -> f64 {
        assert!(self.stills > 0);
        let lens = Lens {
            intrinsics: *intrinsics,
            width_px: size_px.0,
            height_px: size_px.1,
        };
        let mut poses = self.start.clone();
        let mut cost = self.cost(&lens, &poses);
        let mut damping = 1e-3;
        for _ in 0..MOST_STEPS {
            let (normal, gradient) = self.equations(&lens, &poses);
            let trial = (0..12).find_map(|_| {
                let moved = moved(&poses, &normal, &gradient, damping)?;
                let better = self.cost(&lens, &moved) < cost;
                damping *= if better { 0.1 } else { 10.0 };
                better.then_some(moved)
            });
            let Some(trial) = trial else { break };
            poses = trial;
            let before = cost;
            cost = self.cost(&lens, &poses);
            if before - cost < CONVERGED * before {
                break;
            }
        }
        (cost / (4 * self.sightings.len()) as f64).sqrt()
    }

    fn cost(&self, lens: &Lens, poses: &[Pose]) -> f64 {
        let sightings = self.sightings.iter();
        sightings
            .map(|seen| residual(lens, seen, &poses[seen.still], &poses[seen.tag]).norm_squared())
            .sum()
    }

    fn equations(&self, lens: &Lens, poses: &[Pose]) -> (DMatrix<f64>, DVector<f64>) {
        let unknowns = POSE * poses.len();
        let mut normal = DMatrix::zeros(unknowns, unknowns);
        let mut gradient = DVector::zeros(unknowns);
        for seen in &self.sightings {
            let (still, tag) = (poses[seen.still], poses[seen.tag]);
            let here = residual(lens, seen, &still, &tag);
            let by_still = differences(|pose| residual(lens, seen, pose, &tag), &still);
            let by_tag = match seen.tag == self.fixed {
                true => SMatrix::zeros(),
                false => differences(|pose| residual(lens, seen, &still, pose), &tag),
            };
            let blocks = [(seen.still, by_still), (seen.tag, by_tag)];
            for (row, by_row) in &blocks {
                let mut part = gradient.rows_mut(POSE * row, POSE);
                part += by_row.transpose() * here;
                for (column, by_column) in &blocks {
                    let mut part = normal.view_mut((POSE * row, POSE * column), (POSE, POSE));
                    part += by_row.transpose() * by_column;
                }
            }
        }
        for index in POSE * self.fixed..POSE * (self.fixed + 1) {
            normal[(index, index)] = 1.0;
        }
        (normal, gradient)
    }
}

fn moved(
    poses: &[Pose],
    normal: &DMatrix<f64>,
    gradient: &DVector<f64>,
    damping: f64,
) -> Option<Vec<Pose>> {
    let mut damped = normal.clone();
    for index in 0..damped.nrows() {
        damped[(index, index)] *= 1.0 + damping;
    }
    let step = damped.cholesky()?.solve(gradient);
    let moved = poses
        .iter()
        .enumerate()
        .map(|(index, pose)| pose - step.fixed_rows::<POSE>(POSE * index));
    Some(moved.collect())
}

fn differences(residual: impl Fn(&Pose) -> Seen, at: &Pose) -> SMatrix<f64, 8, POSE> {
    let columns: [Seen; POSE] = std::array::from_fn(|index| {
        let (mut above, mut below) = (*at, *at);
        above[index] += STEP;
        below[index] -= STEP;
        (residual(&above) - residual(&below)) / (2.0 * STEP)
    });
    SMatrix::from_columns(&columns)
}

fn residual(lens: &Lens, seen: &Sighting, still: &Pose, tag: &Pose) -> Seen {
    let in_image = CORNERS
        .map(|corner| lens.project(placed(still, placed(tag, corner))))
        .concat();
    Seen::from_iterator(in_image) - seen.corners_px
}

/// A point turned by the pose's rotation vector, then shifted.
fn placed(pose: &Pose, point: Vec3) -> Vec3 {
    let turn = turn_by_vector([pose[0], pose[1], pose[2]]);
    add(apply(&turn, point), [pose[3], pose[4], pose[5]])
}

fn rows(path: &Path) -> Vec<Vec<String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let rows = reader.records().map(|row| row.unwrap());
    rows.map(|row| row.iter().map(str::to_owned).collect())
        .collect()
}

fn numbers(words: &[String]) -> impl Iterator<Item = f64> {
    words.iter().map(|word| word.parse().unwrap())
}
