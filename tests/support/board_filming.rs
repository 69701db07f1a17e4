//! A synthetic board in front of a synthetic camera.

use hingewise::camera::calibration::{
    BoardPoint, BoardView, CalibrateOptions, Calibration, CalibrationError, calibrate,
};
use nalgebra::Point2;

use super::lens::Lens;
use super::random::Random;

const COLUMNS: usize = 9;
const ROWS: usize = 6;
pub const SQUARE_MM: f64 = 24.0;

/// How a synthetic board is seen.
#[derive(Debug, Clone, Copy)]
pub struct Filming {
    pub lens: Lens,
    pub views: usize,
    pub noise_px: f64,
    /// Largest tilt.
    pub tilt_deg: f64,
    /// Height of the bend of the paper over its width.
    pub bend_mm: f64,
}

impl Filming {
    pub fn phone() -> Self {
        Self {
            lens: Lens::phone(),
            views: 15,
            noise_px: 0.1,
            tilt_deg: 40.0,
            bend_mm: 0.0,
        }
    }

    pub fn views(&self, seed: u64) -> Vec<BoardView> {
        let mut random = Random::new(seed);
        (0..self.views)
            .map(|index| self.view(&mut random, format!("view {index}")))
            .collect()
    }

    /// A board tilted at random about its middle, which lies at random in the picture.
    fn view(&self, random: &mut Random, name: String) -> BoardView {
        self.view_at(random, name, (1.0, 2.0), (0.25, 0.75))
    }

    /// A view at a distance of so many widths of the board at which it would fill the picture, its
    /// middle between two shares of the picture's sides.
    pub fn view_at(
        &self,
        random: &mut Random,
        name: String,
        distances: (f64, f64),
        middle: (f64, f64),
    ) -> BoardView {
        let lens = &self.lens;
        let angles = [(); 3].map(|()| random.between(-1.0, 1.0) * self.tilt_deg.to_radians());
        let turn = rotation(angles[0], angles[1], angles[2]);
        let width_mm = SQUARE_MM * COLUMNS as f64;
        let depth_mm = random.between(distances.0, distances.1) * width_mm * lens.intrinsics[0]
            / lens.width_px as f64;
        let at = [
            random.between(middle.0, middle.1) * lens.width_px as f64,
            random.between(middle.0, middle.1) * lens.height_px as f64,
        ];
        let ray = lens.normalised(at);
        let middle_mm = [ray[0] * depth_mm, ray[1] * depth_mm, depth_mm];
        let mut points = Vec::new();
        for row in 0..ROWS {
            for column in 0..COLUMNS {
                let x = (column as f64 - (COLUMNS as f64 - 1.0) / 2.0) * SQUARE_MM;
                let y = (row as f64 - (ROWS as f64 - 1.0) / 2.0) * SQUARE_MM;
                let z = self.bend_mm * (2.0 * x / width_mm).powi(2);
                let in_camera = [0, 1, 2]
                    .map(|i| turn[i][0] * x + turn[i][1] * y + turn[i][2] * z + middle_mm[i]);
                let seen = lens.project(in_camera);
                let noisy = seen.map(|value| value + self.noise_px * random.normal());
                let inside = noisy[0] > 0.0
                    && noisy[1] > 0.0
                    && noisy[0] < lens.width_px as f64 - 1.0
                    && noisy[1] < lens.height_px as f64 - 1.0;
                if inside {
                    points.push(BoardPoint {
                        column,
                        row,
                        on_board_mm: Point2::new(x, y),
                        in_image_px: Point2::new(noisy[0], noisy[1]),
                        sd_px: 1.0,
                    });
                }
            }
        }
        BoardView {
            name,
            points,
            blur_px: 1.0,
        }
    }

    pub fn size_px(&self) -> (usize, usize) {
        (self.lens.width_px, self.lens.height_px)
    }

    pub fn calibrated(&self, seed: u64) -> Result<Calibration, CalibrationError> {
        calibrate(
            &self.views(seed),
            self.size_px(),
            &CalibrateOptions::default(),
        )
    }
}

/// Rx(a) · Ry(b) · Rz(c).
fn rotation(a: f64, b: f64, c: f64) -> [[f64; 3]; 3] {
    let ((sa, ca), (sb, cb), (sc, cc)) = (a.sin_cos(), b.sin_cos(), c.sin_cos());
    [
        [cb * cc, -cb * sc, sb],
        [ca * sc + sa * sb * cc, ca * cc - sa * sb * sc, -sa * cb],
        [sa * sc - ca * sb * cc, sa * cc + ca * sb * sc, ca * cb],
    ]
}
