//! Why a calibration could not be made.

use super::sighting::FEWEST_CROSSINGS;

/// Why a calibration could not be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// Too few views of the board are usable.
    #[error("only {usable} usable views of the board, at least {needed} are needed")]
    FewViews {
        /// Views with enough points.
        usable: usize,
        /// Views needed.
        needed: usize,
    },
    /// All views look at the board square-on.
    #[error(
        "all {views} views see the board square-on (the most tilted by {largest_tilt_deg:.1}°), \
         so its distance and the focal length cannot be told apart"
    )]
    AllSquareOn {
        /// Views used.
        views: usize,
        /// Tilt of the most tilted view.
        largest_tilt_deg: f64,
    },
    /// The views do not fix the camera.
    #[error("the {views} views do not fix the camera: they are too much alike")]
    NotFixed {
        /// Views used.
        views: usize,
    },
}

impl CalibrationError {
    /// What to do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::FewViews { .. } => format!(
                "film the board from at least ten directions, sharp and well lit, with at least \
                 {FEWEST_CROSSINGS} crossings in the picture each time"
            ),
            Self::AllSquareOn { .. } => "tilt the board by 20° to 45° to the left, to the right, \
                 up and down, and take at least one view of each"
                .into(),
            Self::NotFixed { .. } => "take views that differ: tilt the board in all directions, \
                 bring it to every edge of the picture, near and far"
                .into(),
        }
    }
}
