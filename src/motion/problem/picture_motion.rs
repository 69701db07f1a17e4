//! Motion of the picture against the lens.
//!
//! Many phones cannot switch their stabiliser off. It shifts the picture by some pixels, of a camera that
//! stands still as well as of one in the hand, and a focus that breathes enlarges it by some tenths of a
//! percent. Both move the finished picture, distortion included: a point that the lens images at `q` appears at
//!
//! ```text
//! p = c + (1 + g) (q − c) + d
//! ```
//!
//! with the principal point `c`, the shift `d` and the growth `g`. A shift looks to first order like a turn of
//! the camera; the difference, `d (r / f)²` at the distance `r` from the principal point, bends deflections.

use nalgebra::{SMatrix, SVector, Vector2, Vector3};

use crate::camera::Camera;

/// Numbers of one frame: shift along x and y (px), growth.
pub(in crate::motion) const PICTURE_UNKNOWNS: usize = 3;

/// How the picture of one frame moved.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(in crate::motion) struct PictureMotion {
    pub shift_px: Vector2<f64>,
    /// Relative enlargement.
    pub growth: f64,
}

impl PictureMotion {
    pub fn to_vector(self) -> Vector3<f64> {
        self.shift_px.push(self.growth)
    }

    pub fn step(&mut self, step: &Vector3<f64>) {
        self.shift_px += step.xy();
        self.growth += step.z;
    }

    /// Where the lens images points that were found in the picture; coordinates alternate between x and y.
    pub fn undone<const ROWS: usize>(
        &self,
        camera: &Camera,
        found_px: &SVector<f64, ROWS>,
    ) -> SVector<f64, ROWS> {
        if *self == Self::default() {
            return *found_px;
        }
        let centre_px = centre_px(camera);
        SVector::from_fn(|row, _| {
            let centre = centre_px[row % 2];
            centre + (found_px[row] - centre - self.shift_px[row % 2]) / (1.0 + self.growth)
        })
    }

    /// How the residual, predicted minus undone, follows the three numbers.
    pub fn slopes<const ROWS: usize>(
        &self,
        camera: &Camera,
        undone_px: &SVector<f64, ROWS>,
    ) -> SMatrix<f64, ROWS, PICTURE_UNKNOWNS> {
        let centre_px = centre_px(camera);
        let by_unit = 1.0 / (1.0 + self.growth);
        SMatrix::from_fn(|row, column| match column {
            2 => by_unit * (undone_px[row] - centre_px[row % 2]),
            axis if axis == row % 2 => by_unit,
            _ => 0.0,
        })
    }
}

fn centre_px(camera: &Camera) -> Vector2<f64> {
    Vector2::new(camera.cx, camera.cy)
}

/// How far the picture moves if nothing else is known: standard deviations about no motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::motion) struct PicturePrior {
    pub shift_sd_px: f64,
    pub growth_sd: f64,
}

impl PicturePrior {
    /// Before anything was seen: stabilisers of phones in the hand wander by ten pixels of a 1080p picture,
    /// up to forty; focus breathes by tenths of a percent (thin lens, from 1 m to 0.5 m: 0.4 %).
    pub const UNSEEN: Self = Self {
        shift_sd_px: 10.0,
        growth_sd: 0.005,
    };

    /// χ² of a frame's motion.
    pub fn chi2(&self, motion: &PictureMotion) -> f64 {
        let numbers = motion.to_vector();
        let squares = numbers.component_mul(&numbers);
        squares.dot(&self.information())
    }

    /// Number by number: its information, and the gradient of half its χ².
    pub fn terms(
        &self,
        motion: &PictureMotion,
        share: f64,
    ) -> impl Iterator<Item = (usize, f64, f64)> {
        let (numbers, information) = (motion.to_vector(), self.information() * share);
        (0..PICTURE_UNKNOWNS).map(move |index| {
            let gradient = information[index] * numbers[index];
            (index, information[index], gradient)
        })
    }

    /// Inverse variances of the three numbers.
    pub fn information(&self) -> Vector3<f64> {
        let shift = self.shift_sd_px.powi(-2);
        Vector3::new(shift, shift, self.growth_sd.powi(-2))
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_abs_diff_eq;

    use super::*;

    #[test]
    fn slopes_are_those_of_the_residual() {
        let camera = Camera {
            fx: 1500.0,
            fy: 1500.0,
            cx: 960.0,
            cy: 540.0,
            distortion: [0.0; 5],
        };
        let motion = PictureMotion {
            shift_px: Vector2::new(3.0, -2.0),
            growth: 0.004,
        };
        let found_px = SVector::<f64, 4>::new(100.0, 200.0, 1700.0, 900.0);
        let undone = motion.undone(&camera, &found_px);
        let slopes = motion.slopes(&camera, &undone);
        for (column, size) in [1e-3, 1e-3, 1e-6].into_iter().enumerate() {
            let moved = |by: f64| {
                let mut moved = motion;
                let mut step = Vector3::zeros();
                step[column] = by;
                moved.step(&step);
                -moved.undone(&camera, &found_px)
            };
            let numeric = (moved(size) - moved(-size)) / (2.0 * size);
            assert_abs_diff_eq!(numeric, slopes.column(column).into_owned(), epsilon = 1e-4);
        }
    }
}
