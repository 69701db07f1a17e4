//! Calibration: from pictures of a printed board to a camera profile with its uncertainty.

mod adjustment;
mod board;
mod charuco;
mod crossing;
mod error;
mod fit;
mod homography;
mod ladder;
mod outliers;
mod reduced;
mod result;
mod sighting;
mod start;
mod terms;
mod uncertainty;
mod view;

pub use board::{Board, Charuco, CharucoLayout, Chessboard, MarkerPlace};
pub use crossing::{Crossing, CrossingFault, PredictedCrossing, measure_crossing};
pub use error::CalibrationError;
pub use fit::{CalibrateOptions, Outliers, calibrate};
pub use result::{
    CalibratedView, Calibration, DroppedReason, DroppedView, PointResidual, TermsTrial,
};
pub use sighting::{BoardFinder, BoardSighting, NoView};
pub use terms::DistortionTerms;
pub use view::{BoardPoint, BoardView};
