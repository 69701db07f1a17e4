//! The synthetic camera: pinhole and Brown–Conrady distortion, written out once more.

use super::rigid::Vec3;

/// fx fy cx cy k1 k2 p1 p2 k3 and the size of the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    pub intrinsics: [f64; 9],
    pub width_px: usize,
    pub height_px: usize,
}

impl Lens {
    /// A phone's main camera in 1080p.
    pub fn phone() -> Self {
        Self {
            intrinsics: [
                1512.6, 1512.6, 956.8, 544.9, 0.062, -0.098, -0.0004, 0.0005, 0.0,
            ],
            width_px: 1920,
            height_px: 1080,
        }
    }

    /// A webcam with strong barrel distortion in 720p.
    pub fn webcam() -> Self {
        Self {
            intrinsics: [
                912.0, 910.5, 640.3, 355.8, -0.31, 0.11, 0.0006, -0.0003, -0.02,
            ],
            width_px: 1280,
            height_px: 720,
        }
    }

    pub fn project(&self, p: Vec3) -> [f64; 2] {
        let [fx, fy, cx, cy, k1, k2, p1, p2, k3] = self.intrinsics;
        let (x, y) = (p[0] / p[2], p[1] / p[2]);
        let r2 = x * x + y * y;
        let radial = 1.0 + k1 * r2 + k2 * r2.powi(2) + k3 * r2.powi(3);
        [
            fx * (x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)) + cx,
            fy * (y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y) + cy,
        ]
    }

    /// Inverse of the distortion by fixed-point iteration; normalised coordinates.
    pub fn normalised(&self, pixel: [f64; 2]) -> [f64; 2] {
        let [fx, fy, cx, cy, ..] = self.intrinsics;
        let wanted = [(pixel[0] - cx) / fx, (pixel[1] - cy) / fy];
        let mut guess = wanted;
        for _ in 0..200 {
            let seen = self.project([guess[0], guess[1], 1.0]);
            guess[0] += wanted[0] - (seen[0] - cx) / fx;
            guess[1] += wanted[1] - (seen[1] - cy) / fy;
        }
        guess
    }
}
