//! The result of a calibration.

use nalgebra::{Isometry3, Vector2, Vector3};

use super::terms::DistortionTerms;
use super::view::BoardPoint;
use crate::camera::{Camera, CameraProfile, IntrinsicsCovariance};

/// A camera from views of a board, with everything that is needed to judge it.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Width and height of the pictures.
    pub size_px: (usize, usize),
    /// The camera.
    pub camera: Camera,
    /// Covariance of fx fy cx cy k1 k2 p1 p2 k3.
    pub covariance: IntrinsicsCovariance,
    /// Root of the mean squared distance between points seen and points projected.
    pub rms_px: f64,
    /// Distortion terms estimated.
    pub terms: DistortionTerms,
    /// The effect of each step up the ladder of terms, from fewest terms to all.
    pub trials: Vec<TermsTrial>,
    /// Ratio of variances by which views differ more than independent errors explain, at least 1.
    pub between_views: f64,
    /// Bend of the board, mm: 0 where it was taken for flat (see [`super::BoardShape`]).
    pub bend_mm: Vector3<f64>,
    /// Decrease of the sum of squares per number of the bend, relative to that expected by chance.
    pub bend_f_value: f64,
    /// Different places in which the views show the board.
    pub places: usize,
    /// Views used, in the order given.
    pub views: Vec<CalibratedView>,
    /// Views dropped, in the order given.
    pub dropped_views: Vec<DroppedView>,
}

impl Calibration {
    /// The profile to keep and to measure with.
    pub fn profile(&self, name: &str) -> CameraProfile {
        CameraProfile {
            name: name.into(),
            width_px: self.size_px.0,
            height_px: self.size_px.1,
            camera: self.camera,
            covariance: Some(self.covariance),
            rms_px: Some(self.rms_px),
            views: Some(self.views.len()),
        }
    }
}

/// A step up the ladder of distortion terms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TermsTrial {
    /// Terms estimated.
    pub terms: DistortionTerms,
    /// RMS with them.
    pub rms_px: f64,
    /// Decrease of the sum of squares per term added to the last step taken, relative to that
    /// expected by chance; 0 on the lowest step.
    pub f_value: f64,
    /// Whether the step was taken, and why not.
    pub outcome: TermsOutcome,
}

/// Result of a step up the ladder of distortion terms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TermsOutcome {
    /// The views support the terms.
    Taken,
    /// The added terms do not differ from zero by more than their ± (k = 2).
    WithinUncertainty,
    /// The added terms do not improve the prediction of places that were left out of the fit.
    NotConfirmed,
    /// The model would fold back inside the picture.
    Folds {
        /// Distance from the principal point at which it does.
        at_px: f64,
    },
}

impl TermsOutcome {
    /// The outcome in words, to follow the names of the terms.
    pub fn words(&self) -> String {
        match self {
            Self::Taken => "estimated".into(),
            Self::WithinUncertainty => "not larger than its own ±".into(),
            Self::NotConfirmed => "not confirmed by views left out of the fit".into(),
            Self::Folds { at_px } => {
                format!("would fold the picture back {at_px:.0} px from its centre")
            }
        }
    }
}

/// A view used in the calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibratedView {
    /// File or frame.
    pub name: String,
    /// Where the board was.
    pub camera_from_board: Isometry3<f64>,
    /// RMS of this view.
    pub rms_px: f64,
    /// Angle between the board and the plane of the picture.
    pub tilt_deg: f64,
    /// Distance from the camera to the board's middle, mm.
    pub distance_mm: f64,
    /// Points used.
    pub points: Vec<PointResidual>,
    /// Points dropped.
    pub dropped: Vec<PointResidual>,
}

/// A point and how far it was seen from where the camera projects it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointResidual {
    /// The point.
    pub point: BoardPoint,
    /// Seen minus projected.
    pub residual_px: Vector2<f64>,
}

/// A view that was left out.
#[derive(Debug, Clone, PartialEq)]
pub struct DroppedView {
    /// File or frame.
    pub name: String,
    /// Why.
    pub reason: DroppedReason,
}

/// Why a view was left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DroppedReason {
    /// Too few points, or all on one line.
    FewPoints {
        /// Points seen.
        points: usize,
    },
    /// Its points fit far worse than those of the other views.
    FitsBadly {
        /// RMS of the view.
        rms_px: f64,
        /// Median of all views' RMS.
        usual_px: f64,
    },
}

impl DroppedReason {
    /// The reason in words.
    pub fn words(&self) -> String {
        match self {
            Self::FewPoints { points } => format!("only {points} usable corners"),
            Self::FitsBadly { rms_px, usual_px } => format!(
                "fits badly, {rms_px:.2} px where {usual_px:.2} px is usual: blurred, moved or bent"
            ),
        }
    }
}
