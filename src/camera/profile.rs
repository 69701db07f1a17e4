//! Fits a camera profile to the picture at hand, or makes one from a stated field of view.

use nalgebra::SVector;
use thiserror::Error;

use super::{Camera, CameraProfile, INTRINSIC_COUNT, IntrinsicsCovariance, USUAL_FIELD_DEG};
use crate::conventions::{deg_from_rad, rad_from_deg};
use crate::table_reader::Limits;

/// Tolerance on the height when comparing the aspect of pictures: encoders round to whole pixels,
/// often even ones.
const ASPECT_TOLERANCE_PX: f64 = 1.0;

/// Fields of view for which a plain pinhole is a fair guess.
const FIELD_OF_VIEW_LIMITS_DEG: Limits = Limits::new(5.0, 140.0, "°");

// Standard deviations of a camera that was never calibrated (common practice, no source): data
// sheets round the field of view, video modes crop it, and small lenses are seldom centred or free
// of barrel distortion.
/// Standard deviation of the focal length, part of it. The angle across the width, taken for the one across
/// the diagonal of a 16:9 picture, makes it 15 % longer; a video mode that crops by a tenth on each side 25 %.
const STATED_FOCAL_SD: f64 = 0.15;
/// The same for a camera of which nothing is known but a profile that may be another's: digital
/// zoom and stabilisation change it by a quarter, another lens by more.
const DOUBTED_FOCAL_SD: f64 = 0.3;
/// A profile whose focal length is less sure than this part of it is a guess: calibrations reach a
/// hundredth at worst.
const ROUGH_FOCAL_SD: f64 = 0.04;
/// Standard deviation of fy against fx, part of them: pixels are square.
const STATED_SQUARE_SD: f64 = 0.002;
/// Standard deviation of the principal point, part of the picture's width.
const STATED_CENTRE_SD: f64 = 0.015;
/// Standard deviations of k1 k2 p1 p2 k3; the last is left out of so rough a guess.
const STATED_DISTORTION_SD: [f64; 5] = [0.1, 0.1, 0.001, 0.001, 0.0];

/// Why a camera profile does not fit.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ProfileError {
    /// The picture has another shape, so another camera mode.
    #[error(
        "the camera profile {name:?} is for pictures of {profile_width_px} × {profile_height_px}, \
         but these are of {width_px} × {height_px}, another shape"
    )]
    OtherAspect {
        /// The profile.
        name: String,
        /// Width it was made for.
        profile_width_px: usize,
        /// Height it was made for.
        profile_height_px: usize,
        /// Width of the picture.
        width_px: usize,
        /// Height of the picture.
        height_px: usize,
    },
    /// The picture is upright and the profile's is not, or the other way round.
    #[error(
        "the camera profile {name:?} is for pictures of {profile_width_px} × {profile_height_px}, \
         but these are of {width_px} × {height_px}: the camera was held turned"
    )]
    Turned {
        /// The profile.
        name: String,
        /// Width it was made for.
        profile_width_px: usize,
        /// Height it was made for.
        profile_height_px: usize,
        /// Width of the picture.
        width_px: usize,
        /// Height of the picture.
        height_px: usize,
    },
    /// A field of view that no plain lens has.
    #[error("a field of view of {field_of_view_deg}° is outside {FIELD_OF_VIEW_LIMITS_DEG}")]
    FieldOfView {
        /// The angle stated.
        field_of_view_deg: f64,
    },
}

impl ProfileError {
    /// What the user can do about it.
    pub fn mend(&self) -> &'static str {
        match self {
            Self::OtherAspect { .. } => {
                "film in the mode that was calibrated, or calibrate the mode of this clip"
            }
            Self::Turned { .. } => {
                "hold the camera as for the calibration, or calibrate with it held like this: \
                 the picture alone does not show to which side it was turned"
            }
            Self::FieldOfView { .. } => {
                "state the angle across the picture's diagonal, in degrees, as the data sheet does"
            }
        }
    }
}

impl CameraProfile {
    /// The profile for a picture of this size: itself, or scaled to another resolution of the
    /// same shape.
    ///
    /// # Errors
    /// The picture has another shape, or is turned by 90°.
    pub fn for_picture(&self, width_px: usize, height_px: usize) -> Result<Self, ProfileError> {
        let of_shape = |width: usize, height: usize| {
            let scale = width_px as f64 / width as f64;
            (height as f64 * scale - height_px as f64).abs() <= ASPECT_TOLERANCE_PX
        };
        let name = self.name.clone();
        let (profile_width_px, profile_height_px) = (self.width_px, self.height_px);
        if of_shape(profile_width_px, profile_height_px) {
            return Ok(self.scaled_to(width_px, height_px));
        }
        if of_shape(profile_height_px, profile_width_px) {
            return Err(ProfileError::Turned {
                name,
                profile_width_px,
                profile_height_px,
                width_px,
                height_px,
            });
        }
        Err(ProfileError::OtherAspect {
            name,
            profile_width_px,
            profile_height_px,
            width_px,
            height_px,
        })
    }

    fn scaled_to(&self, width_px: usize, height_px: usize) -> Self {
        if width_px == self.width_px {
            return Self {
                height_px,
                ..self.clone()
            };
        }
        let scale = width_px as f64 / self.width_px as f64;
        let (from_width_px, from_height_px) = (self.width_px, self.height_px);
        let by_parameter = SVector::<f64, INTRINSIC_COUNT>::from_fn(|index, _| {
            // Lengths in pixels scale; distortion is of normalised coordinates and stays.
            if index < 4 { scale } else { 1.0 }
        });
        Self {
            name: format!(
                "{}, scaled from {from_width_px} × {from_height_px}",
                self.name
            ),
            width_px,
            height_px,
            camera: self.camera.scaled(scale),
            covariance: self.covariance.map(|covariance| {
                covariance.component_mul(&(by_parameter * by_parameter.transpose()))
            }),
            rms_px: self.rms_px.map(|rms_px| rms_px * scale),
            ..self.clone()
        }
    }

    /// The profile as a first guess for another lens: its own values with the focal length changed
    /// by a factor, and large standard deviations.
    pub fn doubted(&self, focal_factor: f64) -> Self {
        let camera = Camera {
            fx: self.camera.fx * focal_factor,
            fy: self.camera.fy * focal_factor,
            ..self.camera
        };
        let (focal_px, width_px) = ((camera.fx + camera.fy) / 2.0, self.width_px as f64);
        Self {
            camera,
            covariance: Some(wide_covariance(focal_px, width_px, DOUBTED_FOCAL_SD)),
            ..self.clone()
        }
    }

    /// Whether it is no more than a guess, as from a stated field of view.
    pub fn is_rough(&self) -> bool {
        let relative_variance =
            |covariance: IntrinsicsCovariance| covariance[(0, 0)] / self.camera.fx.powi(2);
        self.covariance
            .is_some_and(|covariance| relative_variance(covariance) > ROUGH_FOCAL_SD.powi(2))
    }

    /// Angle across the picture's diagonal with a focal length that is `focal_factor` times the profile's,
    /// lens taken for a pinhole, degrees.
    pub fn field_of_view_deg(&self, focal_factor: f64) -> f64 {
        let diagonal_px = (self.width_px as f64).hypot(self.height_px as f64);
        let focal_px = focal_factor * (self.camera.fx + self.camera.fy) / 2.0;
        2.0 * deg_from_rad((diagonal_px / 2.0 / focal_px).atan())
    }

    /// A usual phone while it films, in upright pictures or wide ones; for drawings only.
    ///
    /// # Errors
    /// The picture is so narrow that no plain lens covers it.
    pub fn of_usual_phone(width_px: usize, height_px: usize) -> Result<Self, ProfileError> {
        let (width, height) = (width_px as f64, height_px as f64);
        let half_across = (rad_from_deg(USUAL_FIELD_DEG) / 2.0).tan();
        let half_diagonal = half_across * width.hypot(height) / width.max(height);
        let diagonal_deg = 2.0 * deg_from_rad(half_diagonal.atan());
        Self::from_field_of_view(diagonal_deg, width_px, height_px)
    }

    /// A camera that was never calibrated, from the angle across the diagonal of its picture.
    ///
    /// A pinhole with the axis in the middle and f = ½ diagonal / tan(½ angle), with large standard
    /// deviations.
    ///
    /// # Errors
    /// No plain lens has such an angle.
    pub fn from_field_of_view(
        field_of_view_deg: f64,
        width_px: usize,
        height_px: usize,
    ) -> Result<Self, ProfileError> {
        if !FIELD_OF_VIEW_LIMITS_DEG.contains(field_of_view_deg) {
            return Err(ProfileError::FieldOfView { field_of_view_deg });
        }
        let (width, height) = (width_px as f64, height_px as f64);
        let half_angle_rad = rad_from_deg(field_of_view_deg) / 2.0;
        let focal_px = width.hypot(height) / 2.0 / half_angle_rad.tan();
        Ok(Self {
            name: format!("not calibrated, {field_of_view_deg}° across the diagonal"),
            width_px,
            height_px,
            camera: Camera {
                fx: focal_px,
                fy: focal_px,
                cx: (width - 1.0) / 2.0,
                cy: (height - 1.0) / 2.0,
                distortion: [0.0; 5],
            },
            covariance: Some(wide_covariance(focal_px, width, STATED_FOCAL_SD)),
            rms_px: None,
            views: None,
        })
    }
}

fn wide_covariance(focal_px: f64, width_px: f64, focal_sd: f64) -> IntrinsicsCovariance {
    let mut sds = SVector::<f64, INTRINSIC_COUNT>::zeros();
    sds[0] = focal_px * STATED_SQUARE_SD;
    sds[1] = focal_px * STATED_SQUARE_SD;
    sds[2] = width_px * STATED_CENTRE_SD;
    sds[3] = width_px * STATED_CENTRE_SD;
    sds.rows_mut(4, 5).copy_from_slice(&STATED_DISTORTION_SD);
    let mut covariance = IntrinsicsCovariance::from_diagonal(&sds.component_mul(&sds));
    // An error of the stated angle affects fx and fy equally.
    let shared = (focal_px * focal_sd).powi(2);
    covariance
        .fixed_view_mut::<2, 2>(0, 0)
        .add_scalar_mut(shared);
    covariance
}
