//! Quadrilaterals: the outlines of tags and markers in a picture.

use nalgebra::{Point2, Vector2};

/// Mean of the four corners.
pub fn centre(corners: &[Point2<f64>; 4]) -> Point2<f64> {
    let sum: Vector2<f64> = corners.iter().map(|corner| corner.coords).sum();
    Point2::from(sum / 4.0)
}

/// Mean length of the four edges.
pub fn mean_edge(corners: &[Point2<f64>; 4]) -> f64 {
    let edges = (0..4).map(|k| (corners[k] - corners[(k + 1) % 4]).norm());
    edges.sum::<f64>() / 4.0
}
