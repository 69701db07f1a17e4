//! Checks how far from its axis a lens model is one-to-one.
//!
//! The distorted radius r (1 + k1 r² + k2 r⁴ + k3 r⁶) of a real lens grows with r all over its
//! picture. A polynomial that was fitted to the middle of the picture need not: where it turns back,
//! two directions share one pixel, and everything beyond is projected to the wrong place.

use nalgebra::Point2;

use super::Camera;

/// Steps in which the way to the farthest corner is checked; the polynomial has at most three turns
/// in all, so that none hides between two steps unless it is too shallow to matter.
const STEPS: usize = 2000;
/// The corner must be reached before the undistorted radius is this many times the distorted one:
/// no lens compresses its corners that much.
const LARGEST_COMPRESSION: f64 = 4.0;

impl Camera {
    /// Distance from the principal point, px, at which the model folds back inside a picture of
    /// this size; `None` if it does not.
    ///
    /// Pixel centres are integers, so the corners are half a pixel outside the outermost centres.
    pub fn folds_at_px(&self, width_px: usize, height_px: usize) -> Option<f64> {
        let farthest = self.farthest_corner(width_px, height_px);
        let step = farthest * LARGEST_COMPRESSION / STEPS as f64;
        let mut reached = 0.0;
        for index in 1..=STEPS {
            let radius = step * index as f64;
            let distorted = self.distorted_radius(radius);
            if distorted.is_nan() || distorted <= reached {
                return Some(reached * self.fx.min(self.fy));
            }
            if distorted >= farthest {
                return None;
            }
            reached = distorted;
        }
        Some(reached * self.fx.min(self.fy))
    }

    /// Distance of the farthest corner of a picture from the principal point, px.
    pub fn farthest_corner_px(&self, width_px: usize, height_px: usize) -> f64 {
        let corners = corners_px(width_px, height_px).into_iter();
        let distances_px = corners.map(|corner| (corner.x - self.cx).hypot(corner.y - self.cy));
        distances_px.fold(0.0, f64::max)
    }

    fn farthest_corner(&self, width_px: usize, height_px: usize) -> f64 {
        let corners = corners_px(width_px, height_px).into_iter();
        let distances = corners.map(|corner| {
            let (x, y) = (
                (corner.x - self.cx) / self.fx,
                (corner.y - self.cy) / self.fy,
            );
            x.hypot(y)
        });
        distances.fold(0.0, f64::max)
    }

    fn distorted_radius(&self, radius: f64) -> f64 {
        let [k1, k2, _, _, k3] = self.distortion;
        let r2 = radius * radius;
        radius * (1.0 + r2 * (k1 + r2 * (k2 + r2 * k3)))
    }
}

fn corners_px(width_px: usize, height_px: usize) -> [Point2<f64>; 4] {
    let (right, bottom) = (width_px as f64 - 0.5, height_px as f64 - 0.5);
    [(-0.5, -0.5), (right, -0.5), (-0.5, bottom), (right, bottom)].map(|(x, y)| Point2::new(x, y))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn camera(distortion: [f64; 5]) -> Camera {
        Camera {
            fx: 800.0,
            fy: 800.0,
            cx: 399.5,
            cy: 299.5,
            distortion,
        }
    }

    /// r − k r³ turns back at r = 1/√(3k), where it has reached two thirds of that.
    #[test]
    fn barrel_distortion_folds_where_its_derivative_vanishes() {
        // Corners of 800 × 600 px lie 500 px from the axis: 0.625. k = 0.5 turns at 0.8165 with
        // 0.5443 reached, k = 0.3 at 1.0541 with 0.7027 reached.
        let at_px = camera([-0.5, 0.0, 0.0, 0.0, 0.0])
            .folds_at_px(800, 600)
            .unwrap();
        assert!((at_px - 0.5443 * 800.0).abs() < 0.5, "{at_px}");
        assert_eq!(
            camera([-0.3, 0.0, 0.0, 0.0, 0.0]).folds_at_px(800, 600),
            None
        );
    }

    #[test]
    fn a_pinhole_and_a_cushion_never_fold() {
        assert_eq!(camera([0.0; 5]).folds_at_px(800, 600), None);
        assert_eq!(
            camera([0.3, 0.2, 0.0, 0.0, 0.1]).folds_at_px(800, 600),
            None
        );
        assert!((camera([0.0; 5]).farthest_corner_px(800, 600) - 500.0).abs() < 1e-9);
    }
}
