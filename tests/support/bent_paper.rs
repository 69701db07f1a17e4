//! Tags on paper that is bent round a drum, as a reader of flat patterns measures them.

use nalgebra::{DMatrix, DVector, SVector};

use super::lens::Lens;
use super::rigid::Pose;
use super::world::Corners;

/// Places along each side of the tag that the flat pattern is fitted to.
const SIDE: usize = 17;

/// Outer corners of the flat pattern that comes nearest, in the picture, to a tag whose columns lie
/// round a drum of `radius_mm`, its edges in the plane of the tag and its middle standing out.
pub(super) fn outline(
    lens: &Lens,
    camera_from_tag: &Pose,
    edge_mm: f64,
    radius_mm: f64,
) -> Corners {
    let half_mm = edge_mm / 2.0;
    let bent = |a: f64, b: f64| {
        let (turn, end) = (b * half_mm / radius_mm, half_mm / radius_mm);
        let out_mm = radius_mm * (turn.cos() - end.cos());
        lens.project(camera_from_tag.point([a * half_mm, radius_mm * turn.sin(), out_mm]))
    };
    let step = |index: usize| 2.0 * index as f64 / (SIDE - 1) as f64 - 1.0;
    let places: Vec<([f64; 2], [f64; 2])> = (0..SIDE * SIDE)
        .map(|index| [step(index / SIDE), step(index % SIDE)])
        .map(|[a, b]| ([a, b], bent(a, b)))
        .collect();
    let flat = homography(&places);
    [[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]].map(|[a, b]| seen(&flat, a, b))
}

/// Where a homography (row by row, the last entry 1) takes a place.
fn seen(h: &SVector<f64, 8>, a: f64, b: f64) -> [f64; 2] {
    let depth = h[6] * a + h[7] * b + 1.0;
    [
        (h[0] * a + h[1] * b + h[2]) / depth,
        (h[3] * a + h[4] * b + h[5]) / depth,
    ]
}

/// The homography with the least squares in the picture: linear equations, each divided by the
/// depth that the round before found.
fn homography(places: &[([f64; 2], [f64; 2])]) -> SVector<f64, 8> {
    let mut h = SVector::<f64, 8>::zeros();
    for _ in 0..4 {
        let mut rows = DMatrix::zeros(2 * places.len(), 8);
        let mut values = DVector::zeros(2 * places.len());
        for (index, ([a, b], picture)) in places.iter().enumerate() {
            let weight = 1.0 / (h[6] * a + h[7] * b + 1.0);
            for (axis, at) in picture.iter().enumerate() {
                let row = 2 * index + axis;
                for (column, value) in [*a, *b, 1.0].into_iter().enumerate() {
                    rows[(row, 3 * axis + column)] = weight * value;
                }
                rows[(row, 6)] = -weight * at * a;
                rows[(row, 7)] = -weight * at * b;
                values[row] = weight * at;
            }
        }
        let solution = rows.svd(true, true).solve(&values, 1e-12).unwrap();
        h.copy_from(&solution);
    }
    h
}
