//! Camera: intrinsics, distortion and their uncertainty.

pub mod calibration;
mod growth;
mod profile;
mod profile_file;
mod projection;

pub use profile::ProfileError;
pub use profile_file::ProfileFault;
pub use projection::Projection;

use nalgebra::SMatrix;

/// Field of view of a usual phone across the longer side of the picture while it films: its main lens (26 mm
/// in terms of a 36 × 24 mm picture) covers 67° across its whole sensor, and the stabiliser takes a
/// tenth of that width. Common values of current phones, no single source.
pub const USUAL_FIELD_DEG: f64 = 62.0;

/// Number of intrinsic parameters: fx fy cx cy k1 k2 p1 p2 k3.
pub const INTRINSIC_COUNT: usize = 9;

/// Covariance of fx fy cx cy k1 k2 p1 p2 k3.
pub type IntrinsicsCovariance = SMatrix<f64, INTRINSIC_COUNT, INTRINSIC_COUNT>;

/// Pinhole camera with Brown–Conrady distortion, for one size of picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Camera {
    /// Focal length along x, px.
    pub fx: f64,
    /// Focal length along y, px.
    pub fy: f64,
    /// Principal point x, px.
    pub cx: f64,
    /// Principal point y, px.
    pub cy: f64,
    /// k1 k2 p1 p2 k3.
    pub distortion: [f64; 5],
}

/// A camera profile: one camera mode with its uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct CameraProfile {
    /// The user's name for it.
    pub name: String,
    /// Width of the picture the profile was made for.
    pub width_px: usize,
    /// Height of that picture.
    pub height_px: usize,
    /// Intrinsics and distortion.
    pub camera: Camera,
    /// Covariance of fx fy cx cy k1 k2 p1 p2 k3, where known.
    pub covariance: Option<IntrinsicsCovariance>,
    /// RMS reprojection error of the calibration, where known.
    pub rms_px: Option<f64>,
    /// Number of views used in the calibration, where known.
    pub views: Option<usize>,
}
