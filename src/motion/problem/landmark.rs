//! Landmarks of the surroundings: their places in space, and in the pictures.

use nalgebra::{SVector, Unit, Vector2, Vector3};

use crate::geometry::{across, rotation_from_vector};

/// Constants of one landmark: its direction turned about two others across it (rad), and the inverse of
/// its distance (1/mm).
pub(in crate::motion) const LANDMARK_CONSTANTS: usize = 3;
/// Constants of the surroundings' rocking: turn (rad) and shift (mm) against the airframe, per rad of
/// the deflection that drives it.
pub(in crate::motion) const ROCKING_CONSTANTS: usize = 6;
/// Fewer of them do not determine the camera's pose.
pub(in crate::motion) const FEWEST_LANDMARKS: usize = 6;
/// A landmark's place, as seen from one place near all of the camera's: so a hill at the horizon,
/// whose distance the clip does not determine, is no harder to handle than the table (J. Civera et al., "Inverse
/// depth parametrization for monocular SLAM", IEEE Trans. Robotics 24 (2008) 932).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::motion) struct Landmark {
    /// In the reference frame.
    pub towards: Unit<Vector3<f64>>,
    /// Inverse of the distance, 1/mm.
    pub inverse_mm: f64,
}

impl Landmark {
    pub fn stepped(&self, step: &SVector<f64, LANDMARK_CONSTANTS>) -> Self {
        let across = across(&self.towards);
        let turn = rotation_from_vector(&(across * step.fixed_rows::<2>(0)));
        Self {
            towards: turn * self.towards,
            inverse_mm: self.inverse_mm + step[2],
        }
    }
}

/// A landmark as it was found in a frame.
#[derive(Debug, Clone)]
pub(in crate::motion) struct SeenLandmark {
    /// Position among the landmarks of the fit.
    pub landmark: usize,
    /// Its number among all landmarks of the clip.
    pub number: u32,
    pub place_px: Vector2<f64>,
    /// Standard deviation of each coordinate.
    pub sd_px: f64,
    /// How its place follows the camera's readout: [`super::readout`].
    pub by_readout_px_per_s: Vector2<f64>,
    /// Deflection that may rock the aircraft: [`crate::motion::surroundings::join`].
    pub drive_rad: f64,
}
