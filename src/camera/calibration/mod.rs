//! Calibration: from pictures of a printed board to a camera profile with its uncertainty.

mod adjustment;
mod board;
mod candidate;
mod charuco;
mod crossing;
mod crossing_model;
mod diagnosis;
mod effect;
mod error;
mod fit;
mod ladder;
mod outliers;
mod place;
mod reduced;
mod result;
mod sighting;
mod start;
mod support;
mod survey;
mod terms;
mod uncertainty;
mod verdict;
mod view;

pub(in crate::camera) use candidate::{BLUR_LIMIT, STEADY_PX_S};
pub(in crate::camera) use diagnosis::diagnose;
pub(in crate::camera) use effect::deflections_by_intrinsics;
pub(in crate::camera) use place::{ALIKE_SHARE, distance_px};
pub(in crate::camera) use start::{USUAL_FOCAL, first_pose};
pub(in crate::camera) use verdict::{GOOD_TILT_DEG, GOOD_U_DEG};

pub use board::{Board, Charuco, CharucoLayout, Chessboard, MarkerPlace};
pub use candidate::{Candidate, ChosenViews, Spare, calibrate_candidates, choose_views};
pub use crossing::{Crossing, CrossingFault, PredictedCrossing, measure_crossing};
pub use effect::deflection_sd_deg;
pub use error::{CalibrationError, Seen};
pub use fit::{CalibrateOptions, Outliers, calibrate};
pub use result::{
    CalibratedView, Calibration, DroppedReason, DroppedView, PointResidual, TermsOutcome,
    TermsTrial,
};
pub use sighting::{BoardFinder, BoardSighting, NoView};
pub use survey::{Survey, survey};
pub use terms::{BoardShape, DistortionTerms};
pub use verdict::{Edge, Grade, Objection, Verdict};
pub use view::{BoardPoint, BoardView};
