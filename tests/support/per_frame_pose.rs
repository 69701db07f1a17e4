//! What one would get without a joint fit: each tag's pose by itself, frame by frame.
//!
//! A homography gives the first pose, Gauss–Newton on the four corners refines it, and each
//! frame starts once from that and once from the pose before; the better one is kept. The
//! deflection is the rotation against the mean of the neutral frames, along the direction in
//! which the surface turns most.

use hingewise::tags::{Sighting, Sightings};
use nalgebra::{DMatrix, DVector, Matrix3, SMatrix, SVector};

use super::lens::Lens;
use super::rigid::{
    Mat3, Pose, Vec3, cross, dot, norm, product, rotation_vector, times, transposed,
    turn_by_vector, unit,
};
use super::world::corners_in_tag;

/// Deflections in degrees, one a frame, of one surface tag against an airframe tag (or against
/// the camera), from the mean over `neutral`.
pub fn deflections_deg(
    sightings: &Sightings,
    lens: &Lens,
    tag: (u32, f64),
    airframe_tag: Option<(u32, f64)>,
    neutral: &[usize],
) -> Vec<Option<f64>> {
    let poses = poses(sightings, lens, tag);
    let airframe = airframe_tag.map(|tag| self::poses(sightings, lens, tag));
    let rotations: Vec<Option<Mat3>> = poses
        .iter()
        .enumerate()
        .map(|(frame, pose)| {
            let pose = (*pose)?;
            match &airframe {
                None => Some(pose.rotation),
                Some(airframe) => Some(product(
                    &transposed(&airframe[frame]?.rotation),
                    &pose.rotation,
                )),
            }
        })
        .collect();
    let Some(start) = neutral.iter().find_map(|frame| rotations[*frame]) else {
        return vec![None; rotations.len()];
    };
    let vectors: Vec<Option<Vec3>> = rotations
        .iter()
        .map(|rotation| {
            Some(rotation_vector(&product(
                &(*rotation)?,
                &transposed(&start),
            )))
        })
        .collect();
    let axis = main_direction(&vectors);
    let angles: Vec<Option<f64>> = vectors
        .iter()
        .map(|vector| Some(dot((*vector)?, axis).to_degrees()))
        .collect();
    let at_neutral: Vec<f64> = neutral.iter().filter_map(|frame| angles[*frame]).collect();
    let zero = at_neutral.iter().sum::<f64>() / at_neutral.len() as f64;
    angles
        .iter()
        .map(|angle| angle.map(|angle| angle - zero))
        .collect()
}

/// Direction of greatest spread, signed so that it points to −x, or to +y if it is upright.
fn main_direction(vectors: &[Option<Vec3>]) -> Vec3 {
    let mut spread = Matrix3::zeros();
    for vector in vectors.iter().flatten() {
        let vector = nalgebra::Vector3::from(*vector);
        spread += vector * vector.transpose();
    }
    let eigen = spread.symmetric_eigen();
    let largest = eigen.eigenvalues.imax();
    let axis: Vec3 = eigen.eigenvectors.column(largest).into_owned().into();
    let sign = if axis[0].abs() > axis[1].abs() {
        -axis[0]
    } else {
        axis[1]
    };
    times(axis, sign.signum())
}

fn poses(sightings: &Sightings, lens: &Lens, tag: (u32, f64)) -> Vec<Option<Pose>> {
    let mut before: Option<Pose> = None;
    sightings
        .frames
        .iter()
        .map(|frame| {
            let sighting = frame.sighting(tag.0)?;
            let starts = [from_homography(sighting, lens, tag.1), before];
            let refined = starts
                .into_iter()
                .flatten()
                .map(|start| refine(start, sighting, lens, tag.1));
            let best = refined.min_by(|a, b| a.1.total_cmp(&b.1))?;
            before = Some(best.0);
            before
        })
        .collect()
}

fn misses(pose: &Pose, sighting: &Sighting, lens: &Lens, edge_mm: f64) -> SVector<f64, 8> {
    let seen = corners_in_tag(edge_mm).map(|corner| lens.project(pose.point(corner)));
    SVector::from_fn(|row, _| seen[row / 2][row % 2] - sighting.corners_px[row / 2][row % 2])
}

fn moved(pose: &Pose, by: &SVector<f64, 6>) -> Pose {
    Pose {
        rotation: product(&turn_by_vector([by[0], by[1], by[2]]), &pose.rotation),
        translation: std::array::from_fn(|i| pose.translation[i] + by[3 + i]),
    }
}

fn refine(start: Pose, sighting: &Sighting, lens: &Lens, edge_mm: f64) -> (Pose, f64) {
    let mut pose = start;
    let mut cost = misses(&pose, sighting, lens, edge_mm).norm_squared();
    let mut damping = 1e-3;
    for _ in 0..60 {
        let here = misses(&pose, sighting, lens, edge_mm);
        let mut jacobian = SMatrix::<f64, 8, 6>::zeros();
        for column in 0..6 {
            let step = if column < 3 { 1e-6 } else { 1e-4 };
            let mut by = SVector::<f64, 6>::zeros();
            by[column] = step;
            let there = misses(&moved(&pose, &by), sighting, lens, edge_mm);
            jacobian.set_column(column, &((there - here) / step));
        }
        let mut normal = jacobian.transpose() * jacobian;
        for i in 0..6 {
            normal[(i, i)] *= 1.0 + damping;
        }
        let Some(inverse) = normal.try_inverse() else {
            break;
        };
        let candidate = moved(&pose, &(-inverse * jacobian.transpose() * here));
        let new_cost = misses(&candidate, sighting, lens, edge_mm).norm_squared();
        if new_cost < cost {
            let settled = cost - new_cost < 1e-10 * cost;
            (pose, cost, damping) = (candidate, new_cost, damping * 0.2);
            if settled {
                break;
            }
        } else {
            damping *= 8.0;
        }
    }
    (pose, cost)
}

/// Direct linear transform on the four corners, and the pose that is in it.
fn from_homography(sighting: &Sighting, lens: &Lens, edge_mm: f64) -> Option<Pose> {
    let mut system = DMatrix::<f64>::zeros(8, 8);
    let mut right = DVector::<f64>::zeros(8);
    for (i, corner) in corners_in_tag(edge_mm).iter().enumerate() {
        let pixel = sighting.corners_px[i];
        let [u, v] = lens.normalised([pixel.x, pixel.y]);
        let [x, y, _] = *corner;
        for (row, seen) in [(2 * i, u), (2 * i + 1, v)] {
            let at = if row % 2 == 0 { 0 } else { 3 };
            system[(row, at)] = x;
            system[(row, at + 1)] = y;
            system[(row, at + 2)] = 1.0;
            system[(row, 6)] = -seen * x;
            system[(row, 7)] = -seen * y;
            right[row] = seen;
        }
    }
    let h = system.lu().solve(&right)?;
    let (first, second): (Vec3, Vec3) = ([h[0], h[3], h[6]], [h[1], h[4], h[7]]);
    let scale = 2.0 / (norm(first) + norm(second));
    let right = unit(first);
    let out = unit(cross(right, second));
    let up = cross(out, right);
    Some(Pose {
        rotation: transposed(&[right, up, out]),
        translation: times([h[2], h[5], 1.0], scale),
    })
}
