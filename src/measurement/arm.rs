//! Direction from a hinge line to its tag, for drawing.
//!
//! The joint fit gives the hinge line and the tag's distance from it, so the tag's centre is on a
//! circle; the picture shows where on it.

use nalgebra::{Point2, Rotation3, Unit, Vector3};

use crate::camera::Camera;
use crate::conventions::rad_from_deg;
use crate::motion::SurfaceMotion;
use crate::tags::Sighting;

use super::Stages;

/// Steps round the circle: a quarter of a degree, finer than any drawing shows.
const STEPS: usize = 1440;

/// A place on the circle explains the picture if it is seen within this share of the tag's edge.
const NEAR_SHARE: f64 = 0.25;

/// Direction from the hinge line to the tag's centre at neutral, in the camera frame of the first
/// frame used; `None` if the picture does not show it.
pub(super) fn at_neutral(stages: &Stages<'_>, surface: &SurfaceMotion) -> Option<Vector3<f64>> {
    let rows = stages.rows;
    let first_used = rows.iter().find(|row| row.deflection_deg.is_some())?.frame;
    rows.iter()
        .filter(|row| row.surface == surface.name)
        // Once the camera has moved the hinge's frame is no longer the picture's.
        .filter(|row| !stages.motion.camera_moved || row.frame == first_used)
        .find_map(|row| {
            let deflection_deg = row.deflection_deg?.value;
            let sighted = stages.sightings.frames.get(row.frame)?;
            let sighting = sighted.sighting(surface.tag_id)?;
            let arm = in_picture(surface, sighting, &stages.profile.camera)?;
            let back =
                Rotation3::from_axis_angle(&surface.axis_in_camera, -rad_from_deg(deflection_deg));
            Some(back * arm)
        })
}

/// The direction in which the tag is seen; of two that look alike the one towards the camera, as
/// trailing edges are filmed from behind.
fn in_picture(
    surface: &SurfaceMotion,
    sighting: &Sighting,
    camera: &Camera,
) -> Option<Vector3<f64>> {
    let centre = crossing(&sighting.corners_px)?;
    let edge_px = (sighting.corners_px[0] - sighting.corners_px[1]).norm();
    let start = perpendicular(&surface.axis_in_camera);
    let candidates: Vec<(Vector3<f64>, f64)> = (0..STEPS)
        .filter_map(|step| {
            let turn_rad = std::f64::consts::TAU * step as f64 / STEPS as f64;
            let arm = Rotation3::from_axis_angle(&surface.axis_in_camera, turn_rad) * start;
            let tag = surface.point_in_camera_mm + arm * surface.radius_mm.value;
            Some((arm, (camera.project(&tag)? - centre).norm()))
        })
        .collect();
    let is_near = |distance_px: f64| distance_px <= edge_px * NEAR_SHARE;
    (0..candidates.len())
        .filter(|&index| is_lowest(&candidates, index) && is_near(candidates[index].1))
        .map(|index| candidates[index].0)
        .min_by(|a, b| a.z.total_cmp(&b.z))
}

fn is_lowest(candidates: &[(Vector3<f64>, f64)], index: usize) -> bool {
    let count = candidates.len();
    let here = candidates[index].1;
    let before = candidates[(index + count - 1) % count].1;
    let after = candidates[(index + 1) % count].1;
    here <= before && here <= after
}

/// Where the diagonals cross: the picture of the tag's centre under perspective.
fn crossing(corners: &[Point2<f64>; 4]) -> Option<Point2<f64>> {
    let (one, other) = (corners[2] - corners[0], corners[3] - corners[1]);
    let area = one.perp(&other);
    let along = (corners[1] - corners[0]).perp(&other) / area;
    along.is_finite().then(|| corners[0] + one * along)
}

fn perpendicular(axis: &Unit<Vector3<f64>>) -> Vector3<f64> {
    let least = axis.iamin();
    axis.cross(&Vector3::ith(least, 1.0)).normalize()
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;
    use nalgebra::Point3;

    use super::*;
    use crate::measured::Measured;
    use crate::tags::CornerCovariance;

    #[test]
    fn the_side_towards_the_camera_is_taken() {
        let camera = Camera {
            fx: 1500.0,
            fy: 1500.0,
            cx: 960.0,
            cy: 540.0,
            distortion: [0.0; 5],
        };
        let surface = SurfaceMotion {
            name: "left".into(),
            tag_id: 10,
            axis_in_camera: Unit::new_normalize(Vector3::new(-1.0, 0.05, -0.1)),
            point_in_camera_mm: Point3::new(-200.0, 30.0, 900.0),
            radius_mm: Measured::new(60.0, 0.2),
        };
        // A square about the tag's true centre, straight on to the camera.
        let arm = Rotation3::from_axis_angle(&surface.axis_in_camera, 0.3)
            * surface.axis_in_camera.cross(&Vector3::y()).normalize();
        assert!(arm.z < 0.0, "the sample looks at its own trailing edge");
        let centre = surface.point_in_camera_mm + arm * 60.0;
        let corner = |x: f64, y: f64| camera.project(&(centre + Vector3::new(x, y, 0.0))).unwrap();
        let sighting = Sighting {
            tag_id: 10,
            corners_px: [
                corner(-10.0, -10.0),
                corner(10.0, -10.0),
                corner(10.0, 10.0),
                corner(-10.0, 10.0),
            ],
            covariance_px2: CornerCovariance::identity(),
        };
        let found = in_picture(&surface, &sighting, &camera).unwrap();
        assert_relative_eq!(found, arm, epsilon = 0.01);
    }
}
